"""From the limits that are broken to findings: one place, one finding, one advice.

what a check yields        pieces of walls, gaps, holes, pins, floors, roofs, and spots, each with a
                           limit
is sorted into places      pieces of one wall that touch, and whose ranges of thickness are
                           neighbours, are one place (a taper), and so are, of a steep one, those
                           between which it comes out well: the web beside a hole thickens fast to
                           both sides; legs of a frame of which one is far thicker are two;
                           a piece that lies within a pin that is told
                           belongs to the pin, a gap within a hole to the hole, in space a taper
                           to the edge that it ends in; what is strewn
                           over one wall in small uneven pieces, as on coarse facets, is one place
and told once              with every limit the place breaks, worst first, and what to draw so
                           that it breaks none of them
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate, pairwise
from typing import Any, cast

import numpy as np

from wallguard.bands.advice import leaning
from wallguard.bands.table import Outcome
from wallguard.base.arrays import connected, dot
from wallguard.base.text import SHOWN, below, limit_text, mm, mm2, place, span
from wallguard.checks.case import Broken, Case, Spot, extent
from wallguard.findings.model import Breach, Finding, Kind, Mark, Point, Printed, Spread, Subject
from wallguard.findings.outcomes import SEVERITIES
from wallguard.rules.features import FEATURES
from wallguard.walls.plates import Plate
from wallguard.walls.rounds import Round
from wallguard.walls.stretch import Stretch, gathered, together

# A range of thickness narrower than this (mm) may hold no piece of a taper that runs through it.
_NARROW = 0.03
# A taper takes up this share of its range of thickness or more; it is short where it is no longer
# than so many times its thickness. What thickens so slowly that a place would be longer than so
# many times its own has its ranges far apart: each is a place.
_RUNS_THROUGH, _SHORT, _STEEP = 0.75, 4.0, 10.0
# What swells is no thicker than so many times the wall that it belongs to.
_SWELLS = 1.5
# A piece of a wall lies within a pin or plate where it leaves its box by no more than its own
# thickness, as it does where these end in other material, and this, mm.
_OUT = 0.3
# More places of one wall than this, of which none has more than this share of it, are one.
_STREWN, _SMALL = 4, 0.1
# What varies by less is of one thickness (mm, and as a share), as in `walls.joins`.
_EVEN_MM, _EVEN = 0.02, 0.02
_STRETCHES = ("wall", "gap")
# Checks of a diameter.
_ROUND = ("hole", "upright_hole", "lying_hole", "pin")
_ORDER = {feature.id: at for at, feature in enumerate(FEATURES)}


@dataclass
class _Place:
    """A place: what lies there, and every limit that any of it breaks. `spots` is the number of
    places that it stands for."""

    kind: Kind
    subject: Stretch | Round | Plate | Spot
    broken: list[Broken]
    within: list[Stretch] = field(default_factory=list)
    spots: int = 1


@dataclass(frozen=True)
class _Limit:
    """A breach as it is told: the heaviest of its like, and the thickness of all of these."""

    broken: Broken
    thickness: Spread

    @property
    def breach(self) -> Breach:
        return self.broken.breach


def findings_of(case: Case, broken: Sequence[Broken]) -> list[Finding]:
    """One finding, still without its name, for each place where limits are broken."""
    by_subject: dict[int, list[Broken]] = {}
    for limit in broken:
        thing = limit.subject.of if isinstance(limit.subject, Spot) else limit.subject
        by_subject.setdefault(id(thing), []).append(limit)
    places: list[_Place] = []
    left: list[list[Broken]] = []
    for group in sorted(by_subject.values(), key=lambda group: group[0].kind in _STRETCHES):
        kind, subject = group[0].kind, group[0].subject
        if kind not in _STRETCHES:
            places.append(_Place(kind, subject, list(group)))
        elif not _taken(case, group, places):
            left.append(group)
    places += [_Place("gap", group[0].subject, group) for group in left if group[0].kind == "gap"]
    of = {id(group[0].subject): group for group in left if group[0].kind == "wall"}
    walls = [cast(Stretch, group[0].subject) for group in of.values()]
    for spots in _spots(case, walls):
        pieces = [piece for spot in spots for piece in spot]
        limits = [limit for piece in pieces for limit in of[id(piece)]]
        places.append(_Place("wall", together(pieces), limits, pieces, len(spots)))
    return [_finding(case, place) for place in places]


def _spots(case: Case, walls: list[Stretch]) -> list[list[list[Stretch]]]:
    """Pieces of walls that break a limit, as the spots of each place."""
    touching = gathered(walls, _ranges(case.splits))
    at = {id(piece): number for number, pieces in enumerate(touching) for piece in pieces}
    spots: list[list[Stretch]] = []
    for pieces in gathered(walls + _tapers(case, walls), _ranges(case.splits, swelling=True)):
        own = [piece for piece in pieces if id(piece) in at]
        if own and together(own).length <= _STEEP * max(piece.maximum for piece in own):
            spots.append(own)
        else:
            spots += (touching[number] for number in sorted({at[id(piece)] for piece in own}))
    spot = {id(piece): number for number, pieces in enumerate(spots) for piece in pieces}
    links = [
        (spot[id(one)], spot[id(other)])
        for place in _strewn(case, touching)
        for one, other in pairwise(piece for pieces in place for piece in pieces)
    ]
    one, other = np.array(links, np.int64).reshape(-1, 2).T
    places: dict[int, list[list[Stretch]]] = {}
    for pieces, number in zip(spots, connected(one, other, len(spots))[1].tolist(), strict=True):
        places.setdefault(number, []).append(pieces)
    return list(places.values())


def _tapers(case: Case, walls: Sequence[Stretch]) -> list[Stretch]:
    """Of walls of which pieces break a limit, the other pieces that are short tapers: each ends as
    thick as what is next to it begins."""
    broken, edges = {id(wall) for wall in walls}, [0.0, *case.splits, math.inf]
    numbers = {wall.wall for wall in walls}
    return [
        piece
        for piece in case.plain
        if piece.wall in numbers
        and id(piece) not in broken
        and piece.length <= _SHORT * piece.maximum
        and piece.maximum - piece.minimum
        >= _RUNS_THROUGH * (edges[piece.group + 1] - edges[piece.group])
    ]


def _strewn(case: Case, places: list[list[Stretch]]) -> list[list[list[Stretch]]]:
    """Places, each alone or, of a wall that has many small ones, most of uneven thickness,
    together: what was drawn there, as a groove, is of one thickness."""
    whole: dict[int, float] = {}
    for piece in case.pieces:
        whole[piece.wall] = whole.get(piece.wall, 0.0) + piece.area
    small: dict[int, list[list[Stretch]]] = {}
    for pieces in places:
        wall = pieces[0].wall
        # In space areas are not known, nor what is small.
        if 0 < sum(piece.area for piece in pieces) <= _SMALL * whole[wall]:
            small.setdefault(wall, []).append(pieces)
    strewn = {
        wall: spots
        for wall, spots in small.items()
        if len(spots) > _STREWN and 2 * sum(map(_uneven, spots)) > len(spots)
    }
    member = {id(pieces): wall for wall, spots in strewn.items() for pieces in spots}
    together: list[list[list[Stretch]]] = []
    for pieces in places:
        wall = member.get(id(pieces), -1)
        if wall < 0:
            together.append([pieces])
        elif wall in strewn:
            together.append(strewn.pop(wall))
    return together


def _uneven(pieces: Sequence[Stretch]) -> bool:
    least = min(piece.minimum for piece in pieces)
    return max(piece.typical for piece in pieces) - least > max(_EVEN_MM, _EVEN * least)


def _taken(case: Case, broken: list[Broken], places: Sequence[_Place]) -> bool:
    """Whether a piece of a wall is a pin that is told, or, where walls are measured in space, a
    plate or the taper to an edge, or a gap is a hole; what it breaks is then told there."""
    piece = cast(Stretch, broken[0].subject)
    kinds = {"pin"} if case.layered else {"pin", "floor", "roof", "edge"}
    if case.is_low(piece):
        kinds = {"pin", "floor"}
    if broken[0].kind == "gap":
        kinds = {"hole"}
    for known in places:
        if known.kind in kinds and _within(piece, known.subject):
            known.broken += broken
            known.within.append(piece)
            return True
    return False


def _within(piece: Stretch, other: Stretch | Round | Plate | Spot) -> bool:
    (low, high), (other_low, other_high) = piece.box, other.box
    out = piece.maximum + _OUT
    if isinstance(other, Spot):
        # So far from its edge a taper has grown to that thickness.
        out += piece.maximum / (2 * math.tan(math.radians(other.subject.angle or 180.0) / 2))
        if not other.line or _off(piece.point, other.line) > out:
            return False
    if any(a < b - out for a, b in zip(low, other_low, strict=True)):
        return False
    if any(a > b + out for a, b in zip(high, other_high, strict=True)):
        return False
    if not isinstance(other, Round):
        return True
    # The box of a pin that leans has room for more than the pin.
    off = [a - b for a, b in zip(piece.point, other.centre, strict=True)]
    along = sum(a * b for a, b in zip(off, other.axis, strict=True))
    return math.hypot(*off) ** 2 - along**2 <= (other.diameter / 2 + _OUT) ** 2


def _off(point: Point, line: Sequence[tuple[Point, Point]]) -> float:
    """How far a point lies from the nearest of some straight pieces."""
    start, end = np.moveaxis(np.asarray(line), 1, 0)
    way, to = end - start, np.asarray(point) - start
    square = np.maximum(dot(way, way), np.finfo(float).tiny)
    share = np.clip(dot(to, way) / square, 0.0, 1.0)
    return float(np.linalg.norm(to - share[:, None] * way, axis=1).min())


def _ranges(
    splits: Sequence[float], *, swelling: bool = False
) -> Callable[[Stretch], tuple[float, float]]:
    """What of a piece overlaps or touches where the ranges of two pieces are neighbours: ranges
    that are too narrow to hold a piece have no extent. `swelling`: and what thickens to the end of
    its range may go on as a swelling of its own (`walls.junctions`)."""
    edges = [0.0, *splits, math.inf]
    wide = [int(high - low >= _NARROW) for low, high in pairwise(edges)]
    before = [0, *accumulate(wide)]

    def span_of(piece: Stretch) -> tuple[float, float]:
        end = piece.group + 1
        grows = swelling and piece.maximum - piece.minimum > _EVEN_MM
        if grows and piece.maximum >= edges[end] - _NARROW:
            end = max(end, bisect_left(edges, _SWELLS * piece.maximum) - 1)
        return before[piece.group], before[end]

    return span_of


def _finding(case: Case, place: _Place) -> Finding:
    limits = _limits(place.broken)
    subject = _subject(case, place)
    location, box = case.place(place.subject.point, place.subject.box)
    outcomes = [each for each in limits if each.broken.alike]
    fill = None
    if place.kind == "wall" or outcomes:
        fill = _outcome(case, outcomes[0].broken.subject if outcomes else place.subject).fill
    return Finding(
        id="",
        breaches=tuple(each.breach for each in limits),
        message=_message(case, place, limits, _where(place, location)),
        advice=_advice(case, place, limits),
        location=location,
        box=box,
        fill=fill,
        subject=subject,
        size=_size(place),
    )


def _limits(broken: Iterable[Broken]) -> list[_Limit]:
    """What a place breaks, the worst first, alike breaches once."""
    alike: dict[object, list[Broken]] = {}
    for limit in broken:
        alike.setdefault((limit.breach.check, limit.alike), []).append(limit)
    limits = []
    for group in alike.values():
        heaviest = max(group, key=lambda limit: limit.weight)
        spreads = [_thickness(limit.subject) for limit in group]
        low, high = min(each.min for each in spreads), max(each.max for each in spreads)
        typical = _thickness(heaviest.subject).typical
        limits.append(_Limit(heaviest, Spread(low, typical, high)))
    return sorted(limits, key=_worst_first)


def _worst_first(limit: _Limit) -> tuple[object, ...]:
    breach = limit.breach
    return (
        SEVERITIES.index(breach.severity),
        breach.indeterminate,
        _ORDER.get(breach.check, len(_ORDER)),
        limit.thickness.min,
    )


def _thickness(subject: Stretch | Round | Plate | Spot) -> Spread:
    if isinstance(subject, Spot):
        return subject.subject.thickness
    if isinstance(subject, Stretch):
        return Spread(subject.minimum, subject.typical, subject.maximum)
    across = subject.diameter if isinstance(subject, Round) else float(subject.layers)
    return Spread(across, across, across)


def _subject(case: Case, place: _Place) -> Subject:
    """What the finding is about, in the part file's own frame."""
    thing = place.subject
    if isinstance(thing, Spot):
        location = case.geometry.location
        marks = tuple(
            Mark(mark.kind, tuple(map(location, mark.points)), mark.label)
            for mark in thing.subject.marks
        )
        return replace(thing.subject, marks=marks)
    height = thing.high - thing.low
    if isinstance(thing, Plate):
        thick = thing.layers * case.rules.layer_height
        side = math.sqrt(thing.area)
        return Subject(thing.kind, Spread(thick, thick, thick), side, height, layers=thing.layers)
    made = Subject(place.kind, _thickness(thing), thing.length, height)
    fields: dict[str, Any] = {}
    if isinstance(thing, Round):
        # Places are turned and scaled only, so that a direction is a place of that length.
        x, y, z = case.geometry.location(thing.axis)
        # An axis has no direction: its largest component is positive.
        sign = math.copysign(case.geometry.scale, max((x, y, z), key=abs))
        fields |= {"axis": (sign * x, sign * y, sign * z)}
    else:
        fields |= {"sides": thing.sides, "lean": thing.lean}
    if place.kind in ("wall", "pin"):
        outcome = _outcome(case, thing)
        printed = None
        if outcome.printed is not None:
            printed = Printed(outcome.printed, outcome.uncertainty)
        fields |= {"fill": outcome.fill, "printed": printed, "air": outcome.air}
    if place.kind == "wall" and isinstance(thing, Stretch):
        fields |= {"callipers": case.callipers(thing)}
    return replace(made, **fields)


