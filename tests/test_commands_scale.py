import json
import math

import jsonschema
import manifold3d as m3
import numpy as np
import pytest
from campaign_walls import BEADS, rules_of
from solids import box, i_section, mesh
from test_leaning_advice import leaning_wall

from wallguard.bands.advice import nearest_drawn
from wallguard.bands.declared import band_table
from wallguard.base import cautions
from wallguard.base.errors import InputError
from wallguard.base.units import MILLIMETRES, in_unit
from wallguard.commands.scale import run
from wallguard.findings.scale import ratio
from wallguard.jobs.scale import STANDARD
from wallguard.reports.scale_json import SCALE

# The smallest good wall is 0.80 mm: that and nothing else decides.
RULES = """\
wallguard: 1
name: Solid from 0.8 mm
process: {category: material extrusion}
layer_height: 0.2
build_volume: [200, 200, 200]
bands:
  - {from: 0, to: 0.8, fill: missing}
  - {from: 0.8, fill: solid}
"""

# EN 10365:2017, I- and H-sections: height, width, web, flange in mm (from memory).
SECTIONS = {
    "IPE 100": (100, 55, 4.1, 5.7),
    "IPE 200": (200, 100, 5.6, 8.5),
    "IPE 300": (300, 150, 7.1, 10.7),
    "HEA 200": (190, 200, 6.5, 10.0),
    "HEB 300": (300, 300, 11.0, 19.0),
}


def stl(path, solid, unit="mm"):
    """A binary STL of a solid drawn in mm, with its coordinates in `unit`."""
    drawn = mesh(solid)
    corners = (drawn.vertices[drawn.triangles] / MILLIMETRES[unit]).astype("<f4")
    record = np.zeros(len(corners), np.dtype([("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")]))
    record["v"] = corners
    path.write_bytes(bytes(80) + np.uint32(len(record)).tobytes() + record.tobytes())
    return path


def house():
    """A shell of four walls, 8 x 6 m and 4 m high, 0.3 m thick, with a partition of 0.15 m."""
    outside, inside = box([8000, 6000, 4000]), box([7400, 5400, 5000], [300, 300, -500])
    return (outside - inside) + box([150, 5400, 4000], [4000, 300, 0])


def rule_file(folder, text=RULES):
    path = folder / "rules.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def scales(part, rules, **options):
    shown, _ = run(part, rules, as_json=True, **options)
    made = json.loads(shown)
    jsonschema.validate(made, SCALE.schema())
    return made


def at(made, scale):
    (found,) = (one for one in made["reductions"] if one["name"] == scale)
    return found


@pytest.mark.parametrize(
    ("name", "best"),
    [
        ("IPE 100", "1:5"),  # 4.1 / 5 = 0.82; 4.1 / 10 = 0.41
        ("IPE 200", "1:5"),  # 5.6 / 5 = 1.12; 5.6 / 10 = 0.56
        ("IPE 300", "1:5"),  # 7.1 / 5 = 1.42; 7.1 / 10 = 0.71
        ("HEA 200", "1:5"),
        ("HEB 300", "1:10"),  # 11 / 10 = 1.10; 11 / 20 = 0.55
    ],
)
def test_the_web_of_a_rolled_section_says_how_small_its_model_may_be(tmp_path, name, best):
    height, width, web, flange = SECTIONS[name]
    part = stl(tmp_path / "section.stl", i_section(height, width, web, flange, 300))
    made = scales(part, rule_file(tmp_path))
    assert made["best"] == best
    held = at(made, made["held_back_at"])
    thinnest = held["holding"][0]
    assert thinnest["drawn"]["typical"] == pytest.approx(web, abs=0.01 * held["factor"])
    assert thinnest["verdict"] == "missing"
    # What 0.80 mm printed is at full size.
    assert (thinnest["thinner"], thinnest["thicker"]) == (None, pytest.approx(0.8 * held["factor"]))


