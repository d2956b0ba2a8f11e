"""The pytest plugin as a designer's own tests use it."""

import subprocess
import sys
import tomllib
from importlib.metadata import entry_points
from pathlib import Path
from xml.etree import ElementTree

import pytest
from solids import box, save

pytest_plugins = ["pytester"]

ROOT = Path(__file__).resolve().parents[1]
NAME = "wallguard.testing.plugin"
# Where it is installed as it should be, pytest finds it by itself.
REGISTERED = any(each.value == NAME for each in entry_points(group="pytest11"))
LOAD = () if REGISTERED else ("-p", NAME)

# Of a wall 1.5 mm thick the room between two contours of two beads is 1.5 - 4 · 0.52 < 0, between
# two of one 1.5 - 2 · 0.52 = 0.46 mm: more than is squeezed shut (0.18), less than a bead that
# fills it (0.58), so that it comes out hollow with 0.46 mm of air: by hand, from `bands.beads`.
RULES = """\
wallguard: 1
name: bench printer, grey
process: {category: material extrusion}
layer_height: 0.2
beads: {width: 0.52, contours: 2, smallest_wall: 0.42, squeeze: 0.18, smallest_fill: 0.58,
        spacing: width, width_varies: false, between_one_and_two: two beads}
minimum: {wall: {fail: 0.5}}
"""
PARTS = """\
import manifold3d as m3

def rib(thickness=1.5):
    return m3.Manifold.cube([40, thickness, 10])
"""


@pytest.fixture
def design(pytester, monkeypatch):
    """A design repository with tests of its own."""
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    pytester.mkdir("rules")
    for name in ("grey", "wide"):
        (pytester.path / f"rules/{name}.yaml").write_text(RULES)
    pytester.makepyfile(parts=PARTS)
    return pytester


def run(design, *words):
    return design.runpytest_subprocess(*LOAD, "-p", "no:cacheprovider", *words)


def test_the_plugin_is_declared():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["entry-points"]["pytest11"] == {"wallguard": NAME}
    assert any(each.startswith("pytest") for each in project["optional-dependencies"]["pytest"])


def test_loading_it_costs_nothing():
    code = f"import sys, {NAME}; print(sorted({{'numpy', 'yaml'}} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_a_part_that_comes_out_hollow_fails_with_place_and_advice(design):
    design.makepyfile(
        """
        from parts import rib

        def test_rib(walls):
            walls.check(rib(), rules="rules/grey.yaml")

        def test_good_rib(walls):
            report, = walls.check(rib(2.0), rules="rules/grey.yaml")
            assert report.status == "passed"
        """
    )
    result = run(design)
    result.assert_outcomes(passed=1, failed=1)
    out = result.stdout.str()
    result.stdout.fnmatch_lines(
        [
            '>*walls.check(rib(), rules="rules/grey.yaml")',
            "E*Failed: test_rib: wall 1.50 mm thick at (20.0, 0.8, 5.0), 38.5? mm long, will "
            "print hollow, with about 0.46 mm of air",
            "E*x failed  test_rib  (rules/grey.yaml)",
            "E*-> draw*",
            "E*Calculated, never measured: rules/grey.yaml.",
            "E*A pass speaks of geometry only.*",
        ]
    )
    # No line of wallguard's own.
    assert "wallguard/testing" not in out.replace("\\", "/")


