"""What every check gets: one part's geometry, one process's rules, and how to speak of places."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

from wallguard.bands.advice import Drawn, advise, advise_apart, callipers, leaning
from wallguard.bands.porous import UPRIGHT, Lean
from wallguard.bands.table import BandTable, Outcome, Verdict
from wallguard.base.text import above, below, mm
from wallguard.findings.model import Breach, Finding, Kind, Printed, Severity, Subject
from wallguard.rules.features import asked_of
from wallguard.rules.model import Level, Limit, Rules
from wallguard.walls.stretch import Stretch, along, is_notch, is_speck, joined, together

if TYPE_CHECKING:
    from wallguard.part.geometry import Box, Closings, Geometry, Point
    from wallguard.shapes.details import Kind as Stroked
    from wallguard.shapes.strokes import Stroke
    from wallguard.walls.plates import Plate
    from wallguard.walls.rounds import Round

# Walls are looked for up to this thickness (mm) at least, so that a report lists them; in space,
# where the search costs far more, only up to half as much again as the rules speak of.
LISTED = 4.0
_MARGIN = 1.5
_Thing = TypeVar("_Thing", "Stretch", "Round", "Plate")
# What narrows to less than this share of its width, or is not so many times as long, is a corner.
_CORNER, _RUN = 0.5, 2.0
# A wall of fewer layers, or of fewer beads along, is none: common practice, no published source.
_LAYERS, _BEADS = 3, 2
# What is not so many times as long as thick, with both ends free, is a column: by our own bound.
_SQUARE = 1.5


@dataclass(frozen=True)
class Draft:
    """A finding that breaks one limit, before it has its name, in the part file's own frame."""

    check: str
    severity: Severity
    message: str
    advice: str = ""
    measured: float | None = None
    limit: float | None = None
    unit: str = "mm"
    fill: str | None = None
    location: Point | None = None
    box: Box | None = None
    indeterminate: bool = False
    size: tuple[float, ...] = ()
    says: str = ""
    subject: Subject | None = None

    def finding(self) -> Finding:
        """As a finding, which still lacks its name."""
        breach = Breach(
            check=self.check,
            severity=self.severity,
            measured=self.measured,
            limit=self.limit,
            unit=self.unit,
            says=self.says,
            indeterminate=self.indeterminate,
        )
        return Finding(
            id="",
            breaches=(breach,),
            message=self.message,
            advice=self.advice,
            location=self.location,
            box=self.box,
            fill=self.fill,
            subject=self.subject,
            size=self.size,
        )


@dataclass(frozen=True)
class Spot:
    """A place that is no wall, gap, hole, pin, floor or roof, and so brings its own words.

    of       what was measured: spots of one such are one place, however many limits they break
    subject  as of a finding, but in the print frame
    point, box  in the print frame
    head     how the message begins, in the words of the trade, up to the place: "underside 30° from
             level"; `tail`: what is said after the place: "120 mm² large"; empty: nothing
    size     as of a finding
    line     of an edge that walls may taper to, its pieces in the print frame; empty elsewhere
    """

    of: object
    subject: Subject
    point: Point
    box: Box
    head: str
    tail: str = ""
    size: tuple[float, ...] = ()
    line: tuple[tuple[Point, Point], ...] = ()

    @property
    def kind(self) -> Kind:
        """What it is."""
        return self.subject.kind

    @property
    def low(self) -> float:
        """Its lowest z, mm."""
        return self.box[0][2]

    @property
    def high(self) -> float:
        """Its highest z, mm."""
        return self.box[1][2]


@dataclass(frozen=True)
class Broken:
    """A limit, and what breaks it; `checks.places` makes findings of all that is broken.

    kind     of the subject: a wall (a piece of one), gap, hole, pin, floor, roof, or a spot's
    breach   `says` is the end of a sentence that begins with the place
    name     how the message calls a wall of which this is the worst that is broken: "free wall"
    minimum  what a minimum of thickness is for: "a wall with a free edge"; empty: none such
    alike    breaches of one check at one place that are equal in this are one: verdict and band
    weight   of those the one with the largest is told
    least    the thickness or diameter, mm, that meets the limit where the rule file does not tell
             it by itself, as it does for a minimum; 0: nothing of that kind
    draw     what to draw instead, so that a spot meets the limit: "draw it ≥ 45° from level"
    """

    kind: Kind
    subject: Stretch | Round | Plate | Spot
    breach: Breach
    name: str = "wall"
    minimum: str = ""
    alike: tuple[Hashable, ...] = ()
    weight: tuple[Any, ...] = ()
    least: float = 0.0
    draw: str = ""