def test_a_house_drawn_in_metres(tmp_path):
    part = stl(tmp_path / "house.stl", house(), "m")
    made = scales(part, rule_file(tmp_path), unit="m")
    assert made["size"] == pytest.approx([8000, 6000, 4000])
    assert at(made, "1:100")["thinnest"] == pytest.approx(1.5, abs=0.005)
    assert at(made, "1:200")["thinnest"] == pytest.approx(0.75, abs=0.005)
    assert at(made, "1:500")["thinnest"] == pytest.approx(0.3, abs=0.005)
    thick = [one["printed"]["typical"] for one in at(made, "1:500")["holding"]]
    assert max(thick) == pytest.approx(0.6, abs=0.005)
    assert made["best"] == "1:100"
    # At 1:200 the partition alone is too thin: 0.75 mm; 0.8 mm would be 160 mm at full size.
    (partition,) = at(made, "1:200")["holding"]
    assert partition["drawn"]["typical"] == pytest.approx(150, abs=1)
    assert partition["thicker"] == pytest.approx(160)
    assert partition["location"][0] == pytest.approx(4075, abs=2)
    assert at(made, "1:200")["shares"]["missing"] == pytest.approx(5.4 / 32.5, abs=0.02)
    assert sum(at(made, "1:200")["shares"].values()) == pytest.approx(1)


def test_the_wanted_reduction_is_answered_for(tmp_path):
    part, rules = stl(tmp_path / "house.stl", house(), "m"), rule_file(tmp_path)
    shown, code = run(part, rules, unit="m", wanted="1:200")
    assert code == 1
    assert "What does not come out as asked at 1:200: 1 wall, in m at full size" in shown
    assert "≥ 0.16 m (0.80 mm printed)" in shown
    shown, code = run(part, rules, unit="m", wanted="1:100")
    assert code == 0
    assert "At the wanted 1:100 all walls come out as asked." in shown
    # Not a standard reduction: 150 / 180 = 0.83 mm.
    made = scales(part, rules, unit="m", wanted="1:180")
    assert (at(made, "1:180")["good"], made["best"], made["wanted"]) == (
        True,
        "1:180",
        180.0,
    )


def test_the_table_ends_with_the_caution(tmp_path):
    part = stl(tmp_path / "wall.stl", box([60, 20, 60]))
    told, _ = run(part, rule_file(tmp_path))
    assert told.endswith(f"{cautions.PARTS}\n")


def test_the_table_fits_100_columns_and_names_the_best(tmp_path):
    part = stl(tmp_path / "house.stl", house(), "m")
    shown, code = run(part, rule_file(tmp_path), unit="m")
    assert code == 0
    _, table = shown.split("\n\n", 1)
    assert max(map(len, table.splitlines())) <= 100
    assert f"{part.as_posix()}: 8 × 6 × 4 m at full size" in shown
    assert "come out as asked: 1:100, 80 × 60 × 40 mm, fits the build volume" in " ".join(
        shown.split()
    )
    (row,) = (line.split() for line in shown.splitlines() if line.strip().startswith("1:200 "))
    assert row[-6:] == ["0.75", "83", "%", "17", "%", "no"]
    assert "1:1, 1:2, 1:5: too large, not measured." in shown


def test_the_unit_of_the_file_is_taken_unless_one_is_given(tmp_path):
    rules = rule_file(tmp_path)
    part = stl(tmp_path / "house.stl", house(), "m")
    assert scales(part, rules)["size"] == pytest.approx([8, 6, 4])
    (tmp_path / "wallguard.yaml").write_text(
        "wallguard: 1\nunit: m\nparts:\n  - {files: house.stl, rules: rules.yaml, scale: '1:50'}\n"
    )
    # The scale of the repository is left out of account, its unit is not.
    assert scales(part, rules)["size"] == pytest.approx([8000, 6000, 4000])
    assert scales(part, rules, unit="cm")["size"] == pytest.approx([80, 60, 40])


def test_the_part_stands_as_the_repository_says(tmp_path):
    rules = rule_file(tmp_path)
    part = stl(tmp_path / "plate.stl", box([40, 40, 2]))
    assert at(scales(part, rules), "1:1")["thinnest"] is None
    (tmp_path / "wallguard.yaml").write_text(
        "wallguard: 1\nparts:\n  - {files: plate.stl, rules: rules.yaml, up: +x}\n"
    )
    assert at(scales(part, rules), "1:1")["thinnest"] == pytest.approx(2)


