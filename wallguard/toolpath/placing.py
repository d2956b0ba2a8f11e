"""Where on the plate a part lies, found from the laid material alone.

Three steps, each with a page of its own:

    searching   slide a few sections of the part over what is laid, for several angles: candidates
    fitting     move and turn each candidate until its outline meets the edges of what is laid
    placing     this page: which candidates are the part, its copies, or something else, which is
                told by `otherwise`

    a comb laid as drawn:            one wall further:            a similar part:
    outline |_|_|_|_|                outline   |_|_|_|_|          outline |_|_|_|_|
    laid    |#|#|#|#|                laid    |#|#|#|#|            laid    |###|#|#|#|
    agrees  100 %                    agrees  80 %                 contradicted: laid over an edge

What decides:

    of its outline ...                                  then it is
    agrees < 40 %                                       nothing of this part (refused, if all are)
    ground shared with a place that agrees more         the same copy at a wrong place
    agrees < 60 % of what the best does                 another part
    contradicted 3 % more than the best                 a similar part; told
    the ground has another size than the best's         a similar part; told
    ends below or goes on above the part                another part, or one on a raft: see below
    has another scale                                   another part
    else                                                a copy

How far all edges lie outside alike (`grown`) is left out of "agrees": beads wider than they should
be do not move a part. It is not left out of `Placement.outline`, by which a placing is judged.

A part may begin above the plate, on a raft. Where it goes on above its height it is tried again,
raised by what is too much. What lies under it then must not follow its outline: a raft is wider,
and sparse; a toolpath of a taller part is neither, and is refused.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from wallguard.part.geometry import Geometry
from wallguard.sections.cut import cut_at
from wallguard.toolpath.beads import Beads
from wallguard.toolpath.fitting import AGREES, Fit, Near, drawn_near, edges_at, settled
from wallguard.toolpath.lines import Cells, crossings
from wallguard.toolpath.otherwise import mirror, mismatch, other_size
from wallguard.toolpath.placement import ENOUGH, NEAR, Placement, plain_angle, turned
from wallguard.toolpath.searching import QUARTERS, Search

if TYPE_CHECKING:
    from shapely import Geometry as Shape

# Less of an outline that agrees is chance: strands of fill lie everywhere.
_CHANCE = 0.4
# Places looked at before it is said that none is the part's; of those about one place, the
# candidates that agree nearly as well as the best one after a first look, and at most so many,
# are looked at closely.
_LIKELIEST, _CLOSE, _CLOSELY = 3, 0.75, 4
# Places looked at in vain, by all searches of one part together: strands may be laid so that
# hundreds agree half. The likeliest come first; of toolpaths tried, 28 were the most.
_IN_VAIN = 60
# What agrees this well is at its place: walls at one pitch, hollow, agree up to 90 % elsewhere too.
_SURE = 0.97
# Of two turns that are as good as each other to this, the smaller counts.
_AS_GOOD = 0.02
# A copy agrees at least with this share of what the best does: walls may be left out of it.
_COPY = 0.6
# An outline contradicted this much more than the best one's is another part's: what is laid over
# a tenth of a hole. Sizes of what is laid at two copies differ by less than this, mm: two beads.
_CONTRADICTED, _SIZE = 0.03, 0.9
# As is one of which so much more of what is laid lies outside of the sections.
_OUTSIDE = 0.05
# How much of their section two copies may share by error.
_OVERLAP = 0.02
# Less of what is laid in its box does not lie outside of the part, supports and others included.
_INSIDE = 0.3
# What is thicker than this (mm) no process leaves out: a toolpath that does is of another part.
_THICK = 1.5
# A layer under a part whose edges agree with so much of its outline is not a raft's.
_RAFT = 0.6
# Beside a part, so far out (mm), a raft covers at least this share: its strands lie apart.
_BESIDE, _RAFT_BESIDE = 1.5, 0.1
# An angle that is this near to a quarter turn (degrees) is one, if the outline agrees as well.
_QUARTER = 0.15

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


class Places(NamedTuple):
    """Every copy of the part, by y, then x; and what is to be told besides."""

    copies: tuple[Placement, ...]
    remarks: tuple[str, ...] = ()


class _Judged(NamedTuple):
    """A fit, why it is not this part after all ("" where it is), and by how much (mm) what is
    laid there goes on above the part."""

    fit: Fit
    problem: str
    above: float = 0.0


def find_places(
    geometry: Geometry,
    laid: Beads,
    *,
    part: str | Path,
    path: str | Path,
    at: tuple[float, float] | None = None,
    mirrored: bool = False,
) -> Places:
    """Every copy of the part on the plate.

    at  near which place (mm) the middle of the part's box lies; None: search the plate
    mirrored  whether what is laid as in a mirror is a copy, where that agrees better

    Raises OtherPartError, with the sizes of both, where what is laid is not this part, is of
    another scale, lies otherwise, or is mirrored though that is no copy.
    """
    patience = _Patience()
    found = _found(geometry, laid, at, patience)
    if not found.search.layers:
        raise mismatch(geometry, laid, part, path, "no layer of it is as high as the part")
    if found.agrees < (_SURE if mirrored else ENOUGH):
        other = _found(geometry.mirrored(), laid, at, patience)
        better = other.good and other.agrees > found.agrees + _AS_GOOD
        if better and (mirrored or other.agrees >= ENOUGH):
            if not mirrored:
                raise mirror(part, path)
            found = other._replace(mirrored=True)
    if not found.good:
        problem = found.problem or "what it lays has nowhere the part's outline"
        raise mismatch(geometry, laid, part, path, problem)
    copies, others = _alike(found.search, found.good)
    remarks = [
        f"at X {x:.0f} Y {y:.0f} of the plate lies something like the part that is no copy of it "
        f"({why}); it was not compared"
        for (x, y), why in others
    ]
    if not patience.left and max(place.agrees for place in copies) < ENOUGH:
        remarks.append(
            f"more than {_IN_VAIN} places of the plate have some of the part's outline, and none "
            "that was looked at has all: the best of these were compared, and there may be more; "
            "with --place X,Y one is looked for there"
        )
    ordered = sorted(
        copies, key=lambda place: (round(place.middle[1], 1), round(place.middle[0], 1))
    )
    placed = (replace(place, mirrored=found.mirrored) for place in ordered)
    return Places(tuple(placed), tuple(remarks))


class _Found(NamedTuple):
    """What a search found: fits that are the part, or why none is; and whether it was mirrored."""

    search: Search
    judged: list[_Judged]
    mirrored: bool = False

    @property
    def good(self) -> list[Fit]:
        return [candidate.fit for candidate in self.judged if not candidate.problem]

    @property
    def problem(self) -> str:
        return self.judged[0].problem if self.judged else ""

    @property
    def agrees(self) -> float:
        """How well what agrees best does, whether it is the part or not; 0: nothing does."""
        fits = [candidate.fit for candidate in self.judged]
        return max((fit.place.agrees - fit.contradicted for fit in fits), default=0.0)


class _Patience:
    """How many more places may be looked at in vain; the likeliest of each search always are."""

    def __init__(self) -> None:
        self.left = _IN_VAIN

    def spend(self) -> None:
        """Say that one was."""
        self.left = max(self.left - 1, 0)


def _found(
    geometry: Geometry, laid: Beads, at: tuple[float, float] | None, patience: _Patience
) -> _Found:
    search = Search(geometry, laid)
    if not search.layers:
        return _Found(search, [])
    judged = _all_judged(search, at, patience)
    if not any(not candidate.problem for candidate in judged):
        judged = _raised(geometry, laid, judged, at, patience) or judged
    return _Found(search, judged)


def _all_judged(
    search: Search, at: tuple[float, float] | None, patience: _Patience
) -> list[_Judged]:
    """Every place that agrees, best first: at quarter turns, or else where the outline is grown,
    or else at any angle."""
    fits: list[Fit] = []
    for angles, grown in ((QUARTERS, False), (QUARTERS, True), ((), False), ((), True)):
        # A wrong place may agree well; what is grown is cheap to look for, other angles are not.
        if fits and fits[0].place.agrees >= (_SURE if grown else ENOUGH):
            continue
        more = _fits(search, at, angles or search.angles(), patience, grown=grown)
        if more and (not fits or more[0].place.agrees > fits[0].place.agrees + _AS_GOOD):
            fits = more
    return [_judge(search, fit) for fit in fits]


def _fits(
    search: Search,
    at: tuple[float, float] | None,
    angles: Sequence[float],
    patience: _Patience,
    *,
    grown: bool,
) -> list[Fit]:
    """Places that agree and share no ground, best first."""
    if at is not None:
        candidates = [search.around(angle, at) for angle in angles]
    else:
        candidates = search.coarse(angles, grown=grown)
    fits: list[Fit] = []
    for number, group in enumerate(_neighbourhoods(search, candidates)):
        # Only from a place that is sure: from a wrong one all others would follow.
        sure = fits if fits and fits[0].place.agrees >= _SURE else []
        known = next((fit for place in group for fit in _known(search, sure, place)), None)
        fits = sorted([*fits, *([known] if known else _best(search, group))], key=_rank)
        if fits[0].place.agrees >= ENOUGH:
            continue
        patience.spend()
        # What is nowhere near the likeliest places is nowhere.
        hopeless = fits[0].place.agrees < _CHANCE or not patience.left
        if number >= _LIKELIEST and hopeless:
            break
    if at is None and fits and fits[0].place.agrees >= ENOUGH:
        for shift in search.repeats(fits[0].place):
            moved = _moved(fits[0].place, shift)
            fits += _known(search, fits[:1], moved)
    return _apart(search, [fit for fit in fits if fit.place.agrees >= _CHANCE])


def _moved(place: Placement, way: _Floats) -> Placement:
    x, y = way.tolist()
    return replace(
        place,
        shift=(place.shift[0] + x, place.shift[1] + y),
        middle=(place.middle[0] + x, place.middle[1] + y),
    )


def _best(search: Search, group: Sequence[Placement]) -> list[Fit]:
    """The candidates about one place that agree best after a first look, fitted."""
    looked = []
    for place in group:
        cells = search.cells(place)
        looked.append((drawn_near(place, cells, search.outline), cells))
    most = max(near.share for near, _ in looked)
    looked.sort(key=lambda candidate: (-round(candidate[0].share, 2), candidate[0].place.angle))
    chosen: list[tuple[Near, Cells]] = []
    for near, cells in looked:
        same = any(
            near.place.angle == other.place.angle
            and math.dist(near.place.middle, other.place.middle) < NEAR
            for other, _ in chosen
        )
        if not same and near.share >= _CLOSE * most:
            chosen.append((near, cells))
    return [_fit(search, near, cells) for near, cells in chosen[:_CLOSELY]]


def _rank(fit: Fit) -> float:
    return fit.contradicted - fit.place.agrees


def _neighbourhoods(search: Search, candidates: Sequence[Placement]) -> list[list[Placement]]:
    """The candidates about each place, in order of the first of each."""
    near = float(search.size[:2].min()) / 2
    groups: list[list[Placement]] = []
    for place in candidates:
        for group in groups:
            if np.abs(np.array(place.middle) - group[0].middle).max() < near:
                group.append(place)
                break
        else:
            groups.append([place])
    return groups


def _fit(search: Search, near: Near, cells: Cells) -> Fit:
    fit = settled(near, cells, search.outline)
    angle = fit.place.angle
    quarter = plain_angle(round(angle / 90) * 90.0)
    if 0 < abs(angle - round(angle / 90) * 90) < _QUARTER:
        place = search.around(quarter, fit.place.middle)
        even = settled(Near(place, fit.place.grown, 1.0), cells, search.outline, turn=False)
        if even.place.agrees >= fit.place.agrees - _AS_GOOD / 4:
            return even
    return fit


def _known(search: Search, fits: list[Fit], place: Placement) -> list[Fit]:
    """The place from the first one, where the same strands are laid there; else nothing."""
    if not fits or fits[0].place.agrees < ENOUGH:
        return []
    first = fits[0]
    if abs(first.place.angle - place.angle) > 1.0:
        return []
    near = np.array(place.middle) - first.place.middle
    if np.abs(near).max() < search.size[:2].min() / 2:
        return []
    exact = search.same_strands(first.place, near)
    if exact is None:
        return []
    return [Fit(_moved(first.place, np.array(exact)), first.contradicted)]


def _apart(search: Search, fits: list[Fit]) -> list[Fit]:
    """Without those that lie over a better one: two copies share no ground. Best first."""
    import shapely

    if not fits:
        return []
    best = max(fit.place.agrees for fit in fits)
    ranked = sorted(
        fits,
        key=lambda fit: (
            -round((fit.place.agrees - fit.contradicted) / _AS_GOOD),
            fit.place.angle,
            abs(fit.place.grown) > NEAR,
            -fit.place.agrees,
            fit.place.middle,
        ),
    )
    shapes = [polygon(search.rings(number)) for number in range(len(search.layers))]
    shape = max(shapes, key=lambda shape: float(shape.area))
    kept: list[tuple[Fit, Any]] = []
    for fit in ranked:
        if fit.place.agrees < _COPY * best:
            continue
        # The same strands cannot make two copies: what is grown counts as ground.
        wide = shape.buffer(max(fit.place.grown, 0.0), join_style="mitre")
        ground = shapely.transform(wide, fit.place.to_plate)
        limit = _OVERLAP * shape.area
        if all(
            not _boxes_meet(ground.bounds, other.bounds)
            or shapely.intersection(ground, other).area <= limit
            for _, other in kept
        ):
            kept.append((fit, ground))
    return [fit for fit, _ in kept]


def _boxes_meet(one: Sequence[float], other: Sequence[float]) -> bool:
    apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
    return not apart


def _judge(search: Search, fit: Fit) -> _Judged:
    """Whether height, scale and ground are this part's."""
    problem, above = _height_problem(search, fit.place)
    place, other = _with_ground(search, fit.place)
    return _Judged(Fit(place, fit.contradicted), problem or other, above)


