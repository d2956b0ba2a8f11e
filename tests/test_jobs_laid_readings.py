"""Readings from a coupon's toolpath, which the test lays as the rules say."""

import json

import laid_coupons
import pytest
import shapely
from toolpaths import Program

from wallguard.bands.calculated import calculated
from wallguard.bands.declared import band_table
from wallguard.base.errors import InputError
from wallguard.commands.coupon.make import run as make
from wallguard.commands.main import main
from wallguard.jobs.laid_readings import toolpath_readings
from wallguard.mesh.read import read_mesh
from wallguard.rules.load import load_rules
from wallguard.rules.model import Beads
from wallguard.sections.cut import cut
from wallguard.toolpath.placing import polygon

RULES = """\
wallguard: 1
name: bench printer, grey
process: {category: material extrusion}
layer_height: 0.2
beads: {width: 0.45, contours: 2, smallest_wall: 0.5, squeeze: 0.1, smallest_fill: 0.4,
        spacing: width}
notes: Dry the filament.
"""
STEPS = [0.4, 0.9, 1.15, 1.35, 1.8, 2.1]
TABLE = calculated(Beads(width=0.45, contours=2, smallest_wall=0.5, squeeze=0.1, smallest_fill=0.4))


def lay(program, feature):
    """The beads of one wall as the rules say it comes out."""
    low, high = (corner[:2] for corner in feature["box"])
    across = 0 if feature["measure"]["across"] == "x" else 1
    thickness = high[across] - low[across]
    outcome = TABLE.outcome(feature["nominal"])
    if outcome.fill == "missing":
        return
    count = max(1, round(thickness / 0.45))
    width, gap = thickness / count, 0.0
    if outcome.fill == "hollow":
        count = 2 * max(1, int(thickness / 0.9 + 1e-9))
        width = 0.45
        gap = thickness - count * width
    for number in range(count):
        place = low[across] + width * (number + 0.5) + (gap if number >= count / 2 else 0.0)
        ends = []
        for end in (low, high):
            point = list(end)
            point[across] = place
            ends.append(point)
        program.path(ends, width=width)


@pytest.fixture(scope="module")
def coupon(tmp_path_factory):
    """A coupon's folder, its rules beside it, and a program that makes it."""
    top = tmp_path_factory.mktemp("coupon")
    (top / "rules.yaml").write_text(RULES)
    make(top / "rules.yaml", top / "coupon", steps=STEPS, height=6.0, features={"wall"})
    manifest = json.loads((top / "coupon/manifest.json").read_text())
    (plate,) = manifest["plates"]
    sections = cut(read_mesh(top / "coupon/plate-1.stl"), 0.2)
    program = Program(shift=(25, 35))
    for number, section in enumerate(sections.distinct.tolist()):
        if section < 0:
            continue
        program.layer(number)
        shape = polygon(sections.rings(section))
        if sections.heights[number] < manifest["base"]:
            for piece in getattr(shape, "geoms", [shape]):
                program.loops(piece, 2)
            continue
        for feature in plate["features"]:
            lay(program, feature)
        # The blocks at the ends of the walls, and what else is thick.
        thick = shape.buffer(-1.3).buffer(1.3, join_style="mitre")
        for piece in getattr(thick, "geoms", [] if thick.is_empty else [thick]):
            program.loops(shapely.simplify(piece, 0.01), 2)
    (top / "coupon.gcode").write_text(program.text())
    return top


def test_fills_and_thicknesses_are_those_that_were_laid(coupon):
    found = toolpath_readings(coupon / "coupon.gcode", coupon / "coupon")
    assert found.keys["source"] == "toolpath"
    assert found.keys["process"] == "bench printer, grey"
    assert {row.axis for row in found.rows} == {"x", "y"}
    assert sorted({row.nominal for row in found.rows}) == STEPS
    for row in found.rows:
        assert row.fill == TABLE.outcome(row.nominal).fill
        assert bool(row.readings) == (row.fill != "missing")
        assert row.readings == pytest.approx([row.nominal] * len(row.readings), abs=0.03)