def test_hollow_walls_come_back_so_a_larger_model_may_be_worse(tmp_path):
    bands = RULES.replace(
        "  - {from: 0.8, fill: solid}",
        "  - {from: 0.8, to: 1.3, fill: solid}\n  - {from: 1.3, to: 1.7, fill: hollow}\n"
        "  - {from: 1.7, fill: solid}",
    )
    part = stl(tmp_path / "tube.stl", box([30, 3.0, 30]))
    made = scales(part, rule_file(tmp_path, bands))
    good = {one["name"] for one in made["reductions"] if one["good"]}
    assert good == {"1:1"}
    part = stl(tmp_path / "wall.stl", box([60, 7.5, 60]))
    made = scales(part, rule_file(tmp_path, bands))
    assert [at(made, one)["good"] for one in ("1:2", "1:5", "1:10")] == [True, False, False]
    # 1.5 mm at 1:5 is hollow: 1.29 or 1.70 mm printed are good, so 6.45 or 8.5 mm drawn.
    (wall,) = at(made, "1:5")["holding"]
    assert (wall["thinner"], wall["thicker"]) == (pytest.approx(6.45), pytest.approx(8.5))
    # Nothing is good below 0.80 mm, nor is 1.30 mm; from 1.70 mm on all is.
    assert (wall["thinner_from"], wall["thicker_to"]) == (pytest.approx(4), None)
    shown, _ = run(part, tmp_path / "rules.yaml", wanted="1:5")
    assert "4 to 6.45 mm (0.80-1.29 mm printed) or ≥ 8.5 mm (1.70 mm printed)" in " ".join(
        shown.split()
    )
    assert max(map(len, shown.split("draw instead", 1)[1].splitlines())) <= 100


def test_a_minimum_holds_back_too(tmp_path):
    rules = rule_file(tmp_path, RULES + "minimum:\n  wall: {warn: 1.2}\n")
    part = stl(tmp_path / "wall.stl", box([60, 2, 60]))
    made = scales(part, rules)
    (wall,) = at(made, "1:2")["holding"]
    assert (made["best"], wall["verdict"], wall["least"]) == ("1:1", "thin", 1.2)
    assert wall["thicker"] == pytest.approx(2.4)


def test_an_outcome_that_the_rules_ignore_is_as_asked(tmp_path):
    rules = rule_file(tmp_path, RULES + "outcomes: {missing: ignore}\n")
    part = stl(tmp_path / "wall.stl", box([60, 2, 60]))
    made = scales(part, rules)
    assert at(made, "1:10")["good"]
    assert at(made, "1:10")["shares"] == {"missing": 1}


def test_round_columns_count(tmp_path):
    column = m3.Manifold.cylinder(4000, 150, 150, 64).translate([2000, 2000, 0])
    part = stl(tmp_path / "column.stl", box([4000, 4000, 300]) + column)
    made = scales(part, rule_file(tmp_path))
    (pin,) = (one for one in at(made, "1:500")["holding"] if one["kind"] == "pin")
    assert (pin["verdict"], pin["drawn"]["typical"]) == ("missing", pytest.approx(300))
    assert (pin["thinner"], pin["thicker"]) == (None, pytest.approx(400))
    assert "(pin)" in run(part, tmp_path / "rules.yaml", wanted="1:500")[0]


def test_specks_refuse_no_model_of_good_walls(tmp_path):
    """Dowels of 6 mm are 0.05 mm at 1:125: they are 5 % of all there is, and nothing to print."""
    solid = box([3000, 150, 2000])
    for at_x in range(100, 2900, 240):
        solid += box([6, 6, 60], [at_x, 70, 1999])
    made = at(
        scales(stl(tmp_path / "wall.stl", solid), rule_file(tmp_path), wanted="1:125"), "1:125"
    )
    assert made["shares"]["missing"] > 0.01
    assert (made["good"], made["holding"], made["note"]) == (True, [], "")


@pytest.mark.parametrize(("end", "good"), [(78.7, True), (78.6, False)])
def test_a_bit_of_a_wall_refuses_no_model(tmp_path, end, good):
    """A wall of 4 m that narrows from 150 mm: at 1:100 it is thinner than 0.80 mm, rounded to
    hundredths, on 0.06 mm of its length, and on 0.11 mm, which is something to lose."""
    outline = m3.CrossSection([np.array([(0, 0), (4000, 0), (4000, 150), (0, end)])])
    part = stl(tmp_path / "wall.stl", m3.Manifold.extrude(outline, 1000))
    made = at(scales(part, rule_file(tmp_path), wanted="1:100"), "1:100")
    assert 0 < made["shares"]["missing"] < 0.01
    assert (made["good"], len(made["holding"])) == (good, 0 if good else 1)


