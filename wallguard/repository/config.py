"""`wallguard.yaml`: which parts of a design repository answer to which rule files, and how."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from math import hypot
from pathlib import Path, PurePosixPath
from typing import Any, Literal

from wallguard.base.coupon import MANIFEST
from wallguard.base.errors import InputError
from wallguard.base.formats import format_module
from wallguard.base.rotation import (
    UPRIGHT,
    Rotation,
    rotation_about_axes,
    rotation_from_up,
)
from wallguard.base.units import Unit
from wallguard.documents.reading import (
    DocumentError,
    Mapping,
    Problem,
    Sequence,
    parse_document,
    read_document,
)
from wallguard.repository.coupons import is_plate
from wallguard.repository.fields import DIRECTIONS, REPOSITORY_FILE
from wallguard.repository.patterns import matches

FILE_NAME = "wallguard.yaml"
OTHER_NAME = "wallguard.yml"


@dataclass(frozen=True)
class Assignment:
    """One rule file that a part answers to, and how the part is printed for it.

    rules     rule file, relative to the root, with /
    rotation  rows of the matrix from the file's frame to the printer's
    scale     printed size over the size in the file
    unit      unit of the file where its format carries none; None: not stated
    line      of `wallguard.yaml`, where this is said; None: said on the command line
    """

    rules: str
    rotation: Rotation = UPRIGHT
    scale: float = 1.0
    unit: Unit | None = None
    line: int | None = None


@dataclass(frozen=True)
class PartEntry:
    """One entry under `parts`: patterns, and an assignment for each rule file."""

    files: tuple[str, ...]
    assignments: tuple[Assignment, ...]


@dataclass(frozen=True)
class Repository:
    """What one `wallguard.yaml` says; `path` is that file, None where there is none.

    Paths of parts and of rule files are relative to `root`, with /. Without a `wallguard.yaml` no
    part answers to any rules and nothing is excluded.

    longest  how many days from today a waiver may run at most; None: 365
    folder  the folder of `wallguard.yaml` as seen from `root`, ended by /; empty: `root` itself
    above   what the next `wallguard.yaml` further up says, which may exclude parts too
    """

    root: Path
    path: Path | None = None
    unit: Unit | None = None
    entries: tuple[PartEntry, ...] = ()
    exclude: tuple[str, ...] = ()
    gate: Literal["all", "new"] = "all"
    longest: int | None = None
    folder: str = ""
    above: Repository | None = None

    @property
    def name(self) -> str:
        """How its file is called in messages."""
        return self.folder + FILE_NAME

    def assignments(self, path: str) -> list[Assignment]:
        """The rule files that the part at `path` answers to, in the order of the file.

        Empty where the part is excluded or where nothing names it. Where several entries name the
        same rules, the last one says how the part is printed.
        """
        return [] if self.excluded(path) else list(self._said(path).values())

    def lies(self, path: str, *rules: str) -> Assignment:
        """How the part at `path` is printed: the one answer, for whatever is done with it.

        As the entry says that names the first of `rules` that any entry of the part names; else
        as its entries say first; else upright and at full size, in the repository's own `unit`.
        Whether the part is excluded plays no role.
        """
        said = self._said(path)
        for name in (*rules, *said):
            if name in said:
                return said[name]
        return Assignment(rules="", unit=self.unit)

    def excluded(self, path: str) -> bool:
        """Whether `exclude` names `path`, here or in a `wallguard.yaml` further up, or whether it
        is a plate of a coupon."""
        return bool(self.exclusion(path))

    def exclusion(self, path: str) -> str:
        """Why `path` is left out, in a few words; empty where it is not."""
        inner = self._inner(path)
        for pattern in self.exclude if inner is not None else ():
            if matches(pattern, inner or ""):
                return f'excluded by "{pattern}" in {self.name}'
        if is_plate(self.root, path):
            return f"a plate of a coupon, as {MANIFEST} beside it says"
        return self.above.exclusion(path) if self.above is not None else ""

    def part_files(self, paths: Iterable[str]) -> list[str]:
        """Those of `paths` that are parts and not excluded, sorted, each once."""
        return sorted({path for path in paths if is_part(path) and not self.excluded(path)})

    def rule_files(self) -> tuple[str, ...]:
        """Every rule file that an entry names, in the order of the file, each once."""
        named = (item.rules for entry in self.entries for item in entry.assignments)
        return tuple(dict.fromkeys(named))

    def _said(self, path: str) -> dict[str, Assignment]:
        """What the entries that match say for each rule file."""
        inner = self._inner(path)
        found: dict[str, Assignment] = {}
        for entry in self.entries if inner is not None else ():
            if any(matches(pattern, inner or "") for pattern in entry.files):
                found |= {assignment.rules: assignment for assignment in entry.assignments}
        return found

    def _inner(self, path: str) -> str | None:
        """`path` as seen from the folder of `wallguard.yaml`; None where it lies elsewhere."""
        return path.removeprefix(self.folder) if path.startswith(self.folder) else None


def is_part(path: str) -> bool:
    """Whether the name has the suffix of a mesh file that wallguard reads."""
    return format_module(PurePosixPath(path).suffix) is not None


def load_repository(root: Path, folder: str = "", above: Repository | None = None) -> Repository:
    """The `wallguard.yaml` in `root`, or in the folder of it that `folder` names (ended by /); an
    empty Repository where there is none.

    Rule files are only named here; `load_rules(root / assignment.rules, root)` reads them and
    refuses those that lie outside.

    Raises InputError: not a folder, a file that leads out of `root`, is not YAML (see
    `documents.reading`), or has keys or values that the format does not have.
    """
    name = folder + FILE_NAME
    if not root.is_dir():
        raise InputError(root, "this is not a folder", remedy="Name the repository's root")
    path = root / name
    if not os.path.lexists(path):
        other = root / folder / OTHER_NAME
        if other.exists():
            raise InputError(
                folder + other.name, "this name is not looked for", remedy=f"Call it {FILE_NAME}"
            )
        return Repository(root, folder=folder, above=above)
    empty = Repository(root, path, folder=folder, above=above)
    return _repository(read_document(path, name, root=root), empty)


def parse_repository(text: str, root: Path) -> Repository:
    """The text of a `wallguard.yaml`, as it stood at another revision for example.

    Raises InputError as `load_repository` does for the content.
    """
    return _repository(parse_document(text, FILE_NAME), Repository(root, root / FILE_NAME))


def _repository(document: Mapping, empty: Repository) -> Repository:
    """The repository that the document describes, which as yet is `empty`."""
    problems = list(REPOSITORY_FILE.problems(document)) or list(_relations(document))
    if problems:
        raise DocumentError(tuple(problems))
    values = document.plain()
    rows = document.entries["parts"].value
    assert isinstance(rows, Sequence)
    entries = (
        _entry(part, row.place.line, values.get("unit"), empty.folder)
        for part, row in zip(values["parts"], rows.items, strict=True)
    )
    return replace(
        empty,
        unit=values.get("unit"),
        entries=tuple(entries),
        exclude=tuple(values.get("exclude", [])),
        gate=values.get("gate", "all"),
        longest=_days(values.get("waivers", {}).get("longest")),
    )


def _days(text: str | None) -> int | None:
    """The 365 of "365 days"."""
    return None if text is None else int(text.split()[0])


def _entry(values: dict[str, Any], line: int, unit: Unit | None, folder: str) -> PartEntry:
    rotation = UPRIGHT
    if "up" in values:
        up = values["up"]
        rotation = rotation_from_up(DIRECTIONS[up] if isinstance(up, str) else tuple(up))
    elif "rotate" in values:
        rotation = rotation_about_axes(tuple(values["rotate"]))
    scale, unit = _scale(values.get("scale", 1)), values.get("unit", unit)
    return PartEntry(
        tuple(_listed(values["files"])),
        tuple(
            Assignment(folder + _normal(rules), rotation, scale, unit, line)
            for rules in _listed(values["rules"])
        ),
    )


def _listed(value: str | list[str]) -> list[str]:
    return [value] if isinstance(value, str) else value


def _normal(path: str) -> str:
    return PurePosixPath(path).as_posix()


def _scale(value: float | str) -> float:
    if not isinstance(value, str):
        return float(value)
    printed, drawn = (float(side) for side in value.split(":"))
    return printed / drawn if drawn else 0.0


def _relations(document: Mapping) -> Iterator[Problem]:
    """What the shapes of the values do not say."""
    rows = document.entries["parts"].value
    assert isinstance(rows, Sequence)
    for row in rows.items:
        assert isinstance(row, Mapping)
        up, scale = row.at("up"), row.at("scale")
        if up and isinstance(up.value, Sequence) and hypot(*up.value.plain()) < 1e-6:
            yield Problem(up.value.place, "`up`: this direction has no length", 'Write "+z"')
        if scale and not 0.00001 <= _scale(scale.value.plain()) <= 100_000:
            yield Problem(
                scale.value.place,
                f"`scale`: {scale.value.plain()} is not between 1:100000 and 100000:1",
                'Write the printed size first, as in "1:200"',
            )