def test_numbers_to_assert(design):
    design.makepyfile(
        """
        import math
        import manifold3d as m3
        from parts import rib

        def test_numbers(walls):
            plate = m3.Manifold.cube([30, 4, 20]) - m3.Manifold.cylinder(50, 2, 2, 64).translate(
                [10, 2, -1])
            part = rib() + rib(0.8).translate([0, 2.1, 0])
            assert walls.thickness(part) == 0.8
            assert walls.gap(part) == 0.6
            assert walls.hole(m3.Manifold.cube([30, 30, 20]) - m3.Manifold.cylinder(
                50, 2, 2, 64).translate([10, 10, -1])) == 4.0
            assert walls.pin(m3.Manifold.cylinder(10, 1.5, 1.5, 64)) == 3.0
            assert walls.of(part, rules="rules/grey.yaml").thinnest == 0.8
            assert walls.of(part).holes == ()
            assert walls.of(part).smallest_hole == math.inf
            assert len(walls.of(part).walls) == 2

        def test_too_thin(walls):
            assert walls.of(rib(0.8), name="rib").thinnest >= 1.2
        """
    )
    result = run(design)
    result.assert_outcomes(passed=1, failed=1)
    result.stdout.fnmatch_lines(
        ["E*assert 0.8 >= 1.2", "E*<rib: thinnest wall 0.80 mm at (20.0, 0.4, 5.0)>*"]
    )


def test_a_test_is_run_for_each_rule_file_of_its_marker(design):
    design.makepyfile(
        """
        import pytest
        from parts import rib

        @pytest.mark.wallguard("rules/grey.yaml", "rules/wide.yaml")
        def test_rib(walls):
            walls.check(rib(2.0))

        @pytest.mark.wallguard("rules/*.yaml")
        @pytest.mark.parametrize("thickness", [1.5, 2.0])
        def test_ribs(walls, thickness):
            walls.check(rib(thickness))
        """
    )
    result = run(design, "--strict-markers", "-v")
    result.assert_outcomes(passed=4, failed=2)
    result.stdout.fnmatch_lines(["*::test_rib?rules/grey.yaml? PASSED*"])
    result.stdout.fnmatch_lines(["*::test_ribs?rules/wide.yaml-1.5? FAILED*"])
    design.makepyfile(
        """
        import pytest

        @pytest.mark.wallguard("rules/none-*.yaml")
        def test_rib(walls): ...
        """
    )
    result = run(design)
    result.stdout.fnmatch_lines(["test_rib: no rule file is called rules/none-[*].yaml. It was*"])
    result.stdout.no_fnmatch_line("*_caller.py*")


def test_paths_answer_to_their_wallguard_yaml(design):
    (design.path / "wallguard.yaml").write_text(
        "wallguard: 1\nparts:\n  - {files: '*.stl', rules: rules/grey.yaml, up: +y}\n"
    )
    save(design.path / "rib.stl", box([40, 10, 1.5]))
    sub = design.mkpydir("tests")
    (sub / "test_files.py").write_text(
        "import pytest\n"
        "def test_rib(walls):\n    walls.check('rib.stl')\n"
        "def test_lying(walls):\n    walls.check('rib.stl', up='+z')\n"
        "def test_named(walls):\n    walls.check('rib.stl', name='the rib')\n"
        "@pytest.mark.wallguard\ndef test_bare(walls):\n    walls.check('rib.stl')\n"
    )
    result = run(design)
    # A marker that names no rule file skips nothing.
    result.assert_outcomes(passed=1, failed=3)
    result.stdout.fnmatch_lines(["*Failed: rib.stl: wall 1.50 mm thick*will print hollow*"])
    result.stdout.fnmatch_lines(["*Failed: the rib: wall 1.50 mm thick*will print hollow*"])


def test_what_cannot_be_used_fails_in_plain_words(design):
    design.makepyfile(
        """
        def test_nothing(walls):
            walls.check(object(), rules="rules/grey.yaml")

        def test_no_rules(walls):
            walls.check([[0, 0, 0]])

        def test_no_such_rules(walls):
            walls.check("rib.stl", rules="rules/none.yaml")

        class Broken:
            def tessellate(self, chord, angle):
                raise RuntimeError("no fillet of this radius fits")

        def test_broken(walls):
            walls.thickness(Broken())

        def test_loaded(walls):
            import wallguard
            from parts import rib
            walls.of(wallguard.part_from(rib()), up="+x")
        """
    )
    result = run(design)
    result.assert_outcomes(failed=5)
    result.stdout.fnmatch_lines(["*Failed: test_loaded: this part is loaded already, and lies as*"])
    out = result.stdout.str()
    assert "Failed: test_nothing: this gives no triangles: object. Return a solid" in out
    assert "Failed: test_no_rules: no rule file is named that it could be held against" in out
    assert "rules/none.yaml" in out
    assert "its triangles cannot be had (RuntimeError: no fillet of this radius fits)" in out
    assert "wallguard/mesh" not in out.replace("\\", "/")


