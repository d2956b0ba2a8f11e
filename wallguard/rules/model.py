"""A rule file as read: one process and what it asks of a part. Lengths in mm.

Every key of the format is told here, once: with its type, bounds, unit, meaning and default. What
validates, describes, reads, writes and compares rule files follows from that (`rules.fields`). The
bounds are wide; they are there to notice a length typed in metres or micrometres (common practice,
no published source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Literal, NamedTuple, get_args

from wallguard.documents.record import key, table_of
from wallguard.documents.scalars import BLANK, CONTROLS_BUT_LINES, Choice, Days, Number, Text
from wallguard.documents.shape import DAY, Field, Many, OneOf, Table
from wallguard.rules.features import CATEGORIES, FEATURES, Asked, Feature, larger_is_worse
from wallguard.rules.features import Category as Category
from wallguard.rules.provenance import COUPON, MADE_WITH, CouponFile, MadeWith

Fill = Literal["solid", "hollow", "missing", "uncertain"]
Source = Literal["declared", "measured", "calculated"]
Level = Literal["fail", "warn", "note", "ignore"]
OutcomeName = Literal["hollow", "missing", "thickened", "thinned", "porous", "indeterminate"]
BetweenOneAndTwo = Literal["two beads", "one bead", "dropped"]
Spacing = Literal["from volume", "width"]
# The machine axis along which a wall runs.
Axis = Literal["x", "y"]

OUTCOME_DEFAULTS: dict[OutcomeName, Level] = {
    "hollow": "fail",
    "missing": "fail",
    "thickened": "warn",
    "thinned": "warn",
    "porous": "note",
    "indeterminate": "warn",
}
_OUTCOME_MEANINGS: dict[OutcomeName, str] = {
    "hollow": "A wall with a void along its middle.",
    "missing": "A wall of which nothing is printed.",
    "thickened": "A wall printed thicker than drawn by more than the tolerance.",
    "thinned": "A wall printed thinner than drawn by more than the tolerance.",
    "porous": "A wall that would be hollow, but leans so far that its air ends in every layer.",
    "indeterminate": "A limit that is met or missed only within the uncertainty.",
}
TOLERANCE_DEFAULT = 0.15
# What says where the numbers are from, and until when they are taken to hold.
PROVENANCE = ("made_with", "measured_on", "measured_by", "coupon", "stale_after")

_BEAD = Number(0.05, 20, "mm")
_NARROW = Number(0, 20, "mm")
_UNCERTAINTY = Number(0, 5, "mm")


@dataclass(frozen=True)
class Beads:
    """Bead settings of a material-extrusion process."""

    width: float = field(
        metadata=key(_BEAD, "Width in mm of a bead that is free to choose its width.")
    )
    contours: int = field(
        metadata=key(
            Number(1, 50, whole=True), "Beads that follow the outline, on each side of a wall."
        )
    )
    smallest_wall: float = field(
        metadata=key(_NARROW, "Walls thinner than this, in mm, are not printed.")
    )
    squeeze: float = field(
        metadata=key(_NARROW, "The largest left-over, in mm, that is closed by squeezing.")
    )
    smallest_fill: float = field(
        metadata=key(
            _NARROW,
            "The smallest left-over, in mm, that gets a filling bead; not below `squeeze`.",
        )
    )
    between_one_and_two: BetweenOneAndTwo = field(
        default="two beads",
        metadata=key(
            Choice(get_args(BetweenOneAndTwo)),
            "What becomes of a wall too thick for one bead and too thin for two.",
        ),
    )
    width_varies: tuple[float, float] | None = field(
        default=None,
        metadata=key(
            OneOf((Choice((False,)), Many(_BEAD, 2, 2, "the narrowest and the widest bead in mm"))),
            "Narrowest and widest bead in mm where the width suits the wall; "
            "false where it is fixed.",
        ),
    )
    nozzle: float | None = field(
        default=None,
        metadata=key(
            Number(0.05, 20, "mm"),
            "Nozzle diameter in mm; for the reader, no outcome follows from it.",
            asks="nothing",
        ),
    )
    uncertainty: float = field(
        default=0.05,
        metadata=key(
            _UNCERTAINTY,
            "Expanded uncertainty (k = 2), in mm, of every calculated printed thickness.",
        ),
    )
    spacing: float | Spacing | None = field(
        default=None,
        metadata=key(
            OneOf((Choice(get_args(Spacing)), _BEAD)),
            "From the middle of a bead to the middle of the next, in mm for a bead of `width`. "
            "`from volume`: so close that no material is missing between their round ends, "
            "`width` - `layer_height` (1 - pi/4). `width`: as far as they are wide. Left out: as "
            "`width`, and a remark says what `from volume` would change.",
        ),
    )
    fill_overlap: float = field(
        default=0,
        metadata=key(
            _NARROW,
            "How far filling reaches into the contour on each side of it, in mm; "
            "`smallest_fill` is the left-over and twice this.",
        ),
    )
    single_bead: bool = field(
        default=True,
        metadata=key(
            Choice((True, False)),
            "Whether a wall too thin for two beads may get a single one. false: beads come in "
            "pairs only, and `between_one_and_two` says what becomes of every thinner wall.",
        ),
    )
    offset: float = field(
        default=0,
        metadata=key(
            Number(-1, 1, "mm"),
            "How much thicker every wall comes out than its beads say, in mm; negative: thinner.",
        ),
    )
    edge_uncertainty: float = field(
        default=0.05,
        metadata=key(
            _UNCERTAINTY,
            "How far, in mm, a calculated edge between bands of different fill may be off: nearer "
            "to it the fill is uncertain. Bands that were measured or declared keep their edges.",
        ),
    )


@dataclass(frozen=True)
class DeclaredBand:
    """A band of a rule file; `printed` None means as drawn (or nothing, where missing)."""

    lower: float = field(
        metadata=key(
            Number(0, 1000, "mm"), "The band begins at this nominal thickness.", name="from"
        )
    )
    upper: float | None = field(
        metadata=key(
            Number(0, 1000, "mm"), "The band ends below it; left out in the last band.", name="to"
        )
    )
    fill: Fill = field(
        metadata=key(
            Choice(get_args(Fill)),
            "What is inside the printed wall; `uncertain` where that was never found out.",
        )
    )
    printed: float | None = field(
        default=None,
        metadata=key(
            Number(-20, 1000, "mm"),
            "Printed thickness in mm; left out: as drawn. With `slope`: the part that does not "
            "grow with the nominal thickness.",
        ),
    )
    uncertainty: float = field(
        default=0,
        metadata=key(_UNCERTAINTY, "Expanded uncertainty (k = 2) of the printed thickness, in mm."),
    )
    source: Source = field(
        default="declared",
        metadata=key(
            Choice(get_args(Source)),
            "`measured` where the band was fitted to a printed coupon; `calculated` where it says "
            "how far bead settings fitted to a coupon can be trusted.",
        ),
    )
    slope: float = field(
        default=0,
        metadata=key(Number(0, 2), "Printed thickness = `printed` + `slope` x nominal thickness."),
    )
    solid_width: float = field(
        default=0,
        metadata=key(
            Number(0, 100, "mm"),
            "In a hollow wall: both skins together, in mm; the rest of the printed thickness "
            "is air.",
        ),
    )


@dataclass(frozen=True)
class Limit:
    """Beyond `fail` the part fails, beyond `warn` the reviewer is told: below them, or above them
    where the check's row says that larger is worse. None: not asked."""

    fail: float | None = None
    warn: float | None = None


