"""`wallguard toolpath` from the outside: what it prints, writes, and how it ends."""

import json
import re

import jsonschema
import junitparser
import pytest
import shapely
from solids import box, prism, save
from toolpaths import Program, bar

from wallguard.commands.main import main
from wallguard.reports import json_report

RULES = """\
wallguard: 1
name: bench printer, grey
process: {category: material extrusion}
layer_height: 0.2
beads: {width: 0.45, contours: 2, smallest_wall: 0.4, squeeze: 0.1, smallest_fill: 0.4,
        spacing: width, edge_uncertainty: 0}
"""
LAYERS = 10


def program(thickness, loops, *, filling=0.0, shift=(40, 40), text=True, layers=LAYERS):
    made = Program(shift=shift)
    for number in range(layers):
        made.layer(number)
        made.loops(bar(30, thickness), loops)
        if filling:
            made.path([(-15 + thickness / 2, 0), (15 - thickness / 2, 0)], width=filling)
    return made.text() if text else made


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A bar of 1.35 mm, the rules (which say that it comes out solid), and two programs of it."""
    save(tmp_path / "bar.stl", box([30, 1.35, 2], [-15, -0.675, 0]))
    (tmp_path / "rules.yaml").write_text(RULES)
    (tmp_path / "solid.gcode").write_text(program(1.35, 1, filling=0.45))
    (tmp_path / "hollow.gcode").write_text(program(1.35, 1))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*arguments):
    return main(["toolpath", *arguments])


def words(text):
    return re.sub(r"\s+", " ", text)


def test_a_good_toolpath_passes(folder, capsys):
    assert run("solid.gcode", "--part", "bar.stl", "--rules", "rules.yaml") == 0
    told = words(capsys.readouterr().out)
    assert "+ passed bar.stl (solid.gcode, rules.yaml)" in told
    assert "the middle of the part lies at X 40.00 Y 40.00" in told
    assert "beads cover 100% of its sections" in told


def test_a_hollow_wall_fails(folder, capsys):
    assert run("hollow.gcode", "--part", "bar.stl") == 1
    told = words(capsys.readouterr().out)
    assert "wall 1.35 mm thick at" in told
    assert "is laid hollow, with 0.45 mm of air" in told
    assert "draw 0.90 mm, which these beads fill" in told


def test_the_rules_no_longer_describe_the_process(folder, capsys):
    assert run("hollow.gcode", "--part", "bar.stl", "--rules", "rules.yaml") == 1
    told = words(capsys.readouterr().out)
    assert "the rules say solid at 1.35 mm, this toolpath leaves 0.45 mm of air" in told
    assert "the rule file no longer describes this process" in told


def test_rules_that_agree_say_nothing(folder, capsys):
    save(folder / "bar.stl", box([30, 1.15, 2], [-15, -0.575, 0]))
    (folder / "hollow.gcode").write_text(program(1.15, 1))
    assert run("hollow.gcode", "--part", "bar.stl", "--rules", "rules.yaml") == 1
    told = words(capsys.readouterr().out)
    assert "is laid hollow, with 0.25 mm of air" in told
    assert "no longer describes" not in told
    assert "-> draw " in told


def test_the_levels_of_the_rules_hold(folder, capsys):
    (folder / "rules.yaml").write_text(RULES + "outcomes: {hollow: warn}\n")
    save(folder / "bar.stl", box([30, 1.15, 2], [-15, -0.575, 0]))
    (folder / "hollow.gcode").write_text(program(1.15, 1))
    assert run("hollow.gcode", "--part", "bar.stl", "--rules", "rules.yaml") == 0
    assert "warn wall 1.15 mm thick" in words(capsys.readouterr().out)


def test_rules_that_say_hollow_where_it_is_solid_only_warn(folder, capsys):
    save(folder / "bar.stl", box([30, 1.15, 2], [-15, -0.575, 0]))
    (folder / "solid.gcode").write_text(program(1.15, 1, filling=0.25))
    assert run("solid.gcode", "--part", "bar.stl", "--rules", "rules.yaml") == 0
    told = words(capsys.readouterr().out)
    assert "warn the rules say hollow with 0.25 mm of air at 1.15 mm, this toolpath lays it" in told


def test_json_says_where_walls_were_measured(folder):
    assert run("hollow.gcode", "--part", "bar.stl", "--json", "out.json") == 1
    text = (folder / "out.json").read_text()
    ((part),) = json.loads(text)["parts"]
    (wall,) = part["walls"]
    assert (wall["fill"], wall["source"]) == ("hollow", "toolpath")
    assert wall["printed"]["value"] == pytest.approx(1.35, abs=0.03)
    assert wall["air"] == pytest.approx(0.45, abs=0.02)
    assert wall["bead"] == pytest.approx(0.45, abs=0.01)
    assert (wall["laid_in"], wall["copy"]) == ([1, 10], 1)
    (finding,) = part["findings"]
    assert finding["subject"]["air"] == wall["air"]
    assert finding["subject"]["copies"] == [1]
    assert "whether this file is safe to run" in " ".join(json.loads(text)["caution"].split())
    assert [(one["check"], one["fill"]) for one in part["findings"]] == [
        ("toolpath_fill", "hollow")
    ]
    # The reader checks the format's schema.
    assert json_report.read(text).exit_code == 1


def test_junit_markdown_and_pictures(folder):
    assert (
        run(
            *("hollow.gcode", "--part", "bar.stl", "--rules", "rules.yaml"),
            *("--junit", "out.xml", "--markdown", "out.md", "--pictures", "pictures"),
        )
        == 1
    )
    (suite,) = junitparser.JUnitXml.fromfile("out.xml")
    failing = {case.name for case in suite if case.result}
    assert failing == {"toolpath_fill", "toolpath_rules"}
    assert "0.45 mm of air" in (folder / "out.md").read_text()
    pictures = sorted((folder / "pictures").iterdir())
    # One for each finding, and the plate.
    assert len(pictures) == 3
    plate = pictures.pop().read_text()
    assert "The plate from above: 1 copy of the part" in plate
    for picture in pictures:
        text = picture.read_text()
        assert text.startswith("<svg")
        assert "fill-hollow" in text
        assert "air 0.45 mm" in text


def test_the_same_run_gives_the_same_pictures(folder):
    for name in ("one", "other"):
        run("hollow.gcode", "--part", "bar.stl", "--pictures", name)
    one, other = (
        {file.name: file.read_bytes() for file in (folder / name).iterdir()}
        for name in ("one", "other")
    )
    assert one == other


def test_several_programs_of_one_part(folder, capsys):
    assert run("solid.gcode", "hollow.gcode", "--part", "bar.stl") == 1
    told = words(capsys.readouterr().out)
    assert "FAILED: 1 of 2 results on 1 part failed" in told


def test_a_program_of_another_part_cannot_be_used(folder, capsys):
    save(folder / "other.stl", box([60, 20, 2]))
    assert run("solid.gcode", "--part", "other.stl") == 2
    told = words(capsys.readouterr().out)
    assert "does not make other.stl" in told
    assert re.search(r"something of 30\.0 × 1\.[34] × 2\.0 mm", told)
    assert "60.0 × 20.0 × 2.0 mm as printed" in told


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"G21\nM83\nG1 X1 Y1 E", "solid.gcode"),
        (b"\x00\x01\x02", "binary"),
        (b"G21\nG1 X5 Y5\n", "feeds no filament"),
    ],
)
def test_what_is_no_program_is_an_error(folder, capsys, content, said):
    (folder / "solid.gcode").write_bytes(content)
    assert run("solid.gcode", "--part", "bar.stl") == 2
    assert said in words(capsys.readouterr().out)


def test_the_filament_and_flow_change_the_beads(folder, capsys):
    # As much filament as for beads twice as large: forced beads make the wall thicker.
    assert run("solid.gcode", "--part", "bar.stl", "--filament", "1.6") == 1
    assert "is laid hollow" in words(capsys.readouterr().out)
    assert run("solid.gcode", "--part", "bar.stl", "--flow", "1.5") == 0
    assert "mm thick (drawn 1.35)" in words(capsys.readouterr().out)


def test_the_rules_may_say_filament_and_flow(folder, capsys):
    text = RULES.replace("{category: material extrusion}", "{category: material extrusion, %s}")
    arguments = ("solid.gcode", "--part", "bar.stl", "--rules", "rules.yaml")
    (folder / "rules.yaml").write_text(text % "filament: 1.6")
    assert run(*arguments) == 1
    assert run(*arguments, "--filament", "1.75") == 0
    capsys.readouterr()
    (folder / "rules.yaml").write_text(text % "flow: 1.5")
    assert run(*arguments) == 0
    assert "mm thick (drawn 1.35)" in words(capsys.readouterr().out)


def test_a_place_can_be_given(folder, capsys):
    assert run("solid.gcode", "--part", "bar.stl", "--place", "40,40") == 0
    assert run("solid.gcode", "--part", "bar.stl", "--place", "auto") == 0
    assert run("solid.gcode", "--part", "bar.stl", "--place", "90,40") == 2
    capsys.readouterr()
    with pytest.raises(SystemExit) as error:
        run("solid.gcode", "--part", "bar.stl", "--place", "here")
    assert error.value.code == 2
    assert "neither auto nor a place" in capsys.readouterr().err


def test_strands_of_impossible_width_are_told(folder, capsys):
    made = program(1.35, 1, filling=0.45, text=False)
    made.path([(-10, 12), (10, 12)], width=9.0)
    (folder / "solid.gcode").write_text(made.text())
    assert run("solid.gcode", "--part", "bar.stl") == 0
    told = words(capsys.readouterr().out)
    assert "1 strand of a width that cannot be laid" in told
    assert "too wide, 9.00 mm wide" in told


def test_copies_are_named(folder, capsys):
    one = program(1.35, 1, text=False)
    for number in range(LAYERS):
        one.layer(number)
        one.shift = (40, 80)
        one.loops(bar(30, 1.35), 1)
    lines = one.text()
    (folder / "hollow.gcode").write_text(lines)
    assert run("hollow.gcode", "--part", "bar.stl") == 1
    told = words(capsys.readouterr().out)
    assert "2 copies, with their middles at X 40.00 Y 40.00; X 40.00 Y 80.00" in told
    # Alike on both: one finding.
    assert "on all 2 copies" in told
    assert "(1 fail)" in told


def test_rules_for_another_category_are_refused(folder, capsys):
    text = "wallguard: 1\nname: resin\nprocess: {category: vat photopolymerization}\n"
    (folder / "rules.yaml").write_text(text + "layer_height: 0.05\n")
    assert run("solid.gcode", "--part", "bar.stl", "--rules", "rules.yaml") == 2
    assert "lays no beads" in capsys.readouterr().err


# Two toolpaths


def test_against_tells_what_gets_worse(folder, capsys):
    arguments = ("hollow.gcode", "--part", "bar.stl", "--against", "solid.gcode")
    assert run(*arguments, "--json", "out.json", "--markdown", "out.md") == 1
    told = words(capsys.readouterr().out)
    assert "solid -> hollow 1 wall" in told
    assert "WORSE: 1 of 1 wall comes out worse" in told
    found = json.loads((folder / "out.json").read_text())
    assert found["schema"] == "wallguard-toolpaths/2"
    assert found["summary"]["worse"] == 1
    (wall,) = found["pairs"]
    assert (wall["before"], wall["after"]) == ("solid", "hollow")
    assert wall["air"][1] == pytest.approx(0.45, abs=0.02)
    assert found["before"]["volume"] > found["after"]["volume"]
    assert "| solid | hollow | 1 |" in (folder / "out.md").read_text()


def test_against_what_gets_better_or_stays_passes(folder, capsys):
    assert run("solid.gcode", "--part", "bar.stl", "--against", "hollow.gcode") == 0
    assert "NOT WORSE" in capsys.readouterr().out
    assert run("solid.gcode", "--part", "bar.stl", "--against", "solid.gcode") == 0
    assert "SAME: all of 1 wall" in capsys.readouterr().out


def test_against_finds_the_wall_wherever_it_lies(folder, capsys):
    (folder / "solid.gcode").write_text(program(1.35, 1, filling=0.45, shift=(120, 33)))
    assert run("hollow.gcode", "--part", "bar.stl", "--against", "solid.gcode") == 1
    assert "solid -> hollow" in words(capsys.readouterr().out)


def test_against_a_wall_that_is_no_longer_laid(folder, capsys):
    solid = box([30, 1.35, 2], [-15, -0.675, 0]) + box([20, 0.4, 2], [-10, 0.2, 2])
    save(folder / "bar.stl", solid)
    made = program(1.35, 1, filling=0.45, text=False)
    (folder / "hollow.gcode").write_text(made.text())
    for number in range(LAYERS, 2 * LAYERS):
        made.layer(number)
        made.path([(-9.8, 0.4), (9.8, 0.4)], width=0.4)
    (folder / "solid.gcode").write_text(made.text())
    assert run("hollow.gcode", "--part", "bar.stl", "--against", "solid.gcode") == 1
    assert "solid -> missing" in words(capsys.readouterr().out)


def test_against_takes_one_toolpath_and_no_junit(folder, capsys):
    arguments = ("--part", "bar.stl", "--against", "solid.gcode")
    assert run("hollow.gcode", "solid.gcode", *arguments) == 2
    assert run("hollow.gcode", *arguments, "--junit", "out.xml") == 2
    assert "two toolpaths are compared with each other" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("files", "why"),
    [
        (("gone.gcode",), "gone.gcode"),
        (("empty.gcode",), "empty.gcode"),
        (("hollow.gcode", "solid.gcode"), "two toolpaths are compared with each other"),
    ],
)
def test_against_that_cannot_be_done_leaves_no_earlier_report(folder, capsys, files, why):
    (folder / "empty.gcode").write_text("")
    arguments = ("--part", "bar.stl", "--against", "solid.gcode", "--json", "o.json")
    arguments = (*arguments, "--markdown", "o.md")
    assert run("hollow.gcode", *arguments) == 1
    assert run(*files, *arguments) == 2
    assert why in capsys.readouterr().err
    found = json.loads((folder / "o.json").read_text())
    assert found["pairs"] == []
    assert why in found["troubles"][0]["message"]
    assert found["summary"]["walls"] == 0
    jsonschema.validate(found, schema_of("toolpath-against", capsys))
    said = (folder / "o.md").read_text()
    assert said.startswith("**Not compared**: it could not be done")
    assert why in said
    assert "hollow |" not in said
    # And what stands there now is replaced like any report.
    assert run("solid.gcode", *arguments) == 0


def lay_bar(made, loops_of, *, thickness=1.35, layers=LAYERS, filling=0.45):
    """The bar on several copies: for each shift, from which layer on its middle is left out."""
    for number in range(layers):
        made.layer(number)
        for shift, hollow_from in loops_of:
            made.shift = shift
            made.loops(bar(30, thickness), 1)
            if number < hollow_from:
                made.path([(-14.3, 0), (14.3, 0)], width=filling)
    return made.text()


FIRST, SECOND = (40, 40), (40, 80)


def test_against_compares_all_copies(folder, capsys):
    """The second copy turned hollow."""
    (folder / "before.gcode").write_text(lay_bar(Program(), [(FIRST, 99), (SECOND, 99)]))
    (folder / "after.gcode").write_text(lay_bar(Program(), [(FIRST, 99), (SECOND, 0)]))
    arguments = ("after.gcode", "--part", "bar.stl", "--against", "before.gcode")
    assert run(*arguments, "--pictures", "pictures") == 1
    told = words(capsys.readouterr().out)
    assert "solid -> hollow" in told
    assert "on copy 2" in told
    names = sorted(path.name for path in (folder / "pictures").iterdir())
    assert names == ["change-001-after.svg", "change-001-before.svg"]
    assert "air 0.45 mm" in (folder / "pictures" / names[0]).read_text()
    (folder / "after.gcode").write_text(lay_bar(Program(), [(FIRST, 99)]))
    assert run(*arguments) == 1
    assert "copies are missing that were there before" in words(capsys.readouterr().out)


ANGLE = shapely.Polygon([(0, 0), (30, 0), (30, 1.35), (1.35, 1.35), (1.35, 16), (0, 16)])
ARMS = [[(0.675, 0.675), (29.3, 0.675)], [(0.675, 0.675), (0.675, 15.3)]]


def lay_angle(laid, arms, *, raft=0, **options):
    """An angle of two walls, of which some arms are filled, and a raft of so many layers."""
    made = Program(**options)
    for number in range(raft):
        made.layer(number)
        for y in range(-6, 24, 2):
            made.path([laid((-6, y)), laid((36, y))])
    ring = shapely.Polygon([laid(point) for point in ANGLE.exterior.coords])
    for number in range(raft, raft + LAYERS):
        made.layer(number)
        made.loops(ring, 1)
        for arm in arms:
            made.path([laid(point) for point in arm], width=0.45)
    return made.text()


def in_a_mirror(point):
    return -point[0], point[1]


def turned_by_30(point):
    x, y = point
    return x * 0.8660254 - y * 0.5, x * 0.5 + y * 0.8660254


def mirrored_and_turned(point):
    return turned_by_30(in_a_mirror(point))


@pytest.mark.parametrize("raft", [0, 3])
@pytest.mark.parametrize(
    "lies", [in_a_mirror, mirrored_and_turned, turned_by_30, lambda point: point]
)
def test_against_a_part_that_was_mirrored_or_turned(folder, capsys, lies, raft):
    """Its short arm comes out hollow afterwards, wherever and however it lies."""
    save(folder / "angle.stl", prism(list(ANGLE.exterior.coords)[:-1], 2.0))
    (folder / "before.gcode").write_text(lay_angle(lambda point: point, ARMS))
    after = lay_angle(lies, ARMS[:1], shift=(90, 70), turns=1, raft=raft)
    (folder / "after.gcode").write_text(after)
    arguments = ("after.gcode", "--part", "angle.stl", "--against", "before.gcode")
    assert run(*arguments, "--json", "out.json", "--pictures", "pictures") == 1
    told = words(capsys.readouterr().out)
    found = json.loads((folder / "out.json").read_text())
    mirrored = lies in (in_a_mirror, mirrored_and_turned)
    assert ("after.gcode lays the part as in a mirror" in told) is mirrored
    assert ("WORSE: one of them lays the part as in a mirror" in told) is mirrored
    assert (found["before"]["mirrored"], found["after"]["mirrored"]) == (False, mirrored)
    assert found["before"]["turned"] == [0.0]
    (angle,) = found["after"]["turned"]
    tilted = lies in (turned_by_30, mirrored_and_turned)
    assert angle == pytest.approx(120 if tilted else 90, abs=0.1)
    assert f"turned by: 0° -> {angle:g}°" in told
    worse = [wall for wall in found["pairs"] if wall["worse"]]
    (wall,) = worse
    assert (wall["before"], wall["after"]) == ("solid", "hollow")
    assert wall["location"][0] == pytest.approx(0.675, abs=0.05)
    assert 1.35 < wall["location"][1] < 16
    assert wall["z"] == pytest.approx([0.0, 2.0], abs=0.01)
    assert wall["air"][1] == pytest.approx(0.45, abs=0.02)
    jsonschema.validate(found, schema_of("toolpath-against", capsys))


def schema_of(name, capsys):
    capsys.readouterr()
    assert main(["schema", name]) == 0
    return json.loads(capsys.readouterr().out)


def test_against_two_that_are_mirrored_alike(folder, capsys):
    save(folder / "angle.stl", prism(list(ANGLE.exterior.coords)[:-1], 2.0))
    (folder / "both.gcode").write_text(lay_angle(in_a_mirror, ARMS))
    assert run("both.gcode", "--part", "angle.stl", "--against", "both.gcode") == 0
    told = words(capsys.readouterr().out)
    assert "both.gcode lays the part as in a mirror" in told
    assert "SAME" in told


def test_a_part_in_a_mirror_is_not_the_part(folder, capsys):
    save(folder / "angle.stl", prism(list(ANGLE.exterior.coords)[:-1], 2.0))
    (folder / "both.gcode").write_text(lay_angle(in_a_mirror, ARMS))
    assert run("both.gcode", "--part", "angle.stl") == 2
    assert "makes angle.stl as in a mirror" in words(capsys.readouterr().out)


@pytest.mark.parametrize("begins", [3, 6])
def test_against_tells_where_a_change_begins(folder, capsys, begins):
    save(folder / "bar.stl", box([30, 1.35, 2], [-15, -0.675, 0]))
    (folder / "before.gcode").write_text(lay_bar(Program(), [(FIRST, 99)]))
    (folder / "after.gcode").write_text(lay_bar(Program(), [(FIRST, begins)]))
    assert run("after.gcode", "--part", "bar.stl", "--against", "before.gcode") == 1
    told = words(capsys.readouterr().out)
    assert f"z {0.2 * begins:.2f} to 2.00: solid, 1.35 mm -> hollow" in told
    where = re.search(
        r"at \(-?\d+\.\d, -?\d+\.\d, (\d+\.\d)\), [\d.]+ mm long, z [1-9]?0?\.?", told
    )
    assert where
    assert float(where[1]) >= 0.2 * begins - 0.05


def test_against_says_where_layers_went(folder, capsys):
    made = Program()
    for number in (0, 1, 2, 4, 5, 6, 7, 8, 9):
        made.layer(number)
        made.loops(bar(30, 1.35), 1)
        made.path([(-14.3, 0), (14.3, 0)], width=0.45)
    (folder / "hollow.gcode").write_text(made.text())
    assert run("hollow.gcode", "--part", "bar.stl", "--against", "solid.gcode") == 1
    told = words(capsys.readouterr().out)
    assert "layers are missing" in told
    assert "from 0.60 to 0.80 mm above the plate nothing is laid now" in told
    assert run("hollow.gcode", "--part", "bar.stl") == 1
    told = words(capsys.readouterr().out)
    assert "from 0.60 to 0.80 mm above the plate nothing is laid, though the part has" in told
    assert "hollow, with" not in told


def test_against_more_fill_is_never_worse(folder, capsys):
    save(folder / "bar.stl", box([37, 3.9, 2], [-18.5, -1.95, 0]))
    for name, spacing in (("less", 3.0), ("more", 0.9)):
        made = Program()
        for number in range(LAYERS):
            made.layer(number)
            made.loops(bar(37, 3.9), 2)
            for x in range(int(34 / spacing)):
                made.path([(-17 + x * spacing, -0.9), (-17 + x * spacing, 0.9)])
        (folder / f"{name}.gcode").write_text(made.text())
    for one, other in (("less", "more"), ("more", "less")):
        assert run(f"{one}.gcode", "--part", "bar.stl", "--against", f"{other}.gcode") == 0
    assert run("more.gcode", "--part", "bar.stl") == 0


def test_a_part_without_walls_is_no_crash(folder, capsys):
    save(folder / "block.stl", box([20, 20, 2], [-10, -10, 0]))
    made = Program()
    for number in range(LAYERS):
        made.layer(number)
        made.loops(bar(20, 20), 22)
    (folder / "block.gcode").write_text(made.text())
    assert run("block.gcode", "--part", "block.stl") == 0
    assert run("block.gcode", "--part", "block.stl", "--against", "block.gcode") == 0
    assert "passed" in capsys.readouterr().out


def test_the_wrong_filament_never_passes(folder, capsys):
    """Three hollow walls, read with beads far too wide: nothing is hollow, and yet it fails."""
    solid = box([30, 1.35, 2], [-15, -0.675, 0])
    for y in (6, 12):
        solid += box([30, 1.35, 2], [-15, y - 0.675, 0])
    save(folder / "bar.stl", solid)
    made = Program()
    for number in range(LAYERS):
        made.layer(number)
        for y in (40, 46, 52):
            made.shift = (40, y)
            made.loops(bar(30, 1.35), 1)
    (folder / "hollow.gcode").write_text(made.text())
    assert run("hollow.gcode", "--part", "bar.stl", "--filament", "2.85") != 0
    told = words(capsys.readouterr().out)
    assert "of the part's outline has a bead's edge within 0.25 mm" in told
    assert "check the filament's diameter" in told
    assert run("hollow.gcode", "--part", "bar.stl") == 1
    assert "is laid hollow" in words(capsys.readouterr().out)


def test_what_is_told_of_a_toolpath(folder, capsys):
    assert run("hollow.gcode", "--part", "bar.stl", "--markdown", "out.md") == 1
    told = words(capsys.readouterr().out)
    assert "beads usually 0.45 mm wide, 10 layers of 0.2 mm, filament of 1.75 mm" in told
    assert "(x -15.00 to 15.00)" in told
    assert "in layers 1 to 10" in told
    assert "could not do all of" not in (folder / "out.md").read_text()


def test_a_priming_line_is_no_warning(folder, capsys):
    made = Program()
    made.layer(0, height=0.3)
    made.path([(-30, -30), (-30, 60)], width=4.0)
    made.z, made.height = 0.0, 0.2
    lines = made.text().rstrip("\n").splitlines()
    (folder / "solid.gcode").write_text(
        "\n".join([*lines, *program(1.35, 1, filling=0.45).splitlines()[3:]])
    )
    assert run("solid.gcode", "--part", "bar.stl") == 0
    assert "cannot be laid" not in words(capsys.readouterr().out)


def test_beads_narrower_than_the_layer_is_high_are_told(folder, capsys):
    assert run("solid.gcode", "--part", "bar.stl", "--filament", "0.9") != 0
    assert "narrower than high" in words(capsys.readouterr().out)


def test_the_size_of_the_whole_part_is_given(folder, capsys):
    """A plate with a small tower on it: its size is the plate's."""
    made = Program()
    for number in range(20):
        made.layer(number)
        made.loops(bar(40, 30) if number < 4 else bar(6, 6), 3)
    (folder / "solid.gcode").write_text(made.text())
    assert run("solid.gcode", "--part", "bar.stl") == 2
    assert re.search(r"something of 40\.\d × 30\.\d × 4\.0 mm", words(capsys.readouterr().out))


def test_a_readme_is_no_toolpath(folder, capsys):
    (folder / "README.md").write_text("# A bar\n\nPrint it upright.\n")
    assert run("README.md", "--part", "bar.stl") == 2
    assert "this is not G-code" in words(capsys.readouterr().out)


def test_advice_is_that_of_the_checks(folder, capsys):
    """1.80 mm is solid by the rules and laid hollow; 1.50 is hollow by both."""
    rules = (
        "beads: {width: 0.45, contours: 1, smallest_wall: 0.4, squeeze: 0.1, "
        "smallest_fill: 0.9, spacing: width, edge_uncertainty: 0}"
    )
    (folder / "rules.yaml").write_text(RULES.rpartition("beads:")[0] + rules + "\n")
    save(folder / "bar.stl", box([30, 1.5, 2], [-15, -0.75, 0]))
    (folder / "hollow.gcode").write_text(program(1.5, 1))
    assert run("hollow.gcode", "--part", "bar.stl", "--rules", "rules.yaml") == 1
    told = words(capsys.readouterr().out)
    assert re.search(r"draw \d\.\d\d-1\.00 or ≥ 1\.80 mm", told)
