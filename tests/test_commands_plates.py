"""`wallguard toolpath --parts`: plates with several parts and copies, folders, and packages."""

import json
import re
import struct
import zipfile
from pathlib import Path

import pytest
from shapely.affinity import translate
from solids import box, save
from test_commands_toolpath import RULES
from toolpaths import Program, bar

from wallguard.base.errors import InputError
from wallguard.commands.main import main
from wallguard.toolpath import container
from wallguard.toolpath.reader import read_toolpath

LAYERS = 10


def plate(*things, layers=LAYERS):
    """A program that lays, layer by layer, bars (length, thickness, x, y), each filled or not."""
    made = Program(shift=(0, 0))
    for number in range(layers):
        made.layer(number)
        for length, thickness, (x, y), filled in things:
            made.loops(translate(bar(length, thickness), x, y), 1)
            if filled:
                ends = (length - thickness) / 2
                made.path([(x - ends, y), (x + ends, y)], width=0.45)
    return made.text()


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Three parts: a bar, a longer one, and one that no plate holds; a plate of both, the short one
    twice, one of these hollow, and of something else."""
    for name, length in (("short", 30), ("long", 50), ("absent", 41)):
        save(tmp_path / f"parts/{name}.stl", box([length, 1.35, 2], [-length / 2, -0.675, 0]))
    (tmp_path / "rules.yaml").write_text(RULES)
    things = [
        (30, 1.35, (40, 40), True),
        (30, 1.35, (40, 60), False),
        (50, 1.35, (60, 80), True),
    ]
    (tmp_path / "plate.gcode").write_text(plate(*things))
    (tmp_path / "strange.gcode").write_text(plate(*things, (12, 1.35, (100, 20), True)))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*words):
    code = main(["toolpath", *words, "--json", "report.json"])
    return code, json.loads(Path("report.json").read_text())


def test_each_part_is_found_placed_and_judged(folder):
    code, report = run("plate.gcode", "--parts", "parts", "--rules", "rules.yaml")
    parts = {Path(part["path"]).stem: part for part in report["parts"]}
    assert code == 1 and {*parts} == {"short", "long"}
    assert parts["long"]["status"] == "passed" and parts["short"]["status"] == "failed"
    said = " ".join(finding["message"] for finding in parts["short"]["findings"])
    assert "on copy 2 of 2, at X 40 Y 60 of the plate" in said
    assert "X 60.00 Y 80.00" in " ".join(parts["long"]["facts"])
    (absent,) = report["left_out"]
    assert absent["path"].endswith("absent.stl") and "not on plate.gcode" in absent["why"]
    assert report["remarks"] == []


def test_what_belongs_to_none_is_told(folder, capsys):
    code, report = run("strange.gcode", "--parts", "parts", "--rules", "rules.yaml")
    (remark,) = report["remarks"]
    found = re.search(
        r"(\d+) mm³ in 10 layers, at X (\d+) to (\d+) Y (\d+) to (\d+)", remark["message"]
    )
    # 12 x 1.35 x 2 mm, less the corners that beads round off.
    assert 24 <= int(found[1]) <= 34
    assert (int(found[2]), int(found[3])) == (94, 106) and 19 <= int(found[4]) <= 20
    assert code == 1


def test_a_plate_that_holds_none_of_the_parts(folder, capsys):
    (folder / "other.gcode").write_text(plate((20, 2.7, (40, 40), True)))
    code, report = run("other.gcode", "--parts", "parts")
    assert code == 2 and report["parts"] == []
    assert report["troubles"][0]["message"] == (
        "other.gcode: makes none of the 3 parts that may be on it."
    )
    # Why not is told of each, once, and without naming again what is named already.
    assert len(report["left_out"]) == 3
    for each in report["left_out"]:
        assert each["why"].startswith("not on other.gcode: ")
        assert each["path"] not in each["why"] and "does not make" not in each["why"]


def test_a_folder_of_toolpaths_gives_one_summary(folder, capsys):
    plates = folder / "plates"
    plates.mkdir()
    (folder / "plate.gcode").rename(plates / "a.gcode")
    (plates / "b.gcode").write_text(plate((50, 1.35, (60, 80), True)))
    (plates / "notes.txt").write_text("no toolpath")
    code, report = run("plates", "--parts", "parts", "--rules", "rules.yaml")
    sources = sorted({part["rules"].partition(",")[0] for part in report["parts"]})
    assert code == 1 and sources == ["plates/a.gcode", "plates/b.gcode"]
    assert len(report["parts"]) == 3
    assert [each["why"] for each in report["left_out"]] == ["on none of the plates"]


def test_a_broken_part_is_an_error_and_the_others_are_judged(folder):
    (folder / "parts/broken.stl").write_text("no mesh")
    code, report = run("plate.gcode", "--parts", "parts")
    statuses = {Path(part["path"]).stem: part["status"] for part in report["parts"]}
    assert code == 2 and statuses["broken"] == "error" and "long" in statuses


def test_two_parts_that_are_alike_are_not_both_there(folder):
    save(folder / "parts/nearly.stl", box([29.7, 1.35, 2], [-14.85, -0.675, 0]))
    _, report = run("plate.gcode", "--parts", "parts", "--rules", "rules.yaml")
    assert {Path(part["path"]).stem for part in report["parts"]} == {"short", "long"}


def packed(path, **entries):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as made:
        for name, text in entries.items():
            made.writestr(name.replace("__", "/"), text)


def test_toolpaths_in_a_package_are_read(folder):
    text = (folder / "plate.gcode").read_text()
    packed(folder / "plate.3mf", **{"Metadata/plate_1.gcode": text, "3D/3dmodel.model": "<x/>"})
    code, report = run("plate.3mf", "--parts", "parts", "--rules", "rules.yaml")
    assert code == 1 and len(report["parts"]) == 2
    two = {"Metadata/plate_1.gcode": text, "Metadata/plate_2.gcode": text}
    packed(folder / "plates.3mf", **two)
    code, report = run("plates.3mf", "--parts", "parts", "--rules", "rules.yaml")
    assert {part["rules"].partition(",")[0] for part in report["parts"]} == {
        "plates.3mf::Metadata/plate_1.gcode",
        "plates.3mf::Metadata/plate_2.gcode",
    }


def test_one_of_several_toolpaths_may_be_named(folder):
    text = (folder / "plate.gcode").read_text()
    packed(folder / "a.zip", **{"one.gcode": text, "two.gcode": "G1 X1\n"})
    words = ["--part", "parts/long.stl", "--rules", "rules.yaml"]
    assert main(["toolpath", "a.zip::one.gcode", *words]) == 0
    with pytest.raises(InputError, match=r"holds 2 toolpaths: one\.gcode, two\.gcode"):
        read_toolpath(Path("a.zip"))
    with pytest.raises(InputError, match=r"holds no toolpath none.gcode. It holds: one.gcode"):
        read_toolpath(Path("a.zip::none.gcode"))


def test_a_package_without_a_toolpath(folder):
    packed(folder / "a.zip", **{"readme.txt": "x"})
    with pytest.raises(InputError, match="holds no toolpath"):
        container.toolpaths_in(folder / "a.zip")


def test_a_package_that_unpacks_to_far_too_much_is_cut_off(folder):
    with (
        zipfile.ZipFile(folder / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as made,
        made.open("a.gcode", "w") as entry,
    ):
        for _ in range(70):
            entry.write(b"G1 X1\n" * 170_000)
    with pytest.raises(InputError, match="MiB of text, packed in"):
        read_toolpath(folder / "bomb.zip")


def test_a_package_that_lists_millions_of_entries_is_refused_before_it_is_read(folder):
    end = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 65000, 65000, 46 * 65000, 4, 0)
    (folder / "many.zip").write_bytes(b"PK\x03\x04" + b"PK\x01\x02" + bytes(46 * 65000) + end)
    with pytest.raises(InputError, match="more than 10000 entries"):
        read_toolpath(folder / "many.zip")
    (folder / "cut.zip").write_bytes(b"PK\x03\x04" + bytes(100))
    with pytest.raises(InputError, match="is not a whole zip package"):
        read_toolpath(folder / "cut.zip")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["plate.gcode", "--parts", "none"], "there is no such folder"),
        (["plate.gcode", "--parts", "empty"], "there is no part in this folder"),
        (["empty", "--parts", "parts"], "there is no toolpath in this folder"),
        (["plate.gcode", "--parts", "parts", "--place", "1,2"], "this is for one part"),
        (["plate.gcode", "--parts", "parts", "--against", "plate.gcode"], "this is for one part"),
    ],
)
def test_what_cannot_be_asked(folder, capsys, words, says):
    (folder / "empty").mkdir()
    assert main(["toolpath", *words]) == 2
    assert says in capsys.readouterr().err


def test_a_customer_gets_a_page_of_a_plate(folder):
    words = ["strange.gcode", "--parts", "parts", "--rules", "rules.yaml", "--html", "p.html"]
    assert main(["toolpath", *words, "--for", "customer"]) == 1
    text = Path("p.html").read_text()
    assert "absent.stl: not on strange.gcode" in text and "belong to none of these parts" in text
    assert "short.stl" in text and "data:image/svg" in text
