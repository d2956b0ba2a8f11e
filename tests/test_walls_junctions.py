"""Walls that meet: what grows in a corner is no wall. `python tests/campaign_walls.py` has all
shapes in all thicknesses under ten processes; here are some of each."""

from dataclasses import replace

import campaign_walls as campaign
import manifold3d as m3
import numpy as np
import pytest
from solids import box, mesh, prism, tube

from wallguard.bands.declared import band_table
from wallguard.base.rotation import UPRIGHT
from wallguard.checks.case import Case
from wallguard.jobs.check import run_checks
from wallguard.mesh.health import examine
from wallguard.mesh.mesh import Mesh
from wallguard.part.geometry import Geometry
from wallguard.rules.model import DeclaredBand, Limit
from wallguard.sections.cut import cut
from wallguard.walls.junctions import room_of, swellings
from wallguard.walls.stretch import is_speck
from wallguard.walls.trace import find_walls

HOLLOW = (1.86, 2.1)


def walls(solid, splits=HOLLOW):
    found = find_walls(cut(mesh(solid), 0.2), 4.0, splits)
    return [wall for wall in found if not is_speck(wall)]


@pytest.mark.parametrize("shape", campaign.SHAPES)
def test_a_good_wall_brings_nothing_and_a_bad_one_one_finding_a_wall(shape):
    seen = set()
    for thickness in (0.65, 0.95, 1.2, 1.8, 2.1):
        solid = campaign.SHAPES[shape][0](thickness).rotate([0, 0, 17])
        whole = mesh(solid)
        geometry = Geometry(whole, examine(whole), UPRIGHT, 1.0)
        for beads in (campaign.BEADS[0], campaign.BEADS[8]):
            rules = campaign.rules_of(beads)
            seen.add(campaign.band_table(rules).classify(thickness, rules.tolerance))
            assert campaign.wrong(shape, thickness, geometry, rules) == ""
    assert {"solid", "hollow"} <= seen


def test_a_thickening_that_runs_on_for_longer_than_it_is_thick_stays_a_wall_of_its_own():
    def thickened(length):
        bump = box([length, 2.0, 12], [20 - length / 2, 0, 0])
        return walls(box([40, 1.2, 12]) + bump)

    (wall,) = thickened(1.9)
    assert wall.typical == pytest.approx(1.2) and wall.length == pytest.approx(39, abs=2)
    left, right, thick = thickened(2.8)
    assert (left.typical, right.typical, thick.typical) == pytest.approx((1.2, 1.2, 2.0))
    assert 0.8 < thick.length < 2.8


def test_a_wall_that_is_thicker_all_along_its_foot_is_told_however_low():
    stepped = box([40, 1.2, 12]) + box([40, 2.0, 1]) + box([40, 20, 2], [0, -9, -2])
    assert [round(wall.typical, 2) for wall in walls(stepped)] == [1.2, 2.0]


def test_the_taper_of_a_wedge_is_no_swelling_of_its_tip():
    wedge = prism([[0, -1.5], [8, -0.2], [8, 0.2], [0, 1.5]], 10)
    assert max(wall.maximum for wall in walls(wedge, (0.6, 1.0, 1.4, 1.8, 2.2, 2.6))) > 2.5


@pytest.mark.parametrize("turned", [0.0, 0.5])
@pytest.mark.parametrize("facets", [24, 32, 48, 52, 64, 96, 180])
def test_the_flank_of_a_hole_near_a_face_makes_the_wall_no_longer(facets, turned):
    """A disc of radius r touches a circle of radius R and a line d from its middle where (R + r)
    cos t = d - r; up to there the wall is R t long on the one face and (R + r) sin t on the other.
    Whether what goes on beyond is a swelling hangs on the facets, and its length does not."""
    radius, off, split = 5.55625, 6.35, 1.3
    angles = (np.arange(facets) + turned) * 2 * np.pi / facets
    circle = radius * np.column_stack([np.cos(angles), np.sin(angles)])
    plate = box([40, 20 + off, 4], [-20, -20, 0]) - prism(circle, 6).translate([0, 0, -1])
    thin = min(walls(plate, (split,)), key=lambda wall: wall.minimum)
    end = np.arccos((off - split / 2) / (radius + split / 2))
    length = radius * end + (radius + split / 2) * np.sin(end)
    # To a facet, and to what one is off the circle at its ends.
    allowed = radius * np.pi / facets + 2 * radius * (1 - np.cos(np.pi / facets)) / np.tan(end)
    assert thin.maximum == pytest.approx(split, abs=0.01)
    assert thin.length == pytest.approx(length, abs=allowed)
    assert thin.box[1][0] - thin.box[0][0] == pytest.approx(
        2 * (radius + split / 2) * np.sin(end) + split, abs=2 * allowed
    )


