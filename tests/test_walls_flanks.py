"""How thickness runs between samples, against closed forms (from memory: plane geometry)."""

from __future__ import annotations

import numpy as np
import pytest
from solids import box, mesh, prism

from wallguard.sections.cut import cut
from wallguard.sections.sections import Sections
from wallguard.walls.discs import touched, value_of
from wallguard.walls.edges import Edges, material_edges
from wallguard.walls.flanks import Flanks, Lines, Told, flanks_of


def edges_of(solid) -> Edges:
    return material_edges(cut(mesh(solid), 0.2))


def edge_at(edges: Edges, begin, end) -> int:
    """The edge from one corner to the other."""
    off = np.abs(edges.start - begin).max(axis=1)
    off += np.abs(edges.start + edges.length[:, None] * edges.along - end).max(axis=1)
    assert off.min() < 1e-6
    return int(np.argmin(off))


def told(edge, places, held, behind=0.0, ahead=0.0) -> Told:
    """Samples at rising places of one edge, which speak so far beyond the first and the last."""
    places = np.asarray(places, float)
    half = np.diff(places) / 2
    return Told(
        np.full(len(places), edge),
        places,
        np.concatenate([[behind], half]),
        np.concatenate([half, [ahead]]),
        np.asarray(held, np.int64),
        np.append(np.ones(len(half), bool), False),
    )


def total(values: Flanks) -> float:
    return float(values.thickness.sum())


# A face y = 0 below one at y = 2 up to x = 10, and one at y = 1 from there on: at (10, 1) stands a
# corner. It holds the disc at (x, 0), x < 10, of r = ((x - 10)^2 + 1) / 2, until that is 1.
STEP = box([10, 2, 1]) + box([10, 1, 1], [10, 0, 0])


@pytest.fixture(scope="module")
def step():
    edges = edges_of(STEP)
    return (
        edges,
        edge_at(edges, (0, 0), (20, 0)),
        edge_at(edges, (10, 2), (0, 2)),
        edge_at(edges, (20, 1), (10, 1)),
    )


def test_what_two_samples_tell_is_summed_up_exactly(step):
    edges, own, high, low = step
    flanks = flanks_of(edges, told(own, [7, 12], [high, low]))
    # 2 up to x = 9, then x^2 + 1 seen from the corner, and 1 behind it; ties take 0.5 % before 9.
    assert total(flanks) == pytest.approx(2 * 2 + (1 / 3 + 1) + 2 * 1, abs=0.001)
    assert flanks.length.sum() == pytest.approx(5)


def test_it_does_not_hang_on_where_samples_stand(step):
    edges, own, high, low = step
    few = flanks_of(edges, told(own, [7, 12], [high, low]))
    at = [7, 7.3, 8.9, 9.4, 9.8, 10.7, 12]
    many = flanks_of(edges, told(own, at, [high, high, high, low, low, low, low]))
    assert total(many) == pytest.approx(total(few), abs=1e-9)
    assert many.facing.sum() == pytest.approx(few.facing.sum(), abs=1e-9)
    most = np.full(len(few.sample), 1.5), np.full(len(many.sample), 1.5)
    one, other = (each.thinner(limit) for each, limit in zip((few, many), most, strict=True))
    assert other.length.sum() == pytest.approx(one.length.sum(), abs=1e-9)
    # 1.5 is x^2 + 1 at 1 / sqrt 2 before the corner.
    assert one.length.sum() == pytest.approx(2 + np.sqrt(0.5), abs=1e-9)


def test_how_straight_across_a_corner_lies(step):
    edges, own, _, low = step
    # Seen from (x, 0) a corner c_y before it and x beside it: 1 - 2 c_y^2 / (x^2 + c_y^2).
    flanks = flanks_of(edges, told(own, [9.2, 9.9], [low, low]))
    x = np.linspace(9.2, 9.9, 10_001) - 10
    assert flanks.facing.sum() == pytest.approx(
        float(np.trapezoid(1 - 2 / (x**2 + 1), x)), abs=1e-7
    )


def test_pieces_of_a_parabola_run_as_good_as_straight(step):
    edges, own, _, low = step
    pieces = flanks_of(edges, told(own, [9.2, 9.9], [low, low])).pieces
    assert pieces.length.sum() == pytest.approx(0.7)
    assert float((pieces.length * (pieces.one + pieces.other) / 2).sum()) == pytest.approx(
        (0.8**3 - 0.1**3) / 3 + 0.7, abs=0.7e-4
    )
    assert pieces.one.max() == pytest.approx(1 + 0.8**2)