def _raised(
    geometry: Geometry,
    laid: Beads,
    judged: Sequence[_Judged],
    at: tuple[float, float] | None,
    patience: _Patience,
) -> list[_Judged]:
    """The same for a part that begins above the plate; empty where it does not either."""
    tops = sorted({round(candidate.above, 3) for candidate in judged if candidate.above > 0})
    top = float(laid.z[~laid.odd].max(initial=0.0))
    whole = top - float(geometry.extents[2])
    for above in dict.fromkeys([*tops[:3], round(whole, 3)]):
        if above <= 0.05:
            continue
        search = Search(geometry, laid, above)
        if not search.layers:
            continue
        good = [
            candidate for candidate in _all_judged(search, at, patience) if not candidate.problem
        ]
        good = [candidate for candidate in good if not _goes_on_below(search, candidate.fit.place)]
        if good:
            return good
    return []


def _goes_on_below(search: Search, place: Placement) -> bool:
    """Whether what lies under a raised part follows its lowest outline, and ends there."""
    laid = search.laid
    below = np.flatnonzero(laid.layer_z <= search.raised + 1e-3)
    lowest = search.outline.layer == search.outline.layer.min()
    point = place.to_plate(search.outline.point[lowest])
    normal = turned(search.outline.normal[lowest], place.angle)
    same = np.zeros(len(point), np.int64)
    follows, covered = [0.0], [0.0]
    for layer in below[np.linspace(0, len(below) - 1, min(len(below), 3)).astype(int)].tolist():
        cells = search.cells(place, [layer])
        off = edges_at(cells, same, point, normal, NEAR, place.grown).offset
        follows.append(float(np.mean(np.abs(off + place.grown) <= AGREES)))
        beside = point - _BESIDE * normal
        met = [m.line for m in crossings(cells, same, beside, normal, np.full(len(same), 0.05))]
        hit = np.unique(np.concatenate(met)) if met else same[:0]
        covered.append(len(hit) / max(len(same), 1))
    return max(follows) >= _RAFT and max(covered) < _RAFT_BESIDE


