"""Entries of `wallguard.yaml`: under `parts`, which parts, which rule files, how the parts lie;
under `coupons`, which toolpaths show what the slicing software makes of a rule file's coupon."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import hypot
from pathlib import PurePosixPath
from typing import Literal

from wallguard.base.formats import CHORD
from wallguard.base.rotation import (
    UPRIGHT,
    Rotation,
    Vector,
    rotation_about_axes,
    rotation_from_up,
)
from wallguard.base.units import MILLIMETRES, Unit
from wallguard.documents.record import key
from wallguard.documents.scalars import (
    BLANK,
    CONTROLS,
    GOES_UP,
    LEAVES,
    Choice,
    Forbidden,
    Number,
    Text,
)
from wallguard.documents.shape import Kept, Many, OneOf
from wallguard.repository.patterns import matches
from wallguard.rules.lock import NAME, REVISION

DIRECTIONS: dict[str, Vector] = {
    "+x": (1.0, 0.0, 0.0),
    "-x": (-1.0, 0.0, 0.0),
    "+y": (0.0, 1.0, 0.0),
    "-y": (0.0, -1.0, 0.0),
    "+z": (0.0, 0.0, 1.0),
    "-z": (0.0, 0.0, -1.0),
}
UNIT = Choice(tuple(MILLIMETRES))

_INSIDE = (*LEAVES, GOES_UP)
_STARS = Forbidden(
    r"[^/]\*\*|\*\*[^/]",
    "`**` beside other characters",
    "Let `**` stand alone between slashes, as in `**/*.stl`",
)
_EMPTY = Forbidden(r"//", "an empty folder name", "Write a single /")
GLOB = Text('a pattern such as "brackets/**/*.stl"', 1000, (*_INSIDE, _STARS, _EMPTY))
# The smallest and the largest scale.
_LEAST, _MOST = 0.00001, 100_000


def _one_or_more(shape: Text, what: str) -> Kept:
    both = OneOf((shape, Many(shape, 1, 500, what)))
    return Kept(both, lambda said: (said,) if isinstance(said, str) else said)


def _upward(up: str | Vector) -> Rotation:
    direction = DIRECTIONS[up] if isinstance(up, str) else up
    if hypot(*direction) < 1e-6:
        raise ValueError("this direction has no length")
    return rotation_from_up(direction)


def _direction(rotation: Rotation) -> str | Vector:
    """What `up` says of a rotation: the last row of its matrix is what is brought to +z."""
    up = rotation[2]
    return next((name for name, direction in DIRECTIONS.items() if direction == up), up)


def _scale(said: float | str) -> float:
    if not isinstance(said, str):
        return said
    printed, drawn = map(float, said.split(":"))
    scale = printed / drawn if drawn else 0.0
    if not _LEAST <= scale <= _MOST:
        raise ValueError(f"{said} is not between 1:100000 and 100000:1")
    return scale


_PASSWORD = Forbidden(
    r"^[Hh][Tt][Tt][Pp][Ss]?://[^/]*@|://[^/@]*:[^/]*@",
    "a password",
    "Take it out, and let git ask its credential helper",
    secret=True,
)
_HELPER = Forbidden(r"^-|::", "what git would take for a program or an option", "Name an address")
_SCHEME = Forbidden(
    r"^(?!https:|ssh:)[A-Za-z][A-Za-z0-9+.-]*://", "a scheme of another kind", "Use https or ssh"
)
ADDRESS = Text(
    "an address such as https://forge.example.org/printers/rules",
    1000,
    (_PASSWORD, CONTROLS, BLANK, _HELPER, _SCHEME),
)
_FILE = Text("a file relative to this file's folder", 1000, _INSIDE)
_UP = Kept(
    OneOf((Choice(tuple(DIRECTIONS)), Many(Number(-1000, 1000), 3, 3, "a direction [x, y, z]"))),
    _upward,
    'Write "+z"',
    _direction,
)
_RATIO = Text(
    'a scale such as "1:200"',
    40,
    (CONTROLS, BLANK),
    r"^[0-9]{1,6}(\.[0-9]{1,6})?:[0-9]{1,6}(\.[0-9]{1,6})?$",
)
_SCALE = Kept(
    OneOf((Number(_LEAST, _MOST), _RATIO)),
    _scale,
    'Write the printed size first, as in "1:200"',
)


@dataclass(frozen=True)
class Assignment:
    """One rule file that a part answers to, and how the part is printed for it.

    rules     rule file, relative to the root, with /
    rotation  rows of the matrix from the file's frame to the printer's
    scale     printed size over the size in the file
    unit      unit of the file where its format carries none; None: not stated
    line      of `wallguard.yaml`, where this is said; None: said on the command line
    chord     how far facets lie off the curve, mm, where a file holds curves
    """

    rules: str
    rotation: Rotation = UPRIGHT
    scale: float = 1.0
    unit: Unit | None = None
    line: int | None = None
    chord: float = CHORD


@dataclass(frozen=True)
class PartEntry:
    """An entry as it is written, which begins in `line`."""

    files: tuple[str, ...] = field(
        metadata=key(
            _one_or_more(GLOB, "a list of patterns"),
            "Pattern, or list of patterns, relative to this file's folder. * is any text within "
            "a name, ? one character, ** any folders; a pattern that ends in / is all below that "
            "folder. Upper and lower case differ, save in the suffix.",
        )
    )
    rules: tuple[str, ...] = field(
        metadata=key(
            _one_or_more(
                Text("a rule file relative to the root", 1000, _INSIDE), "a list of rule files"
            ),
            "Rule file, or list of rule files, relative to this file's folder.",
        )
    )
    up: Rotation = field(
        default=UPRIGHT,
        metadata=key(_UP, "The direction of the file that points up on the printer."),
    )
    rotate: Rotation | None = field(
        default=None,
        metadata=key(
            Kept(
                Many(Number(-360, 360, "degrees"), 3, 3, "three angles in degrees: [x, y, z]"),
                rotation_about_axes,
            ),
            "Turns the part as it is printed: in degrees about x, then y, then z, the axes "
            "standing still.",
        ),
    )
    scale: float = field(
        default=1,
        metadata=key(
            _SCALE, 'Printed size over the size in the file: a number, or a scale such as "1:200".'
        ),
    )
    unit: Unit | None = field(
        default=None,
        metadata=key(UNIT, "Unit of these files where their format carries none."),
    )
    line: int = 0

    def assignments(self, folder: str, unit: Unit | None) -> Iterator[Assignment]:
        """One for each rule file.

        folder  that of `wallguard.yaml`, ended by /
        unit    where the entry names none
        """
        for rules in self.rules:
            name = folder + PurePosixPath(rules).as_posix()
            rotation, own = self.rotate or self.up, self.unit or unit
            yield Assignment(name, rotation, self.scale, own, self.line)


@dataclass(frozen=True)
class LibraryEntry:
    """An entry under `libraries`: where rule files come from that many repositories share.

    git, folder  one of both: an address that git fetches from, or a folder without git
    """

    name: str = field(
        metadata=key(NAME, "What rule files call it, as in `extends: NAME/petg.yaml@2027.1`.")
    )
    git: str = field(
        default="",
        metadata=key(
            ADDRESS,
            "Where git fetches it from: https://, ssh:// or name@host:path, or a folder relative "
            "to this file's. A password has no place here.",
        ),
    )
    folder: str = field(
        default="",
        metadata=key(
            Text("a folder relative to this file's", 1000, (CONTROLS, BLANK)),
            "A folder with rule files that is in no git repository.",
        ),
    )
    revision: str = field(
        default="",
        metadata=key(
            REVISION,
            "What stands behind the @ of `extends`: with `git` the tag or the commit that holds; "
            "with `folder` what you call what it holds.",
        ),
    )


@dataclass(frozen=True)
class CouponEntry:
    """An entry under `coupons`. Paths are relative to the root, with /; coupon: empty where it is
    not said."""

    rules: str = field(
        metadata=key(_FILE, "Rule file of the process, relative to this file's folder.")
    )
    toolpaths: tuple[str, ...] = field(
        metadata=key(
            _one_or_more(_FILE, "a list of toolpaths"),
            "Toolpath that the slicing software makes of the coupon's plate, or a list of them, "
            "one for each profile. `wallguard rehearse` rehearses those that changed.",
            name="toolpath",
        )
    )
    coupon: str = field(
        default="",
        metadata=key(
            _FILE,
            "Folder that `wallguard coupon make` wrote; left out: where the toolpath lies, or "
            "`coupon`.",
        ),
    )

    def below(self, folder: str) -> CouponEntry:
        """The same with paths seen from the root; `folder` is that of `wallguard.yaml`, ended by
        /."""

        def seen(path: str) -> str:
            return folder + PurePosixPath(path).as_posix()

        coupon = self.coupon and seen(self.coupon)
        return CouponEntry(seen(self.rules), tuple(map(seen, self.toolpaths)), coupon)


# Where the command finds the name of the file that it is to write, with the suffix of its format.
MESH = r"\{mesh\.([0-9a-z]+)\}"


@dataclass(frozen=True)
class GeneratedEntry:
    """A part that code makes. `part` and `sources` are seen from the root, with /, once the entry
    is `below` its folder."""

    part: str = field(
        metadata=key(
            Text(
                'a file and what of it makes the part, such as "models/bracket.py::bracket"',
                1000,
                _INSIDE,
                r"^[^:]+::[A-Za-z_][A-Za-z0-9_]*$",
            ),
            "What the part is called, FILE::NAME, for `files` under `parts` and on the command "
            "line. Without a `command` FILE is Python, and its function NAME is called.",
        )
    )
    command: tuple[str, ...] = field(
        default=(),
        metadata=key(
            Many(Text("a word of the command", 1000), 1, 100, "a list of words"),
            "Program and arguments that make the mesh, run in this file's folder, by no shell; "
            '"{mesh.stl}" stands for the file to write, with the suffix of its format. Left out: '
            "the function is called, and what it returns is the part.",
        ),
    )
    sources: tuple[str, ...] = field(
        default=(),
        metadata=key(
            Kept(
                OneOf((GLOB, Many(GLOB, 1, 500, "a list of patterns"))),
                lambda said: (said,) if isinstance(said, str) else said,
            ),
            "Files that the part is made from, besides FILE: it is made anew where one of them "
            "changes. Left out: every Python file.",
        ),
    )
    run: Literal["when named", "always"] = field(
        default="when named",
        metadata=key(
            Choice(("when named", "always")),
            "When the code is run: where the part is named on the command line; or always, in "
            "checks against a revision that says so of the same entry.",
        ),
    )
    folder: str = ""

    @property
    def file(self) -> str:
        """The file that holds the code."""
        return self.part.partition("::")[0]

    @property
    def name(self) -> str:
        """What of the file makes the part."""
        return self.part.partition("::")[2]

    def is_from(self, path: str) -> bool:
        """Whether the part is made from this file."""
        patterns = self.file, *(self.sources or (f"{self.folder}**/*.py",))
        return any(matches(pattern, path) for pattern in patterns)

    def below(self, folder: str) -> GeneratedEntry:
        """The same with paths seen from the root; `folder` is that of `wallguard.yaml`, ended by
        /."""

        def seen(path: str) -> str:
            return folder + PurePosixPath(path).as_posix() + "/" * path.endswith("/")

        part, sources = seen(self.part), tuple(map(seen, self.sources))
        return GeneratedEntry(part, self.command, sources, self.run, folder)
