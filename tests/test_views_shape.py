"""The surface of a page's 3D view: cut along the borders of what is said of it, few triangles where
nothing changes, and undersides by their angle."""

import math

import manifold3d as m3
import numpy as np
import pytest
from solids import box, prism
from view_samples import report

from wallguard.rules.model import Limit
from wallguard.views.model import OUTCOMES, STEPS
from wallguard.views.split import split


def read(shape):
    """Corners (m, 3, 3) in mm, outcomes, thickness and undersides of a shape."""
    low, high = np.array(shape.low), np.array(shape.high)
    steps = np.frombuffer(shape.vertices, "<u2").reshape(-1, 3)
    triangles = np.frombuffer(shape.triangles, "<u2").reshape(-1, 3)
    outcomes = np.frombuffer(shape.outcomes, "u1")
    thickness = np.frombuffer(shape.thickness, "<u2")
    undersides = np.frombuffer(shape.undersides, "u1")
    return (low + steps / STEPS * (high - low))[triangles], outcomes, thickness, undersides


def area(corner):
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    return np.linalg.norm(cross, axis=1) / 2


SQUARE = np.array([[[0, 0, 0], [8, 0, 0], [8, 6, 0]], [[0, 0, 0], [8, 6, 0], [0, 6, 0]]], float)


@pytest.mark.parametrize("angle", [0.0, 17.3, 45.0, 90.0])
def test_a_straight_border_stays_straight_wherever_it_runs(angle):
    way = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle)), 0.0])
    level = float(way @ [3.7, 2.9, 0.0])

    def ask(point, normal):
        beyond = point @ way > level
        return beyond.astype(np.int64), np.where(beyond, 2.0, 1.0)

    pieces = split(SQUARE, ask, 0.5, 4000)
    assert area(pieces.corner).sum() == pytest.approx(48, rel=1e-9)
    over = np.where(
        pieces.kind[:, None] == 1, level - pieces.corner @ way, pieces.corner @ way - level
    )
    # No corner lies farther beyond the border than what the search along a side leaves open.
    assert over.max() < 0.5 / 2**6
    assert set(zip(pieces.kind.tolist(), pieces.value.tolist(), strict=True)) == {
        (0, 1.0),
        (1, 2.0),
    }


def test_a_corner_of_a_border_is_followed():
    def ask(point, normal):
        inside = (point[:, 0] > 3.1) & (point[:, 1] > 2.3)
        return inside.astype(np.int64), inside * 1.0

    pieces = split(SQUARE, ask, 0.5, 4000)
    inside = area(pieces.corner)[pieces.kind == 1].sum()
    assert inside == pytest.approx((8 - 3.1) * (6 - 2.3), abs=0.02)


def test_what_is_the_same_all_over_stays_as_it_is():
    pieces = split(
        SQUARE, lambda at, _: (np.zeros(len(at), np.int64), np.zeros(len(at))), 0.1, 9000
    )
    assert len(pieces.corner) == 2


def test_a_wall_ends_in_a_straight_line_at_what_carries_it():
    # A rib on a block: its sides are wall down to the block, and no further.
    solid = box([40, 20, 8]) + box([40, 1.5, 12], [0, 6, 8])
    corner, outcomes, thickness, _ = read(report(solid, "page").views.shape)
    wall = outcomes == OUTCOMES.index("hollow") + 1
    assert set(thickness[wall].tolist()) == {150}
    side = (np.ptp(corner[:, :, 1], axis=1) < 0.01) & (abs(corner[:, 0, 1] - 6) < 0.01)
    lowest = corner[wall & side].min(axis=(1, 2))
    clear = wall & side & (abs(corner.mean(axis=1)[:, 0] - 20) < 17)
    assert corner[clear][:, :, 2].min() == pytest.approx(8, abs=0.25)
    assert len(lowest) < 400
    assert len(corner) < 1500


@pytest.mark.parametrize("angle", [10.0, 30.0, 45.0, 60.0])
def test_undersides_are_told_by_their_angle_from_level(angle):
    rise = 10 * math.tan(math.radians(angle))
    outline = [[0, 0], [10, 0], [20, rise], [20, rise + 5], [0, rise + 5]]
    solid = prism(outline, 10).rotate([90, 0, 0])
    corner, _, _, undersides = read(report(solid, "page").views.shape)
    leaning = undersides != 255
    assert set(undersides[leaning].tolist()) == {round(2 * angle)}
    # What lies on the build surface is none.
    assert area(corner)[leaning].sum() == pytest.approx(10 * math.hypot(10, rise), rel=1e-3)


def test_undersides_of_a_turned_part_are_those_on_the_printer():
    from wallguard.base.rotation import UPRIGHT

    turned = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
    shelf = box([4, 30, 20]) + box([14, 30, 3], [0, 0, 20])
    for rotation, solid in ((UPRIGHT, shelf), (turned, shelf.rotate([-90, 0, 0]))):
        corner, _, _, undersides = read(report(solid, "page", rotation=rotation).views.shape)
        assert area(corner)[undersides == 0].sum() == pytest.approx(300, rel=1e-2)


def test_a_ball_looks_down_by_every_angle_as_much_as_archimedes_says():
    # The area of a zone of a sphere goes with its height.
    ball = m3.Manifold.sphere(10, 96).translate([0, 0, 10])
    corner, _, _, undersides = read(
        report(ball, "page", minimum={"wall": Limit(fail=1)}).views.shape
    )
    sizes = area(corner)
    steep = sizes[(undersides != 255) & (undersides >= 90)].sum()
    # Of the lower half, from level to 45 degrees: 1 - cos 45 of the height.
    assert steep == pytest.approx(2 * math.pi * 100 * math.cos(math.radians(45)), rel=0.03)