def _alike(
    search: Search, good: list[Fit]
) -> tuple[list[Placement], list[tuple[tuple[float, float], str]]]:
    """The copies, and the places of what is like the part and yet another, with why."""
    best = max(good, key=lambda fit: (round(fit.place.agrees, 2), -fit.contradicted))
    size = _laid_size(search, best.place)
    copies, others = [], []
    for fit in good:
        why = ""
        more = fit.place.inside < best.place.inside - _OUTSIDE
        if more or fit.contradicted > best.contradicted + _CONTRADICTED:
            why = "material where the part has none"
        elif fit is not best:
            own = _laid_size(search, fit.place)
            if np.abs(own - size).max() > _SIZE:
                why = f"{own[0]:.1f} × {own[1]:.1f} mm instead of {size[0]:.1f} × {size[1]:.1f} mm"
        if why:
            others.append((fit.place.middle, why))
        else:
            copies.append(fit.place)
    return copies, others


def _laid_size(search: Search, place: Placement) -> _Floats:
    """How large what is laid at a place is in the part's own directions, (2,) mm: strands whose
    middle lies within 3 mm of the part's box."""
    laid = search.laid
    low, high = search.low[:2] - 3.0, search.high[:2] + 3.0
    ends = [np.zeros((0, 2))]
    for layer in search.layers[-2:]:
        chosen = search.beads_of(layer)
        one, other = place.to_part(laid.start[chosen]), place.to_part(laid.end[chosen])
        middle = (one + other) / 2
        here = ((middle >= low) & (middle <= high)).all(axis=1)
        ends += [one[here], other[here]]
    points = np.concatenate(ends)
    if not len(points):
        return np.zeros(2)
    size: _Floats = points.max(axis=0) - points.min(axis=0)
    return size