def test_gaps_holes_and_pins_are_read_too(tmp_path):
    # Outlines are laid exactly where they are drawn, so each comes out as drawn.
    made = laid_coupons.coupon(tmp_path, [0.9], {"wall", "gap", "hole", "pin"})
    beads = Beads(width=0.45, contours=2, smallest_wall=0.3, squeeze=0.1, smallest_fill=0.3)
    laid_coupons.lay(made, beads, tmp_path / "coupon.gcode")
    found = toolpath_readings(tmp_path / "coupon.gcode", made.folder)
    kinds = {(row.feature, row.axis) for row in found.rows}
    assert kinds == {
        ("wall", "x"), ("wall", "y"), ("gap", "x"), ("gap", "y"),
        ("hole", "vertical"), ("hole", "horizontal"), ("pin", "vertical"),
    }  # fmt: skip
    for row in found.rows:
        assert row.fill == "solid"
        # A hole that lies is as wide as it is drawn at one height only, and a layer is 0.2 high.
        within = 0.06 if row.axis == "horizontal" else 0.02
        assert row.readings == pytest.approx([row.nominal] * len(row.readings), abs=within), row


def test_the_rule_file_says_that_it_rests_on_a_toolpath(coupon, capsys):
    new = coupon / "new.yaml"
    arguments = ["--rules", str(coupon / "rules.yaml"), "-o", str(new)]
    program = ["--toolpath", str(coupon / "coupon.gcode"), "--coupon", str(coupon / "coupon")]
    assert main(["coupon", "fit", *program, *arguments]) == 0
    text = new.read_text()
    assert "# Provisional: rests on a toolpath, not on a print" in text
    unwrapped = " ".join(text.replace("\n#", "\n").split())
    assert "coupon.gcode: what this toolpath lays." in unwrapped
    rules = load_rules(new)
    assert rules.notes.startswith("Provisional: rests on a toolpath, not on a print")
    assert rules.notes.endswith("Dry the filament.")
    for step in STEPS:
        outcome = band_table(rules).outcome(step)
        assert (outcome.fill, outcome.band.source) == (TABLE.outcome(step).fill, "measured")
    # Fitted again from itself, it says so once.
    again = coupon / "again.yaml"
    assert main(["coupon", "fit", *program, "--rules", str(new), "-o", str(again)]) == 0
    assert load_rules(again).notes == rules.notes


def test_a_program_needs_its_coupon(coupon, capsys):
    arguments = ["--rules", str(coupon / "rules.yaml"), "-o", str(coupon / "no.yaml")]
    assert main(["coupon", "fit", "--toolpath", str(coupon / "coupon.gcode"), *arguments]) == 2
    assert "which coupon it makes" in capsys.readouterr().err
    assert not (coupon / "no.yaml").exists()


def test_a_program_of_something_else_is_refused(coupon, tmp_path):
    program = Program()
    for number in range(8):
        program.layer(number)
        program.loops(shapely.box(0, 0, 20, 20), 3)
    (tmp_path / "cube.gcode").write_text(program.text())
    with pytest.raises(InputError, match="does not make"):
        toolpath_readings(tmp_path / "cube.gcode", coupon / "coupon")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("{", "is not JSON"),
        ('{"schema": "wallguard-coupon/2"}', "is not of the format"),
        ('{"schema": "wallguard-coupon/1"}', "lacks what a manifest holds"),
        ("[]", "lacks what a manifest holds"),
        ('{"schema": "wallguard-coupon/1", "plates": []}', "holds no plate"),
        (
            '{"schema": "wallguard-coupon/1", "plates": [{"features": [], "files": ["../a.stl"]}]}',
            "names no STL file",
        ),
    ],
)
def test_a_broken_manifest_is_an_error(coupon, tmp_path, content, said):
    (tmp_path / "manifest.json").write_text(content)
    with pytest.raises(InputError, match=said):
        toolpath_readings(coupon / "coupon.gcode", tmp_path)


def test_a_folder_without_a_coupon_is_an_error(coupon, tmp_path):
    with pytest.raises(InputError, match="holds no coupon"):
        toolpath_readings(coupon / "coupon.gcode", tmp_path / "none")