def test_arms_on_both_sides_of_a_crossing_are_one_wall_and_those_of_a_slot_are_two():
    both = box([40, 1, 10], [-20, -0.5, 0]) + box([1, 40, 10], [-0.5, -20, 0])
    assert [round(wall.length, 1) for wall in walls(both)] == [38.0, 38.0]
    slot = box([40, 1, 10], [-20, -0.5, 0]) - box([1, 3, 12], [-0.5, -1.5, -1])
    assert len(walls(slot)) == 2


def test_swellings_join_what_is_thinner_and_long_within_their_own_thickness():
    thickness = np.array([1.0, 1.2, 1.5, 1.4, 3.0])
    length = np.array([20.0, 0.5, 0.6, 5.0, 2.9])
    one, other = np.array([0, 1, 0, 0]), np.array([1, 2, 3, 4])
    assert swellings(thickness, length, (thickness, thickness), one, other).tolist() == [
        0,
        0,
        0,
        3,
        0,
    ]
    # Farther away than it is thick; and where the way there is no swelling.
    length = np.array([20.0, 1.1, 0.6, 5.0, 3.1])
    assert swellings(thickness, length, (thickness, thickness), one, other).tolist() == [
        0,
        0,
        2,
        3,
        4,
    ]
    # Parallel faces were drawn so.
    room = room_of(thickness, np.array([-1.0, -0.9, -0.98, -1.0, -1.0]))
    length = np.array([20.0, 0.5, 0.6, 5.0, 2.9])
    assert swellings(thickness, length, room, one, other).tolist() == [0, 0, 0, 3, 4]


def test_of_two_as_thin_beside_it_the_one_that_is_a_wall_makes_a_swelling():
    # 2 joins 0, which is as short as 2 itself, and 1, a wall. Which is thinner is rounding.
    for thin in (1.0 - 1e-9, 1.0 + 1e-9):
        thickness, length = np.array([thin, 1.0, 2.0]), np.array([0.4, 20.0, 0.4])
        one, other = np.array([0, 1]), np.array([2, 2])
        room = (thickness, thickness)
        assert swellings(thickness, length, room, one, other).tolist() == [0, 1, 1]
    # Of two walls the thinner, and what lies between by the shorter way.
    thickness = np.array([1.0, 1.2, 1.5, 1.6, 2.0])
    length = np.array([20.0, 20.0, 1.4, 0.3, 0.8])
    one, other = np.array([0, 1, 2, 3]), np.array([2, 3, 4, 4])
    room = (thickness, thickness)
    assert swellings(thickness, length, room, one, other).tolist() == [0, 1, 0, 1, 1]


def test_a_crack_without_width_is_no_boundary():
    """Solid modellers leave such cracks where faces coincide; material goes on across them."""
    whole = box([20, 10, 4])
    outline = np.array([[0, 0], [20, 0], [20, 10], [8, 10], [8, 3], [8, 10], [0, 10]], float)
    count = len(outline)
    corners = np.vstack([np.c_[outline, np.zeros(count)], np.c_[outline, np.full(count, 4.0)]])
    sides = [
        face
        for i, j in zip(range(count), [*range(1, count), 0], strict=True)
        for face in ((i, j, j + count), (i, j + count, i + count))
    ]
    part = Mesh(corners, np.array(sides, np.int32))
    (ring,) = np.diff(cut(part, 0.2).ring_start)
    assert ring == np.diff(cut(mesh(whole), 0.2).ring_start)[0] == 4


def told(solid, minimum=0.8, beads=0):
    whole = mesh(solid)
    rules = campaign.rules_of(campaign.BEADS[beads])
    exact = replace(rules.beads, edge_uncertainty=0)  # what facets take off is asked about
    rules = replace(rules, minimum={"wall": Limit(minimum)}, tolerance=(1, 1), beads=exact)
    geometry = Geometry(whole, examine(whole), UPRIGHT, 1.0)
    return run_checks(Case(geometry, rules, campaign.band_table(rules)))[1]