def _height_problem(search: Search, place: Placement) -> tuple[str, float]:
    """Why the heights do not agree, empty where they do; and how far it goes on above, mm."""
    laid = search.laid
    middle = place.to_part((laid.start + laid.end) / 2)
    here = ((middle >= search.low[:2]) & (middle <= search.high[:2])).all(axis=1) & ~laid.odd
    z = laid.z - search.raised
    here &= z > 0
    if not here.any():
        return "nothing is laid where the part would be", 0.0
    top, part = float(z[here].max()), float(search.size[2])
    step = float(np.median(laid.height[here]))
    if top > part + 1.5 * step:
        above = np.flatnonzero(here & (z > part + 1.5 * step))
        last = polygon(search.rings(len(search.layers) - 1))
        import shapely

        last = last.buffer(NEAR + max(place.grown, 0.0))
        if shapely.contains_xy(last, middle[above]).mean() > 0.5:
            return f"it goes on to a height of {top:.2f} mm where the part ends", top - part
    if top < part - 1.5 * step:
        height = search.low[2] + (top + step / 2)
        mesh, sound = search.geometry.placed.mesh, search.geometry.sound
        rest = cut_at(mesh, np.array([height]), step, untangle=not sound)
        rings = rest.rings(0) if rest.distinct[0] >= 0 else []
        if not polygon(rings).buffer(-_THICK / 2).is_empty:
            return f"it ends at a height of {top:.2f} mm, below the part's top", 0.0
    return "", 0.0


