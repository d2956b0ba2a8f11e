"""What the checks of raised and sunken strokes share: strokes of one height on one face, as those
of a text, are one place, told where they are narrowest.

How a stroke is measured does not depend on how it lies (`shapes.strokes`). On faces that lie level
a bead is laid along it, and its height comes in whole layers, which the messages say; on faces that
stand upright its height is laid along the layer, and its width, where it runs level, in layers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import inf
from typing import TYPE_CHECKING, Literal

from wallguard.bands.advice import describe
from wallguard.base.plain import counted
from wallguard.base.text import limit_text, mm
from wallguard.checks.case import Broken, Case, Spot, severity_of
from wallguard.findings.model import Breach, Mark, Spread, Subject

if TYPE_CHECKING:
    from wallguard.shapes.details import Kind
    from wallguard.shapes.strokes import Stroke
    from wallguard.walls.plates import Plate

# A face within so much of level is laid layer over layer: the cosine of 45 degrees.
_LEVEL = 0.7071


@dataclass(frozen=True)
class Place:
    """Strokes of one kind and height on one face; the first is the narrowest."""

    strokes: tuple[Stroke, ...]
    spot: Spot


def places(case: Case, kind: Kind) -> Iterator[Place]:
    """The strokes of a kind, by face and height."""
    from wallguard.shapes.strokes import by_face

    for group in by_face([stroke for stroke in case.strokes if stroke.kind == kind]):
        yield Place(tuple(group), _spot(group))


def too_narrow(case: Case, check: Kind, why: str) -> Iterator[Broken]:
    """Places where strokes are narrower than a check allows; `why` that matters."""
    for place in places(case, check):
        first = place.strokes[0]
        if not first.width:
            continue

        def says(level: float) -> str:
            return f"is narrower than {limit_text(level)} mm: {why}"

        breach = case.breach(check, first.width, says)
        if breach and case.severity(check, first.width + first.facets) is None:
            level = severity_of(case.rules.level("indeterminate"))
            if level is None:
                continue
            doubt = f"{breach.says}, unless only the facets of its curve take that off"
            breach = replace(breach, severity=level, indeterminate=True, says=doubt)
        if breach:
            yield Broken(check, place.spot, breach, draw=_wider(case, first))


def unprinted(case: Case) -> Iterator[Broken]:
    """Places where raised strokes are not printed, as no wall so thin is: where beads run along
    them, layer over layer."""
    severity = severity_of(case.rules.level("missing"))
    if severity is None or "raised" not in case.rules.minimum:
        return
    for place in places(case, "raised"):
        first = place.strokes[0]
        outcome = case.table.outcome(first.width)
        if first.width and _is_level(case, first) and outcome.fill == "missing":
            breach = Breach("fill", severity, first.width, says=describe(outcome))
            yield Broken("raised", place.spot, breach, draw=_wider(case, first))


def _wider(case: Case, stroke: Stroke) -> str:
    least = case.rules.strictest(stroke.kind)
    if stroke.kind == "raised" and _is_level(case, stroke):
        least = max(least, case.unprinted)
    return f"draw it ≥ {limit_text(least)} mm wide"


def _is_level(case: Case, stroke: Stroke) -> bool:
    """Whether it is laid layer over layer."""
    return case.layered and abs(stroke.normal[2]) >= _LEVEL


def too_little_left(case: Case, kind: Literal["floor", "roof"]) -> Iterator[Broken]:
    """Sunken strokes with a floor or roof behind them that is too thin, where they are so narrow,
    less than a bead, that these are not found as such."""
    for place in places(case, "sunken") if "sunken" in case.rules.minimum else ():
        stroke = min(place.strokes, key=lambda stroke: stroke.behind)
        if not _is_level(case, stroke) or stroke.behind == inf:
            continue
        known = any(plate.kind == kind and _over(plate, stroke.rise[1]) for plate in case.plates)
        ends = stroke.rise[1][2] - stroke.behind * stroke.normal[2]
        # Where no layer is cut below its end it ends on the build surface.
        heights = case.geometry.sections(case.cut).heights
        lies = stroke.normal[2] > 0 and not (heights < ends).any()
        if known or lies != (kind == "floor"):
            continue
        layers = round(stroke.behind / case.rules.layer_height)

        def says(level: float, layers: int = layers) -> str:
            return f"leaves a {kind} of {counted(layers, 'layer')}, fewer than {level:g}"

        breach = case.breach(kind, layers, says)
        if breach:
            least = case.rules.strictest(kind) * case.rules.layer_height
            spot = place.spot if stroke is place.strokes[0] else _spot([stroke])
            yield Broken("sunken", spot, breach, draw=f"leave ≥ {mm(least)} mm behind it")


def _over(plate: Plate, point: tuple[float, float, float]) -> bool:
    """Whether a plate lies over or below a point."""
    low, high = plate.box
    return all(low[axis] <= point[axis] <= high[axis] for axis in (0, 1))


def too_shallow(case: Case, check: str, kind: Kind) -> Iterator[Broken]:
    """Places where strokes stand out, or are sunk in, less than a check allows."""
    least = limit_text(case.rules.strictest(check))
    far = "high" if kind == "raised" else "deep"
    for place in places(case, kind):
        first = place.strokes[0]
        layers = _in_layers(case, first)

        def says(level: float, layers: str = layers) -> str:
            return f"is less than {limit_text(level)} mm {far}{layers}: it may not be seen"

        # That of a counter is that of the stroke around it.
        within = all(stroke.within for stroke in place.strokes)
        breach = None if within else case.breach(check, first.height, says)
        if breach:
            yield Broken(kind, place.spot, breach, draw=f"draw it ≥ {least} mm {far}")


def _in_layers(case: Case, stroke: Stroke) -> str:
    """How many layers a height is, where it is laid layer over layer; else empty."""
    if not _is_level(case, stroke):
        return ""
    number = round(stroke.height / case.rules.layer_height, 1)
    return f", {number:g} layer{'' if number == 1 else 's'}"


def _spot(group: list[Stroke]) -> Spot:
    first = group[0]
    raised = first.kind == "raised"
    high = f"{mm(first.height)} mm {'high' if raised else 'deep'}"
    head, tail = f"{first.kind} stroke {high}", ""
    if first.width:
        where = " at its face" if first.shaped else ""
        head, tail = f"{first.kind} stroke {mm(first.width)} mm wide{where}", high
    if not raised and first.behind < inf:
        behind = f"with {mm(first.behind)} mm of material behind it"
        tail = f"{tail} {behind}" if tail else behind
    if len(group) > 1:
        such = f"{'the narrowest' if first.width else 'one'} of {len(group)} on its face"
        tail = f"{tail}, {such}" if tail else such
    widths = [stroke.width for stroke in group if stroke.width] or [0.0]
    low = tuple(min(stroke.box[0][axis] for stroke in group) for axis in range(3))
    high_corner = tuple(max(stroke.box[1][axis] for stroke in group) for axis in range(3))
    marks = [Mark("length", first.across, f"{mm(first.width)} mm")] if first.width else []
    marks.append(Mark("length" if not marks else "way", first.rise, high))
    return Spot(
        of=first,
        subject=Subject(
            first.kind,
            Spread(min(widths), widths[0], max(widths)),
            length=first.length,
            height=first.height,
            area=sum(stroke.area for stroke in group),
            marks=tuple(marks),
        ),
        point=first.point,
        box=((low[0], low[1], low[2]), (high_corner[0], high_corner[1], high_corner[2])),
        head=head,
        tail=tail,
        size=(first.length,),
    )
