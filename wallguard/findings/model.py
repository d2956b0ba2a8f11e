"""What a check says: findings, walls with their outcome, and the report that holds them.

All coordinates are in the part file's own frame and in millimetres.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from wallguard.base import cautions

if TYPE_CHECKING:
    from wallguard.views.model import Views

Point = tuple[float, float, float]
Severity = Literal["fail", "warn", "note"]
Status = Literal["passed", "failed", "indeterminate", "error"]
State = Literal["", "new", "unchanged"]
Cause = Literal["", "drawing", "rules"]
Kind = Literal[
    "wall",
    "gap",
    "hole",
    "pin",
    "floor",
    "roof",
    "underside",
    "island",
    "footing",
    "cavity",
    "edge",
    "raised",
    "sunken",
]
Gate = Literal["all", "new"]
Basis = Literal["", "measured", "calculated", "declared", "assumed"]
CheckStatus = Literal["passed", "failed", "warned", "indeterminate", "skipped", "error"]


@dataclass(frozen=True, slots=True)
class Spread:
    """Thickness along a wall in mm; `typical` is the median along its length."""

    min: float
    typical: float
    max: float


@dataclass(frozen=True, slots=True)
class Printed:
    """Printed thickness in mm with its expanded uncertainty (k = 2)."""

    value: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class Wall:
    """One wall of a part; `fill` and `printed` are None where no rules say them.

    margin, beyond  how far it is from a thickness that comes out otherwise, mm, and how that comes
                    out; None and empty where no rules say that, or all comes out alike
    lean, callipers  as of a `Subject`
    air, bead, laid_in, copy  as of a `Subject`, of a wall of a toolpath; 0 elsewhere
    """

    thickness: Spread
    length: float
    z: tuple[float, float]
    location: Point
    box: tuple[Point, Point]
    sides: int
    fill: str | None = None
    printed: Printed | None = None
    source: str = "section"
    margin: float | None = None
    beyond: str = ""
    air: float = 0.0
    bead: float = 0.0
    laid_in: tuple[int, int] = (0, 0)
    copy: int = 0
    lean: float = 0.0
    callipers: Printed | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that is measured at a place, as a picture shows it.

    kind    `length`: between two points; `angle`: at the first of three points, from the way to the
            second to the way to the third; `way`: an arrow along two points or more
    points  in the part file's own frame
    label   the number and its unit as the message has them; empty: none
    """

    kind: Literal["length", "angle", "way"]
    points: tuple[Point, ...]
    label: str = ""