def _with_ground(search: Search, place: Placement) -> tuple[Placement, str]:
    """The place with how much of the sections is covered, and of the ground is inside; and why
    it is not this part after all, empty where it is."""
    import shapely

    from wallguard.toolpath.beads import footprint

    laid = search.laid
    low, high = search.low[:2], search.high[:2]
    room = (high - low) / 2 + 2
    box = shapely.box(*(low - 0.5), *(high + 0.5))
    section_area = ground = both = 0.0
    problems = []
    for number in sorted({0, len(search.layers) // 2, len(search.layers) - 1}):
        shape = polygon(search.rings(number))
        chosen = search.beads_of(search.layers[number])
        one, other = place.to_part(laid.start[chosen]), place.to_part(laid.end[chosen])
        # As far again around, to see whether what is laid is larger.
        keep = (np.minimum(one, other) <= high + room).all(axis=1)
        keep &= (np.maximum(one, other) >= low - room).all(axis=1)
        everything = shapely.transform(footprint(laid, chosen[keep]), place.to_part)
        covered = shapely.intersection(everything, box)
        section_area += shape.area
        ground += covered.area
        both += shapely.intersection(covered, shape).area
        problems.append(other_size(everything, shape))
    place = replace(
        place,
        covered=both / section_area if section_area else 0.0,
        inside=both / ground if ground else 0.0,
    )
    # One layer may be odd; the part is not for it.
    if place.inside < _INSIDE:
        return place, "most of what it lays there lies outside of the part's sections"
    wrong = [problem for problem in problems if problem]
    return place, wrong[0] if 2 * len(wrong) > len(problems) else ""


def polygon(rings: list[_Floats]) -> Shape:
    """Rings, even-odd, as a shapely geometry."""
    import shapely

    whole = shapely.MultiPolygon()
    for ring in rings:
        whole = shapely.symmetric_difference(whole, shapely.make_valid(shapely.Polygon(ring)))
    return whole