def test_a_wall_that_leans_is_told_as_callipers_read_it(tmp_path):
    """At 45 degrees 1.00 mm is 1.41 in the layers, which is hollow; 1.30 there are 0.91 square
    to it, and 1.70 are 1.20."""
    bands = RULES.replace(
        "  - {from: 0.8, fill: solid}",
        "  - {from: 0.8, to: 1.3, fill: solid}\n  - {from: 1.3, to: 1.7, fill: hollow}\n"
        "  - {from: 1.7, fill: solid}",
    )
    part = stl(tmp_path / "wall.stl", leaning_wall(10, 45, height=300).scale([1, 20, 1]))
    made = at(scales(part, rule_file(tmp_path, bands), wanted="1:10"), "1:10")
    (wall,) = made["holding"]
    assert made["thinnest"] == pytest.approx(1, abs=0.005)
    assert (wall["verdict"], wall["lean"]) == ("hollow", 45)
    assert wall["drawn"]["typical"] == pytest.approx(10, abs=0.05)
    assert wall["printed"]["typical"] == pytest.approx(1, abs=0.005)
    assert (wall["thinner"], wall["thicker"]) == (pytest.approx(9.1), pytest.approx(12.0))
    shown = run(part, tmp_path / "rules.yaml", wanted="1:10")[0]
    assert "Walls that lean are told as callipers read them, square to the wall." in shown


def test_no_advice_names_the_thickness_that_is_drawn():
    """A chimney of 0.12 m: what to draw instead reads otherwise, however much it is reduced."""
    for beads in BEADS:
        table, tolerance = band_table(rules_of(beads)), (0.1, 0.1)
        for factor in (50, 75, 100, 125, 150, 200, 250):
            thickness = 120 / factor
            if table.classify(thickness, tolerance) != "solid":
                for good in nearest_drawn(table, thickness, tolerance, 0.0, (1.0, 1.0)):
                    ends = [end for end in good or () if math.isfinite(end)]
                    assert "0.12" not in [in_unit(end * factor, "m") for end in ends]


def test_a_model_that_vanishes_is_not_good(tmp_path):
    part = stl(tmp_path / "wall.stl", box([60, 20, 60]))
    made = scales(part, rule_file(tmp_path))
    assert not at(made, "1:200")["good"]
    last = at(made, "1:10000")
    assert (last["measured"], last["good"]) == (False, False)
    assert last["note"] == "less than half a layer high: nothing is printed"


def test_a_model_too_small_to_hold_a_wall_is_not_good(tmp_path):
    """At 1:100 it is 0.4 × 0.3 × 0.1 mm: too short to be called a wall, and lost as a whole."""
    solid = box([40, 1.8, 10]) + box([40, 30, 3])
    made = scales(stl(tmp_path / "block.stl", solid), rule_file(tmp_path))
    speck = at(made, "1:100")
    assert (speck["measured"], speck["walls"], speck["good"]) == (True, 0, False)
    assert speck["note"].endswith("nothing is printed")


def test_tall_models_are_measured_in_thicker_layers_and_say_so(tmp_path):
    part = stl(tmp_path / "mast.stl", box([20, 2, 700]))
    rules = rule_file(tmp_path, RULES.replace("layer_height: 0.2", "layer_height: 0.1"))
    made = scales(part, rules)
    assert at(made, "1:1")["layer_height"] == pytest.approx(0.35)
    assert at(made, "1:10")["layer_height"] == 0.1
    assert at(made, "1:1")["thinnest"] == pytest.approx(2, abs=0.005)
    assert "in layers thicker than 0.1 mm" in run(part, rules)[0]


def test_two_runs_are_the_same(tmp_path):
    part, rules = stl(tmp_path / "house.stl", house(), "m"), rule_file(tmp_path)
    for as_json in (False, True):
        one = run(part, rules, unit="m", as_json=as_json)
        assert one == run(part, rules, unit="m", as_json=as_json)