def test_a_wedge_runs_straight():
    half = np.radians(8)
    wide = 40 * np.tan(half)
    edges = edges_of(prism([[0, 0], [40, -wide], [40, wide]], 1))
    own, other = (edge_at(edges, *ends) for ends in (((0, 0), (40, -wide)), ((40, wide), (0, 0))))
    flanks = flanks_of(edges, told(own, [5, 9], [other, other], behind=2, ahead=1))
    # A disc touches both faces at s from the tip with r = s tan(half), half of the whole angle.
    assert flanks.length.sum() == pytest.approx(7)
    assert total(flanks) == pytest.approx(2 * np.tan(half) * (10**2 - 3**2) / 2)
    thin = flanks.thinner(np.full(len(flanks.sample), 2 * 6 * np.tan(half)))
    assert thin.length.sum() == pytest.approx(3)
    assert (flanks.facing / flanks.length) == pytest.approx(-np.cos(2 * half))
    none = flanks.thinner(np.full(len(flanks.sample), 0.1))
    assert len(none.sample) == 0


def test_no_thickness_is_told_beyond_where_outlines_cross():
    # The line y = 0.15 x - 1 above y = 0 crosses it at 6 2/3, and holds no disc before that.
    rings = np.array([[0, 0], [20, 0], [20, 2], [0, -1.0]])
    one = np.zeros(1, np.int32)
    edges = material_edges(
        Sections(np.ones(1), 1.0, one, rings, np.array([0, 4]), one, np.zeros(4), one[:0])
    )
    own, other = edge_at(edges, (0, 0), (20, 0)), edge_at(edges, (20, 2), (0, -1))
    flanks = flanks_of(edges, told(own, [8, 12], [other, other], behind=5, ahead=1))
    far = 13 - 1 / 0.15
    assert flanks.length.sum() == pytest.approx(far)
    assert total(flanks) == pytest.approx(np.tan(np.arctan(0.15) / 2) * far**2)
    # Nor by a corner that lies behind.
    own, other = edge_at(edges, (20, 0), (20, 2)), edge_at(edges, (0, -1), (0, 0))
    assert len(flanks_of(edges, told(own, [1.0], [other])).sample) <= 1
    assert np.isfinite(flanks.pieces.one).all() and np.isfinite(flanks.pieces.other).all()


def test_a_sample_alone_speaks_for_all_of_its_edge(step):
    edges, own, _, low = step
    beyond = flanks_of(edges, told(own, [13], [low], behind=1, ahead=2))
    assert total(beyond) == pytest.approx(3)
    before = flanks_of(edges, told(own, [9.5], [low], behind=1, ahead=2))
    assert total(before) == pytest.approx(3 * (0.5**2 + 1))


@pytest.mark.parametrize("reach", [0.3, 0.7, 1.2, 2.5])
def test_where_a_disc_meets_an_edge_is_where_it_comes_as_near(reach):
    """Random edges against a fine grid of places, where `value_of` tells the radius."""
    random = np.random.default_rng(5)
    count = 200
    angle, length = random.uniform(-np.pi, np.pi, count), random.uniform(0.1, 3, count)
    x, y = random.uniform(-2, 2, count), random.uniform(-1, 3, count)
    lines = Lines(x, y, np.cos(angle), np.sin(angle), length)
    low, high = lines.within(reach)
    grid = np.linspace(-9, 9, 6001)
    met = 0
    for i in range(count):
        own = np.full(len(grid), 0.0)
        ends = x[i] - grid, y[i] + own
        along = own + lines.along_x[i], own + lines.along_y[i]
        q = touched(ends, along, own + length[i], (own, own + 1.0))
        front = -lines.along_x[i] * y[i] - lines.along_y[i] * (grid - x[i]) > 0
        inside = np.flatnonzero((value_of(*q, own, own + 1.0) <= reach) & front)
        if not len(inside):
            assert not high[i] - low[i] > 0.01
            continue
        met += 1
        assert (low[i], high[i]) == pytest.approx(grid[inside[[0, -1]]], abs=0.004)
    assert 20 < met < count


def test_what_one_corner_of_two_edges_holds_is_told_by_the_edge_it_belongs_to_there():
    # A ceiling that comes down from 2 to 1.6 at x = 10 and goes up again: the edge beyond that
    # corner is named as what holds the disc at x = 9.9, but from x = 8 on the other one does.
    solid = prism([[0, 0], [20, 0], [20, 2], [10, 1.6], [0, 2]], 1)
    edges = edges_of(solid)
    own = edge_at(edges, (0, 0), (20, 0))
    left, right = edge_at(edges, (10, 1.6), (0, 2)), edge_at(edges, (20, 2), (10, 1.6))
    both = flanks_of(edges, told(own, [8, 9.99], [left, right]))
    slope = 0.4 / 10
    x = np.linspace(8, 9.99, 20001)
    # To the line y = 2 - slope x, until its foot is the corner, and from there on to that.
    line = (2 - slope * x) / (1 + np.hypot(1, slope))
    corner = ((x - 10) ** 2 + 1.6**2) / (2 * 1.6)
    foot = x + line * slope / np.hypot(1, slope)
    thickness = 2 * np.where(foot < 10, line, corner)
    assert total(both) == pytest.approx(np.trapezoid(thickness, x), abs=1e-6)
    order = np.argsort(both.begin)
    assert both.end[order][:-1] == pytest.approx(both.begin[order][1:])
    assert both.ends[order, 1][:-1] == pytest.approx(both.ends[order, 0][1:])