def _outcome(case: Case, thing: Stretch | Round | Plate | Spot) -> Outcome:
    """What becomes of a wall or a pin."""
    if isinstance(thing, Stretch):
        return case.outcome(thing)
    return case.table.outcome(_thickness(thing).typical)


def _size(place: _Place) -> tuple[float, ...]:
    if isinstance(place.subject, Spot):
        return place.subject.size
    if isinstance(place.subject, Stretch):
        return place.subject.length, place.subject.high - place.subject.low
    if isinstance(place.subject, Round):
        return (place.subject.length,)
    return (math.sqrt(place.subject.area),)


def _message(case: Case, place: _Place, limits: Sequence[_Limit], where: str) -> str:
    """The place, and after it each limit that it breaks."""
    minima = [each for each in limits if each.broken.minimum]
    # What comes out by the same rule, certainly and perhaps out of tolerance, is said once.
    outcomes = {each.broken.alike[-1]: each for each in reversed(limits) if each.broken.alike}
    # What each clause says, and the thicknesses of the place that it holds for; of none: for all.
    said: dict[str, list[str]] = {}
    for each in limits:
        if each.broken.alike and outcomes[each.broken.alike[-1]] is not each:
            continue
        if each.broken.minimum:
            if each is minima[0]:
                said[_below(minima, named=len(limits) > 1)] = []
            continue
        thick = said.setdefault(each.breach.says, [])
        if len(outcomes) > 1 and each.broken.alike:
            spread = each.thickness
            thick.append(span(spread.min, spread.typical, spread.max))
    clauses = [_clause(says, thick) for says, thick in said.items()]
    if not outcomes:
        clauses = _reasons_once(clauses)
    if not outcomes and any(each.breach.unit == "mm" for each in limits):
        clauses += _comes_out(case, place)
    return "; it ".join([f"{_head(case, place, limits[0], where)} {clauses[0]}", *clauses[1:]])