@dataclass(frozen=True, slots=True)
class Subject:
    """What a finding is about, in the part file's own frame; sizes in mm as printed.

    thickness of a wall or a plate, width of a gap or the way out of a cavity, diameter of a hole or
              pin, span or reach of an underside, width of a stroke, radius of an edge; 0 where it
              has none
    length    along the layer, of a hole or pin along its axis; height: upwards
    sides     on how many sides other material holds it; None where nobody asked
    lean      of a wall, how far it leans from upright in the mean, degrees
    callipers what callipers will read square to a wall that leans; None where it is upright or no
              rules say what comes out. `thickness` and `printed` are those in the layers
    axis      unit vector of a hole or pin
    layers    of a floor or roof, 0 elsewhere
    fill, printed, air  how a wall or pin comes out; None and 0 where no rules say that
    bead      of a wall of a toolpath: usual width of its beads; 0 elsewhere
    laid_in   its lowest and highest layer in the toolpath, from 1; (0, 0) elsewhere
    area      of an underside, an island or a footing, mm²; volume: of a cavity, mm³; 0 elsewhere
    angle     of an underside from level, of an edge between its faces, degrees; None elsewhere
    marks     what is measured there besides the thickness, for pictures
    copies    the copies on the plate that it is about, from 1; empty elsewhere
    """

    kind: Kind
    thickness: Spread
    length: float = 0.0
    height: float = 0.0
    sides: int | None = None
    axis: Point | None = None
    layers: int = 0
    fill: str | None = None
    printed: Printed | None = None
    air: float = 0.0
    bead: float = 0.0
    laid_in: tuple[int, int] = (0, 0)
    copies: tuple[int, ...] = ()
    lean: float = 0.0
    callipers: Printed | None = None
    area: float = 0.0
    volume: float = 0.0
    angle: float | None = None
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True, slots=True)
class Breach:
    """One limit of one process that a place breaks.

    check     the check that found it
    severity  `fail` stops the gate, `warn` and `note` do not
    measured, limit, unit  what was found, what was asked, and in what (`mm`, `layers`, ...)
    says      the end of a sentence that begins with the place: what will happen, or how it is short
    indeterminate  True where the limit is met or missed only within the uncertainty
    waived    who accepted it, why and until when; empty where nobody did
    """

    check: str
    severity: Severity
    measured: float | None = None
    limit: float | None = None
    unit: str = "mm"
    says: str = ""
    indeterminate: bool = False
    waived: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """One place in one part, and every limit of one process that it breaks.

    id        the same in every run on the same part and rules
    breaches  at least one, the worst first
    message   what, where, how much and what will happen; advice: the one thing to draw instead
              that satisfies all limits
    subject   the wall, gap, hole, ... that it is about; None: the part or its mesh as a whole
    fill      what is inside the printed wall (`porous`: leans so far that its air ends in every
              layer), None where that is not asked
    size      mm as printed, however the part lies in its file: length and height of a wall or gap,
              length of a hole or pin, side of a square as large as a floor; empty elsewhere
    shape     equal for findings that are alike in all but their place; empty: like no other
    state     `new` or `unchanged` against a base revision; empty where there is none
    worse     True where the base has it too, but less bad: it is `new` then
    cause     what brought a new finding: the `drawing`, or the `rules` alone; empty: not known
    remark    what else to know of its state: how it got worse, that its waiver ran out
    bodies    the names of the bodies that it is about, where the file names several
    """

    id: str
    breaches: tuple[Breach, ...]
    message: str
    advice: str
    location: Point | None
    box: tuple[Point, Point] | None
    fill: str | None = None
    subject: Subject | None = None
    size: tuple[float, ...] = ()
    shape: str = ""
    state: State = ""
    worse: bool = False
    cause: Cause = ""
    remark: str = ""
    bodies: tuple[str, ...] = ()

    @property
    def worst(self) -> Breach:
        """The worst limit broken that nobody accepted; where all are accepted, the worst."""
        return next((breach for breach in self.breaches if not breach.waived), self.breaches[0])

    @property
    def check(self) -> str:
        """The check that found the worst."""
        return self.worst.check

    @property
    def severity(self) -> Severity:
        """That of the worst."""
        return self.worst.severity

    @property
    def measured(self) -> float | None:
        """What was found for the worst."""
        return self.worst.measured

    @property
    def limit(self) -> float | None:
        """What was asked for the worst."""
        return self.worst.limit

    @property
    def unit(self) -> str:
        """In what the worst was measured."""
        return self.worst.unit

    @property
    def indeterminate(self) -> bool:
        """Whether the worst is met or missed only within the uncertainty."""
        return self.worst.indeterminate

    @property
    def waived(self) -> str:
        """Who accepted it, why and until when; empty where some limit it breaks is not accepted."""
        return self.worst.waived

    @property
    def z(self) -> tuple[float, float] | None:
        """From where to where it reaches along the file's z axis, mm."""
        return (self.box[0][2], self.box[1][2]) if self.box else None


def in_force(finding: Finding, gate: Gate = "all") -> bool:
    """Whether a finding counts: nobody waived it and, where only new ones count, it is new."""
    return not finding.waived and (gate == "all" or finding.state != "unchanged")


@dataclass(frozen=True, slots=True)
class CheckRun:
    """One check on one part: how it ended, and a note where it could not do all of its job."""

    name: str
    status: CheckStatus
    note: str = ""

    def __reduce__(self) -> tuple[Callable[..., CheckRun], tuple[str, ...]]:
        return check_run, (self.name, self.status, self.note)


@functools.lru_cache(1000)
def check_run(name: str, status: CheckStatus, note: str = "") -> CheckRun:
    """The one that says this: a part has a score of them, and thousands of parts nearly the same
    ones, which are kept once."""
    return CheckRun(name, status, note)


@dataclass(frozen=True, slots=True)
class MeshInfo:
    """What the file holds: triangle count, whether it is closed, size in mm, its unit; the names of
    its objects, where it has such, and how far facets lie off their curve at most, mm, where they
    were made here (0: they stand in the file)."""

    triangles: int
    watertight: bool
    extents: Point
    unit: str
    names: tuple[str, ...] = ()
    chord_error: float = 0.0