def test_warnings_are_told_as_warnings(design):
    rules = design.path / "rules/grey.yaml"
    rules.write_text(RULES.replace("{fail: 0.5}", "{warn: 2.5}"))
    design.makepyfile(
        """
        from parts import rib

        def test_rib(walls):
            walls.check(rib(2.0), rules="rules/grey.yaml")
        """
    )
    result = run(design)
    result.assert_outcomes(passed=1, warnings=1)
    result.stdout.fnmatch_lines(["*WallsWarning: test_rib (rules/grey.yaml): wall 2.00 mm*"])


def test_pictures_and_properties_with_two_workers(design):
    design.makepyfile(
        """
        import pytest
        from parts import rib

        @pytest.mark.parametrize("thickness", [1.4, 1.5, 2.0])
        @pytest.mark.wallguard("rules/*.yaml")
        def test_rib(walls, thickness):
            walls.check(rib(thickness))
        """
    )
    words = ["--wallguard-pictures=shown", "--wallguard-junit", "--junit-xml=all.xml"]
    results = []
    for workers in ("0", "2"):
        result = run(design, *words, "-n", workers)
        result.assert_outcomes(passed=2, failed=4)
        pictures = sorted(path.name for path in (design.path / "shown").rglob("*.svg"))
        cases = ElementTree.parse(design.path / "all.xml").iter("testcase")
        said = {
            case.get("name"): [
                (each.get("name"), each.get("value")) for each in case.iter("property")
            ]
            for case in cases
        }
        results.append((pictures, said))
    assert results[0] == results[1]
    pictures, said = results[0]
    assert len(pictures) == 4
    assert (
        "picture: shown/test_pictures_and_properties_with_two_workers/test-rib-"
        in result.stdout.str()
    )
    for name, properties in said.items():
        known = dict(properties)
        assert known["wallguard result"] == ("passed" if "2.0" in name else "failed")
        assert known["wallguard process"] == "bench printer, grey"
        assert ("will print hollow" in known.get("wallguard finding", "")) == ("2.0" not in name)


def test_without_the_option_no_properties_and_no_pictures(design):
    design.makepyfile(
        """
        from parts import rib

        def test_rib(walls):
            walls.check(rib(), rules="rules/grey.yaml")
        """
    )
    run(design, "--junit-xml=all.xml").assert_outcomes(failed=1)
    assert list(ElementTree.parse(design.path / "all.xml").iter("property")) == []
    assert not (design.path / "shown").exists()


def test_the_example_of_the_readme_does_what_it_says(design):
    """The block under "CAD as code", and how the README shows the failure."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    section = readme.partition("## CAD as code")[2].partition("\n## ")[0]
    code = section.partition("```python\n")[2].partition("```")[0]
    shown = section.partition("```text\n")[2].partition("```")[0].splitlines()
    (design.path / "parts.py").write_text(PARTS + "\ndef bracket():\n    return rib(1.4)\n")
    for name in ("pla-0.6", "petg-0.4"):
        rules = (ROOT / f"example_repo/rules/{name}.yaml").read_text(encoding="utf-8")
        (design.path / f"rules/{name}.yaml").write_text(rules, encoding="utf-8")
    (design.path / "test_bracket.py").write_text(code)
    result = run(design)
    result.assert_outcomes(passed=2, failed=1)
    lines = [line.rstrip() for line in result.stdout.str().splitlines()]
    assert [line for line in shown if line not in lines] == []