def _clause(says: str, thick: Sequence[str]) -> str:
    """ "may come out solid or hollow where it is 0.90 mm or 1.10 mm thick: nobody knows"."""
    if not thick:
        return says
    what, colon, why = says.partition(": ")
    return f"{what} where it is {' or '.join(thick)} thick{colon}{why}"


def _reasons_once(clauses: Sequence[str]) -> list[str]:
    """Clauses, of which each may end with what follows from it, without what was said before."""
    known: set[str] = set()
    shorter = []
    for clause in clauses:
        what, _, why = clause.partition(": ")
        shorter.append(what if why in known else clause)
        known.add(why)
    return shorter


def _comes_out(case: Case, place: _Place) -> list[str]:
    """What faces that grow make of a place where no limit speaks of it."""
    grown, thing = 2 * (case.rules.growth or 0.0), place.subject
    if not isinstance(thing, Stretch | Round) or f"{abs(grown):.2f}" == "0.00":
        return []
    printed: float | None = _thickness(thing).min - grown
    if place.kind in ("wall", "pin"):
        printed = case.table.outcome(_thickness(thing).min).printed
    if printed is None or printed < SHOWN:
        return ["closes" if place.kind in ("gap", "hole") else "will not be printed"]
    wide = "thick" if place.kind == "wall" else "wide"
    return [f"comes out about {printed:.2f} mm {wide}"]