@pytest.mark.parametrize(
    "wanted", ["200", "1:0", "1:x", "2:1", "1:", "1:1e3", "1:99999999", "-1:2"]
)
def test_what_is_no_reduction_is_refused(tmp_path, wanted):
    part = stl(tmp_path / "wall.stl", box([60, 20, 60]))
    with pytest.raises(InputError, match="not a reduction between 1:1 and"):
        run(part, rule_file(tmp_path), wanted=wanted)


def test_a_part_or_rules_that_cannot_be_used(tmp_path):
    rules = rule_file(tmp_path)
    (tmp_path / "empty.stl").write_bytes(b"")
    with pytest.raises(InputError, match=r"empty\.stl"):
        run(tmp_path / "empty.stl", rules)
    part = stl(tmp_path / "wall.stl", box([60, 20, 60]))
    with pytest.raises(InputError, match=r"none\.yaml"):
        run(part, tmp_path / "none.yaml")


def test_an_open_mesh_is_spoken_of(tmp_path):
    drawn = mesh(box([60, 20, 60]))
    part = stl(tmp_path / "wall.stl", box([60, 20, 60]))
    content = part.read_bytes()
    count = len(drawn.triangles) - 1
    part.write_bytes(content[:80] + np.uint32(count).tobytes() + content[84:-50])
    assert "The mesh is not sound" in run(part, rule_file(tmp_path))[0]


def test_the_reductions_are_the_standard_ones():
    # ISO 5455:1979, reduction scales (from memory): 1, 2 and 5 times powers of ten.
    wanted = {n * 10**power for n in (1, 2, 5) for power in range(5)} - {20_000, 50_000}
    assert set(STANDARD) == wanted
    assert [ratio(factor) for factor in STANDARD[:4]] == ["1:1", "1:2", "1:5", "1:10"]


def test_a_table_without_a_build_volume(tmp_path):
    text = RULES.replace("build_volume: [200, 200, 200]\n", "")
    part = stl(tmp_path / "wall.stl", box([60, 20, 60]))
    made = scales(part, rule_file(tmp_path, text))
    assert {one["fits"] for one in made["reductions"]} == {None}
    assert "build volume" not in run(part, tmp_path / "rules.yaml")[0]


def test_no_length_is_written_as_a_power_of_ten_and_nothing_good_is_a_dash(tmp_path):
    bands = RULES.replace("fill: solid", "fill: hollow")
    part = stl(tmp_path / "wall.stl", box([60000, 111.7, 11170]))
    shown, _ = run(part, rule_file(tmp_path, bands), wanted="1:100")
    assert "60000 × 111.7 × 11170 mm at full size" in shown
    assert "e+" not in shown
    (row,) = (line for line in shown.splitlines() if line.startswith("111.7 "))
    assert row.split()[-1] == "-"


def test_limits_that_are_not_looked_at_are_named(tmp_path):
    part = stl(tmp_path / "plate.stl", box([20, 2, 10]))
    limits = "minimum: {wall: {fail: 0.8}, gap: {fail: 0.3}, edge: {warn: 20}}\n"
    shown, _ = run(part, rule_file(tmp_path, RULES + limits))
    said = " ".join(shown.split())
    assert "For the other limits of these rules (`gap`, `edge`), check the part" in said
    shown, _ = run(part, rule_file(tmp_path))
    assert "Only walls were looked at" in shown
    assert "other limits" not in shown


def test_a_model_of_powder_thinner_than_a_layer_or_than_any_wall_is_not_good(tmp_path):
    part = stl(tmp_path / "block.stl", box([20, 20, 10]))
    rules = rule_file(
        tmp_path,
        "wallguard: 1\nname: Powder\nprocess: {category: powder bed fusion}\nlayer_height: 0.1\n"
        "growth: 0.05\nminimum: {wall: {fail: 0.7}}\n",
    )
    shown, _ = run(part, rules, as_json=True)
    good = {each["name"]: each["good"] for each in json.loads(shown)["reductions"]}
    # 10 mm at 1:10 are 1 mm, at 1:20 half a millimetre, at 1:500 less than half a layer.
    assert good["1:10"] and not good["1:20"] and not good["1:500"]
    assert json.loads(shown)["best"] == "1:10"