class Tolerance(NamedTuple):
    """How far printed may lie below and above nominal, mm, both >= 0."""

    thinner: float = TOLERANCE_DEFAULT
    thicker: float = TOLERANCE_DEFAULT


def _minimum(features: tuple[Feature, ...]) -> Table:
    """One key for each feature that has a limit; a limit that asks nothing is none."""
    return Table(
        "minimum features",
        tuple(_asked(feature, feature.limit) for feature in features if feature.limit),
        make=lambda **limits: {name: limit for name, limit in limits.items() if limit != Limit()},
    )


def _asked(feature: Feature, limit: Asked) -> Field:
    number = Number(limit.low, limit.high, limit.unit, limit.whole)
    side, extreme = ("Below", "Smallest") if limit.smaller_is_worse else ("Above", "Largest")
    # Nothing lies below 0, but everything above it.
    nothing = " 0 asks nothing." if limit.smaller_is_worse else ""

    def levels_of(fail: float | None = None, warn: float | None = None) -> Limit:
        return Limit(fail or None, warn or None) if limit.smaller_is_worse else Limit(fail, warn)

    levels = Table(
        f"levels for {limit.what}",
        tuple(
            Field(
                level,
                number,
                f"{side} this {what}.{nothing}",
                attribute=level,
                asks="more" if limit.smaller_is_worse else "less",
            )
            for level, what in (("fail", "the part fails"), ("warn", "the reviewer is told"))
        ),
        make=levels_of,
    )
    unit = f", in {limit.unit}" if limit.unit not in ("", "count") else ""
    help = f"{extreme} allowed {limit.what}{unit}."
    return Field(feature.id, levels, help, formerly=feature.formerly, attribute=feature.id)