def _below(minima: Sequence[_Limit], *, named: bool) -> str:
    """ "is below the minimum of 0.75 mm for a wall and of 1.20 mm for a wall with a free edge"."""
    limits = [
        f"of {limit_text(each.breach.limit or 0.0)} mm"
        + (f" for {each.broken.minimum}" if named else "")
        for each in minima
    ]
    says = f"is below the minimum {' and '.join(limits)}"
    if all(each.breach.indeterminate for each in minima):
        says += ", but by no more than the facets of its curve take off it: export the mesh finer"
    return says


def _head(case: Case, place: _Place, first: _Limit, where: str) -> str:
    """How a message begins: what it is about, as the worst that it breaks measures it."""
    thing = place.subject
    if isinstance(thing, Spot):
        tail = f", {thing.tail}," if thing.tail else ""
        return f"{thing.head} at {where}{tail}"
    if isinstance(thing, Round):
        across = f"{place.kind} of diameter {mm(thing.diameter)} mm at {where}"
        if first.breach.check not in _ROUND:
            return across
        return f"{'upright' if thing.vertical else 'lying'} {across}, {mm(thing.length)} mm long,"
    if isinstance(thing, Plate):
        layers = f"{thing.layers} layer{'s' if thing.layers > 1 else ''}"
        thick = f"{layers} ({mm(thing.layers * case.rules.layer_height)} mm) thick"
        return f"{thing.kind} {thick} at {where}, {mm2(thing.area)} mm² wide,"
    if place.kind == "pin":
        thick = f"{mm(thing.minimum)} mm thick{_square(thing)}"
        return f"post {thick} at {where}, {mm(thing.high - thing.low)} mm high,"
    if place.kind == "gap":
        return f"gap {mm(thing.minimum)} mm wide at {where}, {extent(thing)},"
    if first.broken.minimum:
        thick = f"{mm(thing.minimum)} mm thick{_square(thing)}"
        return f"{first.broken.name} {thick} at {where}, {extent(thing)},"
    thick = span(thing.minimum, thing.typical, thing.maximum)
    thick += f" thick{_square(thing, typical=True)}"
    return f"wall {thick} at {where}, {extent(thing)},"


