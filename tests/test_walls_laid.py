"""Where the model of a wall holds, and where it does not: against beads laid round walls that meet.

Walls of 1.10 mm of two beads of 0.45 mm are hollow, with 0.20 mm of air.
"""

import campaign_walls as campaign
import numpy as np
import pytest
import shapely
from solids import mesh
from toolpaths import Program

from wallguard.bands.declared import band_table
from wallguard.base.rotation import UPRIGHT
from wallguard.checks.case import Case
from wallguard.jobs.check import run_checks
from wallguard.mesh.health import examine
from wallguard.part.geometry import Geometry
from wallguard.toolpath.beads import beads, footprint
from wallguard.toolpath.reader import read_toolpath

THICK, BEAD, AIR = 1.1, 0.45, 0.2
ARM = shapely.box(-THICK / 2, 0, THICK / 2, campaign.LONG / 2)
BAR = shapely.box(-campaign.LONG / 2, -THICK / 2, campaign.LONG / 2, THICK / 2)
UP = shapely.box(-THICK / 2, -campaign.LONG / 2, THICK / 2, campaign.LONG / 2)


@pytest.mark.parametrize(("shape", "arm"), [("tee", ARM), ("cross", UP)])
def test_a_finding_is_no_longer_than_the_hollow_that_is_laid(tmp_path, shape, arm):
    whole = mesh(campaign.SHAPES[shape][0](THICK))
    rules = campaign.rules_of(campaign.BEADS[0])
    case = Case(Geometry(whole, examine(whole), UPRIGHT, 1.0), rules, band_table(rules))
    found = {one.box[1][0] - one.box[0][0] > 2: one for one in run_checks(case)[1]}
    assert {one.fill for one in found.values()} == {"hollow"}
    assert [round(one.subject.air, 2) for one in found.values()] == [AIR, AIR]

    void = hollow_of(BAR.union(arm), tmp_path / "laid.gcode")
    for lies, wall in ((True, BAR), (False, arm)):
        begin, end = np.array(wall.bounds).reshape(2, 2)[:, 0 if lies else 1]
        # A finding is as long as it is hollow at most: up to a bead from a free end, and up to the
        # other wall at a T.
        ends = end - BEAD, (begin + BEAD if begin else THICK / 2)
        assert found[lies].size[0] <= ends[0] - ends[1]
        assert void.bounds[2 if lies else 3] == pytest.approx(ends[0], abs=0.01)
        # Between them it holds the air that is told, in the middle of the wall.
        for at in np.arange(begin, end, 0.5):
            if 1.5 * THICK < abs(at) < ends[0]:
                across = [(at, -1), (at, 1)] if lies else [(-1, at), (1, at)]
                open_ = void.intersection(shapely.LineString(across))
                assert open_.length == pytest.approx(AIR, abs=0.01)
                assert np.abs(open_.bounds).min() == pytest.approx(AIR / 2, abs=0.01)
    # Where they meet there is more of it than in either.
    corner = void.intersection(shapely.LineString([(-1, -1), (1, 1)]))
    assert corner.length > 1.2 * AIR


def hollow_of(outline, path):
    """What one strand along an outline leaves open inside, as its program lays it."""
    program = Program(width=BEAD, shift=(0, 0))
    program.layer(0)
    program.loops(outline, 1)
    path.write_text(program.text())
    laid = beads(read_toolpath(path))
    left = outline.difference(footprint(laid, np.arange(len(laid.width))))
    return max(shapely.get_parts(left), key=lambda part: part.area)
