"""`wallguard.yaml`: which parts of a design repository answer to which rule files, and how."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Literal

from wallguard.base.coupon import MANIFEST
from wallguard.base.errors import InputError
from wallguard.base.formats import CHORD, format_module
from wallguard.base.units import Unit
from wallguard.documents.reading import DocumentError, Mapping, parse_document, read_document
from wallguard.documents.record import fields_of, key, maker, table_of
from wallguard.documents.scalars import Choice, Days, JsonSchema, Number, Version
from wallguard.documents.shape import Field, Many, Table
from wallguard.repository.coupons import is_plate
from wallguard.repository.entry import (
    GLOB,
    UNIT,
    Assignment,
    CouponEntry,
    GeneratedEntry,
    LibraryEntry,
    PartEntry,
)
from wallguard.repository.patterns import matches
from wallguard.rules.lock import MAX_LIBRARIES

FILE_NAME = "wallguard.yaml"
OTHER_NAME = "wallguard.yml"


_NEEDS = (("git", "revision"), ("folder", "revision"))
_PART = table_of(
    PartEntry, "parts and the rules they answer to", exclusive=(("up", "rotate"),), line="line"
)
_COUPON = table_of(CouponEntry, "a rule file and toolpaths of its coupon")
_GENERATED = table_of(GeneratedEntry, "a part that code makes")
_LIBRARY = table_of(
    LibraryEntry, "a library of rule files", exclusive=(("git", "folder"),), needs=_NEEDS
)


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
    unit: Unit | None = field(
        default=None,
        metadata=key(UNIT, "Unit of a file whose format carries none; left out: mm."),
    )
    chord: float = field(
        default=CHORD,
        metadata=key(
            Number(0.0005, 1, "mm"),
            "How far facets may lie off a curve, where a file holds curves (STEP); left out: 0.01 "
            "mm. Walls of such faces are uncertain by as much.",
            name="chord_error",
        ),
    )
    entries: tuple[PartEntry, ...] = field(
        default=(),
        metadata=key(
            Many(_PART, 1, 1000, "a list of entries with `files` and `rules`"),
            "Which parts answer to which rule files, and how they are printed. Entries add up: a "
            "part is checked against the rules of every entry that it matches. Where two entries "
            "name the same rules for it, the later one says how it is printed.",
            name="parts",
            required=True,
        ),
    )
    coupon_entries: tuple[CouponEntry, ...] = field(
        default=(),
        metadata=key(
            Many(_COUPON, 0, 200, "a list of entries with `rules` and `toolpath`"),
            "Toolpaths that are kept of coupons, by which an update of the slicing software is "
            "rehearsed.",
            name="coupons",
        ),
    )
    generated_entries: tuple[GeneratedEntry, ...] = field(
        default=(),
        metadata=key(
            Many(_GENERATED, 0, 500, "a list of entries with `part`"),
            "Parts that code makes, run only as this says. Their rules follow from `parts`, as "
            "those of files.",
            name="generated",
        ),
    )
    libraries: tuple[LibraryEntry, ...] = field(
        default=(),
        metadata=key(
            Many(_LIBRARY, 0, MAX_LIBRARIES, "a list of libraries"),
            "Libraries of rule files that many repositories share. `wallguard library update` "
            "fetches them; nothing else does.",
        ),
    )
    longest: int | None = field(
        default=None,
        metadata=key(
            Days(),
            "How far from today a waiver may run at most; left out: 365 days.",
            within="waivers",
        ),
    )
    gate: Literal["all", "new"] = field(
        default="all",
        metadata=key(
            Choice(("all", "new")),
            "Which findings stop the gate: `all`, or only those that are `new`, or worse, against "
            "the base revision, which is that of `--base`, else of `--changed-since`, else HEAD. "
            "Where a run asks several of these files and they differ, `all` holds.",
        ),
    )
    exclude: tuple[str, ...] = field(
        default=(),
        metadata=key(
            Many(GLOB, 0, 500, "a list of patterns"),
            "Files that are no parts to check; patterns as in `files`. They hold in folders with a "
            "`wallguard.yaml` of their own too.",
        ),
    )
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

    def assignment(self, path: str, *rules: str) -> Assignment:
        """How the part at `path` is printed: the one answer, for whatever is done with it.

        As the entry says that names the first of `rules` that any entry of the part names; else
        as its entries say first; else upright and at full size, in the repository's own `unit`.
        Whether the part is excluded plays no role.
        """
        said = self._said(path)
        for name in (*rules, *said):
            if name in said:
                return said[name]
        return Assignment(rules="", unit=self.unit, chord=self.chord)

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
        named = (item.rules for entry in self.entries for item in self._assignments(entry))
        return tuple(dict.fromkeys(named))

    @property
    def coupons(self) -> tuple[CouponEntry, ...]:
        """What is kept of coupons, with paths seen from `root`."""
        return tuple(entry.below(self.folder) for entry in self.coupon_entries)

    @property
    def generated(self) -> tuple[GeneratedEntry, ...]:
        """The parts that code makes, with paths seen from `root`."""
        return tuple(entry.below(self.folder) for entry in self.generated_entries)

    def _said(self, path: str) -> dict[str, Assignment]:
        """What the entries that match say for each rule file."""
        inner = self._inner(path)
        assignments: dict[str, Assignment] = {}
        for entry in self.entries if inner is not None else ():
            if any(matches(pattern, inner or "") for pattern in entry.files):
                assignments |= {
                    assignment.rules: assignment for assignment in self._assignments(entry)
                }
        return assignments

    def _assignments(self, entry: PartEntry) -> Iterator[Assignment]:
        for assignment in entry.assignments(self.folder, self.unit):
            yield replace(assignment, chord=self.chord)

    def _inner(self, path: str) -> str | None:
        """`path` as seen from the folder of `wallguard.yaml`; None where it lies elsewhere."""
        return path.removeprefix(self.folder) if path.startswith(self.folder) else None


REPOSITORY_FILE = Table(
    "a repository file",
    (
        Field("wallguard", Version(), "Version of this format: 1.", always=True),
        *fields_of(
            Repository,
            {"waivers": ("bounds for waivers", "What a waiver may be in this repository.")},
        ),
    ),
    make=maker(Repository),
)


def repository_schema() -> JsonSchema:
    """JSON Schema (draft 7) of `wallguard.yaml`."""
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "title": "wallguard.yaml",
        "description": "Which parts of a design repository answer to which rule files.",
        **REPOSITORY_FILE.schema(),
    }


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
    problems = tuple(REPOSITORY_FILE.problems(document))
    if problems:
        raise DocumentError(problems)
    made = REPOSITORY_FILE.value(
        document, root=empty.root, path=empty.path, folder=empty.folder, above=empty.above
    )
    assert isinstance(made, Repository)
    return made
