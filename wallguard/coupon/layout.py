"""Where everything stands: features grouped in modules, modules packed on plates.

What runs along y is the module turned by 90 degrees counter-clockwise. A plate is one base with as
many modules as fit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from wallguard.base.errors import InputError
from wallguard.coupon.marks import Outline
from wallguard.coupon.marks import Point as Point2
from wallguard.coupon.modules import (
    chambers,
    comb,
    drain,
    gaps,
    lying_holes,
    pins,
    standing_holes,
    strokes,
)
from wallguard.coupon.plan import RIM, Axis, Feature, Kind, Plan, Sizes
from wallguard.coupon.shapes import Mark, Module

# Between neighbouring modules, mm.
_BETWEEN = 3.0
# A module no longer than this where plates are large, so that plates are compact, mm; how far apart
# the widths of plates are that are tried, mm, and about how many.
_LONGEST, _TRY, _TRIES = 90.0, 5.0, 30
_CHAMFER = 3.5

_Builder = Callable[[Sequence[Feature], Sizes, float], Module]
# Modules on one plate: where the lower left corner of each lies, within the rim.
_Spots = list[tuple[float, float, Module]]


@dataclass(frozen=True)
class Plate:
    """One base and all on it, in the frame of its file: origin at the front left corner."""

    number: int
    outline: Outline
    content: Module

    @property
    def size(self) -> Point2:
        return self.content.width, self.content.depth


def lay_out(plan: Plan) -> tuple[Plate, ...]:
    """The plates of a coupon, as few as are needed, each within `plan.sizes.room`.

    Raises InputError where the build volume is too small for a single feature.
    """
    width, depth = (side - 2 * RIM for side in plan.sizes.room[:2])
    top = plan.sizes.room[2]
    modules = list(_modules(plan, width, depth))
    for module in modules:
        high = max(prism.high for prism in module.prisms)
        if module.width > width + 1e-6 or module.depth > depth + 1e-6 or high > top + 1e-6:
            large = module.placed[-1].feature
            raise InputError(
                plan.path,
                f"`build_volume` is too small for a {large.kind} of {large.nominal:.2f} mm, which "
                f"with room to measure it takes {module.width:.0f} x {module.depth:.0f} x "
                f"{high:.0f} mm",
                remedy="Ask for fewer features or thinner steps, or correct the rule file",
            )
    pen = plan.sizes.pen
    first = drain(plan.sizes) if plan.drains else None
    contents = _packed(modules, width, depth, [first] * len(modules) if first else [])
    if len(contents) > 1:
        numbers = [
            _beside(Module(pen.width(str(at)), pen.height, marks=(Mark(str(at), (0, 0)),)), first)
            for at in range(1, 2 * len(contents) + 1)
        ]
        contents = _packed(modules, width, depth, numbers)
    return tuple(
        Plate(number, _base(spots), _joined(spots)) for number, spots in enumerate(contents, 1)
    )


def _modules(plan: Plan, width: float, depth: float) -> Iterator[Module]:
    sizes = plan.sizes
    builders: tuple[tuple[Kind, Axis, _Builder], ...] = (
        ("wall", "x", comb),
        ("wall", "y", comb),
        ("gap", "x", gaps),
        ("gap", "y", gaps),
        ("hole", "vertical", standing_holes),
        ("hole", "horizontal", lying_holes),
        ("pin", "vertical", pins),
        ("raised", "x", strokes),
        ("sunken", "x", strokes),
        ("escape", "vertical", chambers),
    )
    for kind, axis, build in builders:
        features = plan.of(kind, axis)
        turned = axis == "y"
        across, along = (depth, width) if turned else (width, depth)
        while features:
            count = len(features)
            # As many as fit; at least one, of which the caller finds that it does not fit.
            while count > 1 and build(features[:count], sizes, across).depth > min(along, _LONGEST):
                count -= 1
            # Of equal length rather than one long and one short.
            count = math.ceil(len(features) / math.ceil(len(features) / count))
            module = build(features[:count], sizes, across)
            yield module.turned() if turned else module
            features = features[count:]


def _beside(module: Module, other: Module | None) -> Module:
    """One module of both, the other to the right."""
    if other is None:
        return module
    moved = other.moved(module.width + _BETWEEN, 0.0)
    return replace(
        module,
        width=module.width + _BETWEEN + other.width,
        depth=max(module.depth, other.depth),
        prisms=(*module.prisms, *moved.prisms),
    )


def _packed(
    modules: Sequence[Module], width: float, depth: float, numbers: Sequence[Module]
) -> list[_Spots]:
    """The contents of as few and as small plates as are found, by trying widths of plates."""
    widest = max(module.width for module in modules)
    most = min(width, sum(module.width + _BETWEEN for module in modules))
    step = max(_TRY, (most - widest) / _TRIES)
    tries = [width, *(widest + at * step for at in range(int((most - widest) / step) + 1))]
    return min((_pack(modules, each, depth, numbers) for each in tries), key=_cost)


def _cost(contents: list[_Spots]) -> tuple[int, float]:
    """Few plates, then small and nearly square ones, which warp less."""
    plates = [_joined(spots) for spots in contents]
    return len(plates), round(sum((each.width + each.depth) ** 2 for each in plates), 3)


def _pack(
    modules: Sequence[Module], width: float, depth: float, numbers: Sequence[Module]
) -> list[_Spots]:
    """Put every module as low and then as far left as it goes, large ones first."""
    spots: list[_Spots] = []
    order = sorted(range(len(modules)), key=lambda at: (-modules[at].depth, at))
    for module in (modules[at] for at in order):
        for at in range(len(spots) + 1):
            if at == len(spots):
                spots.append([(0.0, 0.0, numbers[at])] if numbers else [])
            spot = _spot(spots[at], module, width, depth)
            if spot is not None:
                spots[at].append((*spot, module))
                break
    return spots


def _spot(
    taken: Sequence[tuple[float, float, Module]], module: Module, width: float, depth: float
) -> Point2 | None:
    xs = [0.0, *(x + other.width + _BETWEEN for x, _, other in taken)]
    ys = [0.0, *(y + other.depth + _BETWEEN for _, y, other in taken)]
    for y in sorted(ys):
        for x in sorted(xs):
            inside = x + module.width <= width + 1e-6 and y + module.depth <= depth + 1e-6
            if inside and not any(
                x < ox + other.width + _BETWEEN - 1e-6
                and ox < x + module.width + _BETWEEN - 1e-6
                and y < oy + other.depth + _BETWEEN - 1e-6
                and oy < y + module.depth + _BETWEEN - 1e-6
                for ox, oy, other in taken
            ):
                return x, y
    return None


def _joined(spots: _Spots) -> Module:
    """One module of all, with the rim of the base around it."""
    moved = [module.moved(x + RIM, y + RIM) for x, y, module in spots]
    return Module(
        max(x + module.width for x, _, module in spots) + 2 * RIM,
        max(y + module.depth for _, y, module in spots) + 2 * RIM,
        tuple(each for module in moved for each in module.prisms),
        tuple(each for module in moved for each in module.cuts),
        tuple(each for module in moved for each in module.bores),
        tuple(each for module in moved for each in module.marks),
        tuple(each for module in moved for each in module.placed),
    )


def _base(spots: _Spots) -> Outline:
    """What modules stand on, counter-clockwise: no more than they and a rim, if that is in one
    piece, with a corner cut off, by which the front left corner is known on the print."""
    import shapely

    feet = [
        shapely.box(x, y, x + module.width + 2 * RIM, y + module.depth + 2 * RIM)
        for x, y, module in spots
    ]
    # What is narrower than both rims together is no bay.
    whole = shapely.unary_union(feet).buffer(2 * RIM, join_style="mitre")
    whole = whole.buffer(-2 * RIM, join_style="mitre")
    if whole.geom_type != "Polygon":
        whole = whole.envelope
    # No holes: nothing is won by small ones.
    cut = shapely.Polygon([(0, 0), (_CHAMFER, 0), (0, _CHAMFER)])
    outline = shapely.Polygon(whole.exterior).difference(cut).normalize().exterior
    corners = [(round(x, 6), round(y, 6)) for x, y in outline.coords[:-1]]
    return tuple(corners if outline.is_ccw else corners[::-1])