def _tolerance() -> Table:
    number = Number(0, 5, "mm")
    return Table(
        "one tolerance each way",
        tuple(
            Field(
                name,
                number,
                f"How far printed may lie {side} nominal, in mm.",
                default=TOLERANCE_DEFAULT,
                attribute=name,
                asks="less",
            )
            for name, side in (("thinner", "below"), ("thicker", "above"))
        ),
        every=number,
        make=Tolerance,
    )


def _outcomes() -> Table:
    levels = Choice(get_args(Level))
    return Table(
        "what each outcome does to the gate",
        tuple(
            Field(name, levels, _OUTCOME_MEANINGS[name], default=level, attribute=name, asks="less")
            for name, level in OUTCOME_DEFAULTS.items()
        ),
        make=lambda **given: {**OUTCOME_DEFAULTS, **given},
    )


_BANDS = Many(
    table_of(DeclaredBand, "a band", needs=(("slope", "printed"),)),
    0,
    500,
    "a list of bands",
    order="lower",
)


@dataclass(frozen=True)
class Rules:
    """One rule file, with what it inherits already in place.

    minimum  limits by the id of their feature (`rules.features`); what is absent is not asked
    files    the rule file and those it extends: a change in any of them re-checks
    """

    path: str
    name: str = field(
        metadata=key(Text("a short name"), "Short name of the process.", asks="nothing")
    )
    category: Category = field(
        metadata=key(
            Choice(CATEGORIES), "Process category, as ISO/ASTM 52900 names it.", within="process"
        )
    )
    layer_height: float = field(metadata=key(Number(0.005, 5, "mm"), "Height of one layer in mm."))
    build_volume: tuple[float, float, float] | None = field(
        default=None,
        metadata=key(
            Many(Number(10, 10_000, "mm"), 3, 3, "three sizes in mm: [x, y, z]"),
            "Size in mm of what the printer can print: [x, y, z].",
            asks="less",
        ),
    )
    beads: Beads | None = field(
        default=None,
        metadata=key(
            table_of(Beads, "bead settings"), "Bead settings, from which outcomes are calculated."
        ),
    )
    growth: float | None = field(
        default=None,
        metadata=key(
            Number(-1, 1, "mm"),
            "How far, in mm, each face comes out beyond where it is drawn, where no beads are "
            "laid; negative: short of it. Walls and pins are thicker by twice this, gaps and holes "
            "as much narrower.",
        ),
    )
    growth_uncertainty: float = field(
        default=0.0,
        metadata=key(
            _UNCERTAINTY,
            "Expanded uncertainty (k = 2), in mm, of what follows from `growth`.",
        ),
    )
    bands: tuple[DeclaredBand, ...] = field(
        default=(),
        metadata=key(
            _BANDS,
            "Declared or measured outcomes by nominal thickness. Where bead settings or `growth` "
            "stand beside them, these bands go first and the rest follows from those.",
        ),
    )
    axes: dict[Axis, tuple[DeclaredBand, ...]] = field(
        default_factory=dict,
        metadata=key(
            Table(
                "bands for each machine axis",
                tuple(
                    Field(
                        axis,
                        _BANDS,
                        f"Bands of walls that run along the machine's {axis} axis.",
                        attribute=axis,
                    )
                    for axis in get_args(Axis)
                ),
                make=lambda **axes: {axis: bands for axis, bands in axes.items() if bands},
            ),
            "Bands by the direction a wall runs in, where a coupon showed that the axes differ. "
            "`bands` holds for walls in any direction, and parts are checked by it.",
        ),
    )
    minimum: Mapping[str, Limit] = field(
        default_factory=dict,
        metadata=key(_minimum(FEATURES), "Minimum features. What is left out is not asked."),
    )
    tolerance: tuple[float, float] = field(
        default=Tolerance(),
        metadata=key(
            _tolerance(), "How far the printed thickness may lie from the nominal, in mm."
        ),
    )
    margin: float = field(
        default=0.0,
        metadata=key(
            Number(0, 5, "mm"),
            "A good wall that is nearer than this to one that comes out worse, in mm, brings a "
            "warning: that is what an update of the process breaks first.",
            asks="less",
        ),
    )
    outcomes: dict[OutcomeName, Level] = field(
        default_factory=lambda: dict(OUTCOME_DEFAULTS),
        metadata=key(
            _outcomes(), "What each outcome does to the gate: fail, warn, note or ignore."
        ),
    )
    printer: str = field(
        default="",
        metadata=key(
            Text("the printer's name"),
            "The printer, in your own words.",
            within="process",
            asks="nothing",
        ),
    )
    material: str = field(
        default="",
        metadata=key(
            Text("the material's name"),
            "The material, in your own words.",
            within="process",
            asks="nothing",
        ),
    )
    notes: str = field(
        default="",
        metadata=key(
            Text("text", 20_000, (CONTROLS_BUT_LINES, BLANK)),
            "Anything a reader of this file should know, in plain words.",
            asks="nothing",
        ),
    )
    made_with: MadeWith = field(
        default=MadeWith(),
        metadata=key(
            MADE_WITH,
            "What made the toolpaths that these numbers hold for; for the reader, and compared "
            "with what the head of a toolpath says.",
            asks="nothing",
        ),
    )
    measured_on: date | None = field(
        default=None,
        metadata=key(DAY, "The day of the readings, as year-month-day.", asks="nothing"),
    )
    measured_by: str = field(
        default="", metadata=key(Text("a name"), "Who took the readings.", asks="nothing")
    )
    coupon: tuple[CouponFile, ...] = field(
        default=(),
        metadata=key(COUPON, "The files that these numbers were fitted to.", asks="nothing"),
    )
    stale_after: int | None = field(
        default=None,
        metadata=key(
            Days(),
            "So long after `measured_on` every run says that these numbers are old; left out: "
            "never.",
            asks="nothing",
        ),
    )
    files: tuple[str, ...] = ()
    filament: float | None = field(
        default=None,
        metadata=key(
            Number(0.1, 20, "mm"),
            "Diameter in mm of the filament that toolpaths feed; left out: 1.75.",
            within="process",
        ),
    )
    flow: float | None = field(
        default=None,
        metadata=key(
            Number(0.05, 20),
            "Factor between the filament that toolpaths feed and the material laid; left out: 1.",
            within="process",
        ),
    )

    def asking(self) -> Rules:
        """The rules without what asks nothing of a part: names, notes and where numbers are from.
        The path stays."""
        nothing = Rules("", "", self.category, self.layer_height)
        reader = ("name", "printer", "material", "notes", "files", *PROVENANCE)
        return replace(self, **{name: getattr(nothing, name) for name in reader})

    def level(self, outcome: OutcomeName) -> Level:
        """What an outcome does to the gate."""
        return self.outcomes.get(outcome, OUTCOME_DEFAULTS[outcome])

    def strictest(self, feature: str) -> float:
        """The smallest of its kind that no level complains about, or the largest where larger is
        worse; 0 where nothing is asked."""
        limit = self.minimum.get(feature, Limit())
        asked = [level for level in (limit.fail, limit.warn) if level is not None]
        return (min if larger_is_worse(feature) else max)(asked, default=0.0)