@dataclass(frozen=True)
class Needs:
    """Up to which size, mm, a check has to know what is drawn; 0: it asks nothing of the kind.

    walls   up to this thickness
    splits  the thicknesses at which what the check says of a wall changes: walls are divided there
    gaps    up to this width
    rounds  holes and pins up to this diameter
    layers  floors and roofs of fewer layers than this
    slender  walls that stand free and are more than so many times as high as thick, whatever their
            thickness
    """

    walls: float = 0.0
    splits: tuple[float, ...] = ()
    gaps: float = 0.0
    rounds: float = 0.0
    layers: float = 0.0
    slender: float = 0.0


class Case:
    """One part against one process."""

    def __init__(
        self, geometry: Geometry, rules: Rules, table: BandTable, cut: float | None = None
    ) -> None:
        """cut: height (mm) of the layers to measure in; None: as the rules print."""
        self.geometry = geometry
        self.rules = rules
        self.table = table
        self.cut = rules.layer_height if cut is None else cut
        self._asked: dict[Lean, tuple[tuple[float, Verdict], ...]] = {}

    @property
    def layered(self) -> bool:
        """Whether walls come out bead by bead, so that they are measured in the layers."""
        return self.rules.category == "material extrusion"

    @cached_property
    def splits(self) -> tuple[float, ...]:
        """The thicknesses, rising, at which what is said of a wall changes."""
        return tuple(sorted({edge for need in self._needs for edge in need.splits if edge > 0}))

    @cached_property
    def _needs(self) -> list[Needs]:
        """What the checks that have something to do ask to be measured."""
        from wallguard.checks.registry import needs_of

        return needs_of(self)

    @cached_property
    def closings(self) -> Closings:
        """Where what is said of a wall changes with its lean, see `BandTable.closings`."""
        return self.table.closings(self.rules.layer_height) if self.layered else ()

    def lean(self, wall: Stretch) -> Lean:
        """How a wall leans in the layers that are printed."""
        return Lean(self.rules.layer_height, wall.slope) if self.layered else UPRIGHT

    def outcome(self, wall: Stretch) -> Outcome:
        """What becomes of a wall. That facets of a curve were made here makes its printed thickness
        less certain: the drawn one lies within the chord error of what is measured (rectangular,
        JCGM 100:2008, 4.3.7)."""
        outcome = self.table.outcome(wall.typical, self.lean(wall))
        chord = self._chord(wall)
        if not chord:
            return outcome
        return replace(outcome, uncertainty=math.hypot(outcome.uncertainty, 2 * chord / 3**0.5))

    def verdict(self, wall: Stretch, thicker: float = 0.0) -> Verdict:
        """What to say of a wall, or of one that is `thicker` (mm) and else alike."""
        thickness = wall.typical + thicker
        return self.table.classify(thickness, self.rules.tolerance, self.lean(wall))

    def facets(self, wall: Stretch) -> float:
        """By how much (mm) the facets of a curve may make a wall thinner than it was drawn. Where
        they were made here nobody knows how those of both its faces stand, so that it may be all
        that they lie off the curve at most."""
        return max(wall.facets, self._chord(wall))

    def _chord(self, wall: Stretch) -> float:
        """How far (mm) facets of a wall that were made here lie off its curve at most; else 0."""
        return self.geometry.facts.chord * self.geometry.scale if wall.bend > 0 else 0.0

    def nearest_other(self, wall: Stretch) -> tuple[float, Verdict] | None:
        """How far (mm) a wall is from the nearest reading that comes out otherwise where it leans
        as it does, and how that does; None where every wall comes out alike."""
        own = self.verdict(wall)
        others = ((abs(wall.typical - at), how) for at, how in self._changes(wall) if how != own)
        return min(others, default=None)

    def _changes(self, wall: Stretch) -> tuple[tuple[float, Verdict], ...]:
        """The readings on both sides of every change of the verdict for walls that lean so."""
        height, moves = self.lean(wall) if self.closings else UPRIGHT
        # Walls that lean the same, but for a few thousandths a layer, are asked about once.
        lean = Lean(height, round(moves, 2))
        if lean not in self._asked:
            self._asked[lean] = self.table.changes(self.rules.tolerance, lean)
        return self._asked[lean]

    def room(self, wall: Stretch) -> float | None:
        """How far (mm) a wall is from the nearest thickness that is judged otherwise; None where
        there is none."""

        def matters(verdict: Verdict) -> bool:
            return verdict != "solid" and severity_of(self.rules.level(verdict)) is not None

        own = matters(self.verdict(wall))
        found = [
            abs(wall.typical - reading)
            for reading, verdict in self._changes(wall)
            if matters(verdict) != own
        ]
        limit = self.rules.minimum.get(self.asked(wall.sides), Limit())
        found += [abs(wall.across - level) for level in (limit.fail, limit.warn) if level]
        return min(found, default=None)

    @cached_property
    def largest(self) -> float:
        """Up to which thickness walls are looked for: beyond, no check has a word to say."""
        asked = max([0.0, *self.splits, *(need.walls for need in self._needs)])
        return max(asked, LISTED) if self.layered or not asked else _MARGIN * asked

    @cached_property
    def searched(self) -> float:
        """Up to which thickness walls in space are looked for: thicker ones than `largest` where
        some may be too high for it."""
        times = min((need.slender for need in self._needs if need.slender), default=0.0)
        if self.layered or not times:
            return self.largest
        return max(self.largest, self.geometry.standing(self.largest, times))

    @cached_property
    def pieces_and_specks(self) -> Sequence[Stretch]:
        """The part's walls in pieces of one outcome each, thinnest first."""
        if self.layered:
            return self.geometry.walls(self.cut, self.largest, self.splits, self.closings)
        return self.geometry.walls_in_space(self.searched, self.splits)

    @cached_property
    def pieces(self) -> Sequence[Stretch]:
        """The same without specks."""
        return [wall for wall in self.pieces_and_specks if not is_speck(wall)]

    @cached_property
    def judged(self) -> Sequence[Stretch]:
        """The pieces that are judged as walls."""
        return [piece for piece in self.plain if self.judges(piece)]

    def judges(self, wall: Stretch) -> bool:
        """Whether one of the walls, or a piece of it, is judged as a wall."""
        return wall.wall not in self._others

    @cached_property
    def plain(self) -> Sequence[Stretch]:
        """The pieces that are no strokes with a limit of their own, nor what is between these."""
        return self._without_strokes(self.pieces, "raised", "sunken")

    @cached_property
    def strokes(self) -> Sequence[Stroke]:
        """What stands out of a face, or is sunk into one, where the rules ask for it; the
        narrowest first."""
        if not self.rules.minimum.keys() & {"raised", "raised_height", "sunken", "sunken_depth"}:
            return []
        raised, sunken = (self.rules.strictest(kind) for kind in ("raised", "sunken"))
        if raised and self.layered:
            raised = max(raised, self.unprinted)
        return self.geometry.strokes((raised, sunken))

    @cached_property
    def unprinted(self) -> float:
        """The thickness (mm) up to which walls, from the thinnest on, are not printed."""
        upper = 0.0
        for band in self.table.bands:
            if band.fill != "missing":
                break
            upper = band.upper
        return upper if math.isfinite(upper) else 0.0

    def _without_strokes(
        self, things: Sequence[_Thing], within: Stroked, between: Stroked
    ) -> list[_Thing]:
        """What does not lie within strokes of a kind, and not between those of another, where
        these kinds have limits. What is narrower than a stroke between them may be stays, if it is
        no corner: lettering may not be nearer together than it is wide."""
        left = list(things)
        for kind, lies in ((within, True), (between, False)):
            strokes = [stroke for stroke in self.strokes if stroke.kind == kind]
            if kind not in self.rules.minimum or not strokes or not left:
                continue
            from wallguard.shapes.strokes import lying_between, lying_in

            points, boxes = [each.point for each in left], [each.box for each in left]
            # Layers and cells end beyond what they hold, and walls half their thickness.
            more = max(self.bead, self.cut) if self.layered else self.cut
            out = [more + getattr(each, "maximum", 0.0) / 2 for each in left]
            if lies:
                held = lying_in(strokes, points, boxes, out)
            else:
                reach = lying_between(strokes, points, boxes, out)
                least = self.rules.strictest(kind)
                both = zip(left, reach, strict=True)
                held = [far >= 0 and self._is_lettering(each, far, least) for each, far in both]
            left = [each for each, is_held in zip(left, held, strict=True) if not is_held]
        return left

    def _is_lettering(self, thing: Stretch | Round | Plate, far: float, least: float) -> bool:
        """Whether what lies between strokes, and reaches so far along their face, is as wide as
        `least` (mm), or only a corner."""
        if isinstance(thing, Stretch):
            corner = thing.minimum < _CORNER * thing.maximum or far < _RUN * thing.maximum
            return corner or not below(thing.minimum, least)
        wide = getattr(thing, "diameter", 0.0)
        return not below(wide or thing.high - thing.low, least)

    @cached_property
    def posts(self) -> Sequence[Stretch]:
        """The pieces of posts, which are judged as pins."""
        return [piece for piece in self.plain if self._others.get(piece.wall) == "pin"]

    @cached_property
    def columns(self) -> Sequence[Stretch]:
        """The thinnest piece of each wall that no end holds and that is hardly longer than thick:
        beads turn in it, so it is judged as a wall, but it breaks as a pin does."""
        walls: dict[int, list[Stretch]] = {}
        for piece in self.judged if self.layered else ():
            walls.setdefault(piece.wall, []).append(piece)
        thin = []
        for pieces in walls.values():
            whole = together(pieces)
            if not whole.ends and below(along(whole), _SQUARE * whole.minimum):
                thin.append(min(pieces, key=lambda piece: (piece.across, piece.point)))
        return thin

    def is_low(self, piece: Stretch) -> bool:
        """Whether it is too low for a wall, and judged as a floor."""
        return self._others.get(piece.wall) == "floor"

    @cached_property
    def _others(self) -> dict[int, str]:
        return self.others(self.pieces)

    def others(self, pieces: Iterable[Stretch]) -> dict[int, str]:
        """By number the connected walls that another check judges, where the rules ask for it:

        pin    posts: they stand free and are shorter than two beads, so that none has room to turn
        floor  what is lower than three layers: the first ones are laid otherwise than those that
               tables are read from
        """
        walls: dict[int, list[Stretch]] = {}
        for piece in pieces if self.layered else ():
            walls.setdefault(piece.wall, []).append(piece)
        answers: dict[int, str] = {}
        for number, wall in walls.items():
            whole = together(wall)
            height = whole.high - whole.low
            if "floor" in self.rules.minimum and below(height, _LAYERS * self.rules.layer_height):
                answers[number] = "floor"
                continue
            short = not whole.ends and below(along(whole), _BEADS * self.bead)
            if short and "pin" in self.rules.minimum:
                answers[number] = "pin"
        return answers

    @property
    def bead(self) -> float:
        """How wide a bead is, mm: where the rules do not say, about two layers."""
        return self.rules.beads.width if self.rules.beads else 2 * self.rules.layer_height

    @cached_property
    def walls(self) -> Sequence[Stretch]:
        """The part's walls, divided only where the outcome changes."""

        def outcome(piece: Stretch) -> tuple[str, str, float]:
            outcome = self.outcome(piece)
            return self.verdict(piece), outcome.fill, outcome.band.lower

        return joined(self.pieces, outcome)

    @cached_property
    def largest_gap(self) -> float:
        """Up to which width gaps are looked for."""
        return max((need.gaps for need in self._needs), default=0.0)

    @cached_property
    def gaps(self) -> Sequence[Stretch]:
        """The part's gaps up to the limit, without specks and the ends of notches; narrowest
        first. Without those between bodies and sunken strokes, where these have a limit of their
        own."""
        return self._gaps[False]

    @cached_property
    def clearances(self) -> Sequence[Stretch]:
        """The gaps between bodies, where they have a limit of their own."""
        return self._gaps[True]

    @cached_property
    def _gaps(self) -> dict[bool, list[Stretch]]:
        cut, largest = self.cut, self.largest_gap
        if self.layered:
            gaps = self.geometry.gaps(cut, largest)
        else:
            gaps = self.geometry.gaps_in_space(largest)
        apart = [False] * len(gaps)
        if "clearance" in self.rules.minimum and gaps:
            apart = self.geometry.between_bodies(cut if self.layered else None, largest)
        sides: dict[bool, list[Stretch]] = {False: [], True: []}
        for gap, parts in zip(gaps, apart, strict=True):
            if not (is_speck(gap) or is_notch(gap)):
                sides[parts].append(gap)
        sides[False] = self._without_strokes(sides[False], "sunken", "raised")
        return sides

    @cached_property
    def largest_round(self) -> float:
        """Up to which diameter round holes and pins are looked for."""
        return max((need.rounds for need in self._needs), default=0.0)

    @cached_property
    def rounds(self) -> Sequence[Round]:
        """Round holes and pins up to `largest_round`, without strokes that have a limit."""
        largest = self.largest_round
        rounds = self.geometry.rounds(largest + 0.01) if largest > 0 else []
        pins, holes = ([each for each in rounds if each.kind == kind] for kind in ("pin", "hole"))
        pins = self._without_strokes(pins, "raised", "sunken")
        holes = self._without_strokes(holes, "sunken", "raised")
        return [*holes, *pins]

    @cached_property
    def plates(self) -> Sequence[Plate]:
        """Floors and roofs thinner than the larger limit, without strokes that have a limit."""
        layers = int(max((need.layers for need in self._needs), default=0.0))
        plates = self.geometry.plates(self.cut, layers, self.bead) if layers else []
        return self._without_strokes(plates, "raised", "sunken")

    def severity(self, check: str, measured: float) -> tuple[Severity, float] | None:
        """What a measured size does to the gate by a check's limit, and the level it breaks; None
        where it is met. Whether smaller or larger is worse says the check's row."""
        asked, limit = asked_of(check), self.rules.minimum.get(check, Limit())
        breaks = below if asked is None or asked.smaller_is_worse else above
        if limit.fail is not None and breaks(measured, limit.fail):
            return "fail", limit.fail
        if limit.warn is not None and breaks(measured, limit.warn):
            return "warn", limit.warn
        return None

    def breach(self, check: str, measured: float, says: Callable[[float], str]) -> Breach | None:
        """How a measured size breaks a check's limit, in the unit of the check's row; None where it
        is met. `says`: from the level that is broken to the end of a sentence."""
        asked, broken = asked_of(check), self.severity(check, measured)
        if asked is None or broken is None:
            return None
        severity, level = broken
        return Breach(check, severity, measured, level, asked.unit, says=says(level))

    def least(self, wall: Stretch) -> float:
        """The thinnest that no minimum complains about where this wall stands, nor where any of
        its pieces does."""
        asked = {self.asked(sides) for sides in (wall.sides, wall.least_sides)}
        return max(self.rules.strictest(check) for check in asked)

    def asked(self, sides: int) -> str:
        """The check whose minimum a wall answers to that is held on so many sides."""
        return "free_wall" if sides < 2 and "free_wall" in self.rules.minimum else "wall"

    def advice(
        self, thickness: float, at_least: float = 0.0, square: tuple[float, float] = (1.0, 1.0)
    ) -> str:
        """Which thickness to draw instead; square: see `Drawn`."""
        return advise(self.table, thickness, self.rules.tolerance, at_least, self._drawn(square))

    def _drawn(self, square: tuple[float, float]) -> Drawn:
        return Drawn(self.geometry.scale, self.geometry.facts.unit, square)

    def callipers(self, wall: Stretch) -> Printed | None:
        """What callipers will read square to a wall that leans; None where it does not, or is not
        printed."""
        outcome = self.outcome(wall)
        if outcome.printed is None or leaning(wall.typical, wall.square) is None:
            return None
        read = callipers(outcome.printed, self.rules.layer_height, wall.square)
        return Printed(read, outcome.uncertainty)

    def advice_with_margin(
        self, thickness: float, at_least: float = 0.0, square: tuple[float, float] = (1.0, 1.0)
    ) -> str:
        """Which thickness to draw instead of one that is too near to a worse outcome."""
        tolerance, margin = self.rules.tolerance, self.rules.margin
        drawn = self._drawn(square)
        return advise_apart(self.table, thickness, tolerance, margin, at_least, drawn)

    def place(self, point: Point, box: Box) -> tuple[Point, Box]:
        """Point and box in the part file's own frame."""
        return self.geometry.location(point), self.geometry.box(box)


def extent(wall: Stretch) -> str:
    """How far a wall or a gap reaches: along the layer, or up where it is a post or a neck."""
    height = wall.high - wall.low
    if wall.length < 2.5 * wall.minimum and wall.length < height:
        return f"{mm(height)} mm high"
    return f"{mm(wall.length)} mm long"


def severity_of(what: Level) -> Severity | None:
    """A level of the rule file as a finding's severity; None where it is to be ignored."""
    return None if what == "ignore" else what