def _square(wall: Stretch, *, typical: bool = False) -> str:
    """ " (0.80 mm square to it)" of a wall that leans, where it is thinnest or as it is mostly."""
    across = leaning(wall.typical, wall.square) if typical else wall.across
    if across is None or mm(across) == mm(wall.typical if typical else wall.minimum):
        return ""
    return f" ({mm(across)} mm square to it)"


def _where(spot: _Place, point: tuple[float, float, float]) -> str:
    more = spot.spots - 1
    if not more:
        return place(point)
    return f"{place(point)} and in {more} more place{'s' * (more > 1)} of this wall"


def _advice(case: Case, place: _Place, limits: Sequence[_Limit]) -> str:
    """What to draw instead, so that no limit is broken."""
    thing, rules = place.subject, case.rules
    if isinstance(thing, Spot):
        return ", and ".join(dict.fromkeys(each.broken.draw for each in limits if each.broken.draw))
    if place.kind == "gap":
        bodies = max(each.least for each in place.broken)
        close = "join them" if bodies else "close the gap"
        return f"leave ≥ {limit_text(bodies or rules.strictest('gap'))} mm of air, or {close}"
    if place.kind == "hole":
        air = rules.strictest("gap") if place.within else 0.0
        least = max([rules.strictest("hole"), air, *(each.least for each in place.broken)])
        return f"draw a diameter ≥ {limit_text(least)} mm"
    least = max((case.least(piece) for piece in place.within), default=0.0)
    least = max([least, *(each.least for each in place.broken)])
    if isinstance(thing, Round):
        advice = case.advice(thing.diameter, max(least, rules.strictest("pin")))
        diameter = limits[0].breach.check == place.kind
        return advice.replace("draw ", "draw a diameter ", 1) if diameter else advice
    if place.kind == "pin" and isinstance(thing, Stretch):
        return case.advice(thing.minimum, max(least, rules.strictest("pin")), thing.square)
    if isinstance(thing, Plate):
        layers = round(rules.strictest(thing.kind))
        height = layers * rules.layer_height
        if place.within:
            return case.advice(thing.layers * rules.layer_height, max(height, least))
        return f"draw ≥ {mm(height)} mm ({layers} layers)"
    if all(each.breach.check == "margin" for each in limits):
        return case.advice_with_margin(thing.typical, least, thing.square)
    good = case.verdict(thing) == "solid"
    thick = thing.typical * sum(thing.square) / 2
    judged = thing.minimum if good and not below(thick, least) else thing.typical
    return case.advice(judged, least, thing.square)