def test_a_limit_missed_by_what_facets_take_off_is_indeterminate():
    """Flats between circles of radius r and r - t stand t cos(180 / n) apart (elementary)."""
    (finding,) = told(tube(40, 0.8, 12, 20))
    assert finding.measured == pytest.approx(0.8 * np.cos(np.pi / 20), abs=0.001)
    assert finding.indeterminate and finding.severity == "warn"
    assert "no more than the facets of its curve take off it" in finding.message
    (finding,) = told(tube(40, 0.78, 12, 20))
    assert finding.severity == "fail" and not finding.indeterminate
    # Flats that were drawn as flats are what they are.
    (finding,) = told(box([40, 0.79, 10]))
    assert finding.severity == "fail"


def test_what_is_doubtful_does_no_more_than_what_is_certain_and_no_less():
    """0.79 mm on a coarse curve drawn 0.80: perhaps below 0.80, certainly below 1.20."""

    def told(limit, level):
        whole = mesh(tube(40, 0.8, 12, 20))
        outcomes = {**campaign.OUTCOMES, "indeterminate": level}
        rules = replace(
            campaign.rules_of(campaign.BEADS[0]),
            minimum={"wall": limit},
            tolerance=(1, 1),
            outcomes=outcomes,
        )
        geometry = Geometry(whole, examine(whole), UPRIGHT, 1.0)
        found = run_checks(Case(geometry, rules, campaign.band_table(rules)))[1]
        return [(one.severity, one.limit, one.indeterminate) for one in found]

    assert told(Limit(0.8, 1.2), "ignore") == [("warn", 1.2, False)]
    assert told(Limit(0.8, 1.2), "warn") == [("warn", 1.2, False)]
    assert told(Limit(0.8, 1.2), "fail") == [("fail", 0.8, True)]
    assert told(Limit(None, 0.8), "fail") == [("warn", 0.8, True)]
    assert told(Limit(0.8), "ignore") == []


def test_a_band_missed_by_what_facets_take_off_is_indeterminate():
    (finding,) = told(tube(40, 0.298, 12, 16), minimum=0.1)
    assert finding.indeterminate and "export the mesh finer" in finding.message
    assert told(tube(40, 0.305, 12, 16), minimum=0.1) == []


def test_what_is_strewn_over_one_wall_is_one_place():
    """A twisted wall of 0.8 mm in coarse facets is 0.8 to 1.1 mm thick, in many small pieces."""
    corner = np.radians(60 * np.arange(6))
    outer = np.column_stack([np.cos(corner), np.sin(corner)]) * 25
    inner = outer * (1 - 0.8 / (25 * np.cos(np.pi / 6)))
    profile = m3.CrossSection([outer]) - m3.CrossSection([inner])
    findings = told(m3.Manifold.extrude(profile, 30, 30, 45), minimum=0.4)
    assert len(findings) == 6
    assert all("more places of this wall" in finding.message for finding in findings)
    assert told(m3.Manifold.extrude(profile, 30, 120, 45), minimum=0.4) == []


def test_grooves_that_were_drawn_are_places_of_their_own():
    """Also where walls are measured in space, where nobody knows what is small."""
    grooved = box([60, 2.0, 20])
    for at in range(6):
        grooved -= box([3, 1.0, 22], [4 + 9 * at, 1.5, -1])
    found = told(grooved, minimum=1.8)
    assert len([one for one in found if one.subject.thickness.typical < 1.6]) == 6
    assert not any("more places" in one.message for one in found)
    whole = mesh(grooved)
    rules = replace(
        campaign.rules_of(campaign.BEADS[0]),
        category="powder bed fusion",
        beads=None,
        bands=(DeclaredBand(0.0, None, "solid"),),
        minimum={"wall": Limit(1.8)},
    )
    geometry = Geometry(whole, examine(whole), UPRIGHT, 1.0)
    found = run_checks(Case(geometry, rules, campaign.band_table(rules)))[1]
    assert len(found) == 6


def test_a_rib_on_a_floor_swells_at_its_foot_and_is_no_other_wall():
    """Its faces lean where it widens downward, and still run parallel as seen from above. Nor is it
    worth a note that fillets lean too far apart to be judged."""
    for thickness, beads in ((3.7, 8), (1.2, 7)):
        whole = mesh(campaign.filleted(thickness))
        rules = campaign.rules_of(campaign.BEADS[beads])
        geometry = Geometry(whole, examine(whole), UPRIGHT, 1.0)
        assert run_checks(Case(geometry, rules, band_table(rules)))[1] == []