@dataclass(frozen=True, slots=True)
class Body:
    """The surface of one body of a part in numbers by which it is known again, in whatever file,
    format and place; in the part file's own frame, mm, mm² and mm³.

    area, volume  of its surface, and of what that encloses
    centre  of its surface
    spread  second moments of the surface about its centre, over its area: xx, yy, zz, yz, xz, xy
    lean    mean place on the surface, seen from its centre, weighted by the square of how far off
            it is: zero for a body that is the same on all sides
    box     least and greatest corner
    """

    area: float
    volume: float
    centre: Point
    spread: tuple[float, float, float, float, float, float]
    lean: Point
    box: tuple[Point, Point]


@dataclass(frozen=True, slots=True)
class PartReport:
    """One part against one rule file.

    status  of the findings that are in force
    fixed   findings of a base revision that are gone
    lost    findings that the rules of the base would bring on this drawing and those of now do not:
            they are gone only because less is asked
    basis   what the band table of its process rests on: `measured` where any of it was fitted to
            readings; else `calculated` from bead settings, `declared` by hand, or `assumed`; empty
            where no band table was asked
    facts   what else is to be known of it: how and where it lies on a plate, say
    bodies  of the part, and after several the part as a whole; empty where nothing was found
    was     path of the part in the base where it was moved, renamed or converted since; else empty
    base_note  why the part could not be compared with that revision; empty where it was, or is new
    views   what can be shown of it, where that was asked for
    """

    path: str
    rules: str
    rules_name: str
    status: Status
    mesh: MeshInfo | None
    checks: tuple[CheckRun, ...]
    walls: tuple[Wall, ...]
    findings: tuple[Finding, ...]
    fixed: tuple[Finding, ...] = ()
    lost: tuple[Finding, ...] = ()
    facts: tuple[str, ...] = ()
    bodies: tuple[Body, ...] = ()
    was: str = ""
    base_note: str = ""
    error: str = ""
    seconds: float = 0.0
    views: Views | None = None
    basis: Basis = ""


@dataclass(frozen=True, slots=True)
class Trouble:
    """A file that could not be used at all (a rule file, `wallguard.yaml`), and why.

    Among the remarks of a report: a file that could be used, and what to mend in it.
    """

    path: str
    message: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A part that was asked for and not checked, and why: which pattern excludes it, say."""

    path: str
    why: str


@dataclass(frozen=True, slots=True)
class Weakening:
    """One thing that a change asks less than its base did.

    path    the file that says it: a rule file, `wallguard.yaml`, `waivers.yaml`
    message what is asked less, in a few words: "minimum.wall.fail 0.80 to 0.40 mm"
    parts   the parts that it is about, sorted; empty: all that answer to the file
    """

    path: str
    message: str
    parts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Report:
    """One run. `not_covered` names parts that no rule file answers for.

    base  the revision that the parts were compared with, as it was named; empty: none
    base_commit  full name of the commit that stands for it: where this branch left it
    head_commit  full name of the commit that is checked out; empty: none
    gate  `new`: only findings that the base did not have fail
    dropped  parts that the base held to a rule file and this change does not, each with what is
          lost by that; they were not checked for it
    asks_less  what this change asks less than the base did; never fails by itself
    changed_rules  rule files that say otherwise than in the base, sorted
    unseen  parts that were not looked at though they are there: not changed, or, where all were
            asked for, tracked by git and not in the folder
    left_out  parts that were named, or all that changed, and are not to be checked, each with why
    remarks  what does not stop the gate but should be mended, such as a waiver without a finding
    about  `toolpaths`: each of its parts is what one toolpath makes of a part
    versioned  whether git holds what is checked, so that there is a change to merge
    """

    parts: tuple[PartReport, ...]
    not_covered: tuple[str, ...] = ()
    troubles: tuple[Trouble, ...] = ()
    removed: tuple[str, ...] = ()
    base: str = ""
    base_commit: str = ""
    head_commit: str = ""
    dropped: tuple[PartReport, ...] = ()
    asks_less: tuple[Weakening, ...] = ()
    changed_rules: tuple[str, ...] = ()
    unseen: tuple[str, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    gate: Gate = "all"
    remarks: tuple[Trouble, ...] = ()
    version: str = ""
    started: str = ""
    seconds: float = 0.0
    about: Literal["parts", "toolpaths"] = "parts"
    versioned: bool = True

    @property
    def caution(self) -> str:
        """What it does not say."""
        return cautions.TOOLPATHS if self.about == "toolpaths" else cautions.PARTS

    @property
    def exit_code(self) -> int:
        """0 passed, 1 findings that fail, 2 the job could not be done for some file."""
        if self.troubles or any(part.status == "error" for part in self.parts):
            return 2
        return int(any(part.status == "failed" for part in self.parts))
