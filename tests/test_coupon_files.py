import hashlib
import json
import os
import re
import struct
import subprocess
import sys
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import pytest

from wallguard.base.coupon import SCHEMA
from wallguard.base.errors import InputError
from wallguard.commands.coupon.make import write_coupon
from wallguard.coupon.files import json_bytes
from wallguard.coupon.layout import lay_out
from wallguard.coupon.plan import plan
from wallguard.jobs.characterise import make_coupon
from wallguard.mesh.read import read_mesh
from wallguard.rules.model import Beads, Rules

BEADS = Beads(width=0.45, contours=2, smallest_wall=0.4, squeeze=0.1, smallest_fill=0.3)
HOSTILE = "<script>alert(1)</script> & \"two\" 'one' | `code` [a](http://b) ]]>"


def rules(**changes):
    values = {
        "path": "somewhere/else/petg.yaml",
        "name": "PETG, everyday",
        "category": "material extrusion",
        "layer_height": 0.2,
        "beads": BEADS,
    }
    return Rules(**(values | changes))


def make(given, out, **chosen):
    return write_coupon(make_coupon(given, **chosen), out)


@pytest.fixture(scope="module")
def coupon(tmp_path_factory):
    out = tmp_path_factory.mktemp("coupon") / "c"
    make(rules(), out)
    return out


def contents(folder):
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def small(out, **changes):
    return make(rules(**changes), out, features={"pin"})


# STL and 3MF


def test_stl_and_3mf_hold_the_same_part(coupon):
    stl = read_mesh(coupon / "plate-1.stl")
    packed = read_mesh(coupon / "plate-1.3mf")
    assert (packed.unit, packed.unit_source) == ("mm", "format")
    assert len(stl.triangles) == len(packed.triangles) > 1000
    for mesh in (stl, packed):
        assert mesh.vertices.min(axis=0) == pytest.approx([0, 0, 0])
    assert stl.vertices.max(axis=0) == pytest.approx(packed.vertices.max(axis=0), abs=1e-4)


def test_the_stl_is_binary_with_true_normals(coupon):
    data = (coupon / "plate-1.stl").read_bytes()
    assert not data.startswith(b"solid")
    (count,) = struct.unpack_from("<I", data, 80)
    assert len(data) == 84 + 50 * count
    lowest = [struct.unpack_from("<12f", data, 84 + 50 * at) for at in range(count)]
    under = [face for face in lowest if face[5] == face[8] == face[11] == 0]
    assert under and all(face[:3] == (0, 0, -1) for face in under)


def test_files_are_read_by_an_independent_library(coupon):
    """Reference: trimesh reads the STL and finds a closed solid of one body."""
    import trimesh

    mesh = trimesh.load_mesh(coupon / "plate-1.stl")
    assert mesh.is_watertight and mesh.is_winding_consistent
    assert mesh.body_count == 1
    assert mesh.volume > 8_000


def test_the_3mf_is_a_package_as_its_specification_asks(coupon):
    # 3MF Core Specification 1.3 (from memory): the start part is found by its relationship type,
    # every part has a content type, and the model has resources before its build.
    with zipfile.ZipFile(coupon / "plate-1.3mf") as package:
        assert package.testzip() is None
        names = package.namelist()
        assert names[0] == "[Content_Types].xml"
        relations = ElementTree.fromstring(package.read("_rels/.rels"))
        (start,) = [
            each.get("Target")
            for each in relations
            if each.get("Type") == "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
        ]
        types = {each.get("Extension") for each in ElementTree.fromstring(package.read(names[0]))}
        assert {name.rpartition(".")[2] for name in names[1:]} <= types
        model = ElementTree.fromstring(package.read(start.lstrip("/")))
        assert {info.date_time for info in package.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    core = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
    assert (model.tag, model.get("unit")) == (f"{core}model", "millimeter")
    assert [child.tag for child in model] == [
        f"{core}metadata",
        f"{core}resources",
        f"{core}build",
    ]
    (item,) = model.find(f"{core}build")
    (thing,) = model.find(f"{core}resources")
    assert item.get("objectid") == thing.get("id") == "1"


# The manifest, the readings and the sheets


def test_the_manifest_says_where_everything_is(coupon):
    manifest = json.loads((coupon / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["schema"] == "wallguard-coupon/1"
    assert (manifest["process"], manifest["rules"]) == ("PETG, everyday", "petg.yaml")
    (plate,) = manifest["plates"]
    assert plate["files"] == ["plate-1.stl", "plate-1.3mf"]
    features = plate["features"]
    assert len(features) == len(plan(rules()).features)
    for each in features:
        low, high = each["box"]
        assert all(a < b for a, b in zip(low, high, strict=True))
        assert high[0] <= plate["size"][0] and high[1] <= plate["size"][1]
        assert each["mark"] == f"{each['nominal'] * 100:.0f}"
        for x, y, z in each["measure"]["at"]:
            assert low[0] <= x <= high[0] and low[1] <= y <= high[1] and low[2] <= z <= high[2]
    wall = next(each for each in features if each["feature"] == "wall" and each["axis"] == "x")
    low, high = wall["box"]
    assert high[1] - low[1] == pytest.approx(wall["nominal"], abs=1e-3)
    assert high[0] - low[0] == pytest.approx(12)
    assert wall["measure"]["across"] == "y"
    assert len(wall["measure"]["at"]) == 3
    # Clear of the first layers and of the top rim.
    heights = [z - manifest["base"] for _, _, z in wall["measure"]["at"]]
    assert min(heights) > 2 and max(heights) < manifest["wall_height"] - 1


def test_readings_that_are_filled_in_are_read(coupon, tmp_path):
    readings = pytest.importorskip("wallguard.coupon.readings")
    text = (coupon / "readings.csv").read_text(encoding="utf-8")
    filled = re.sub(
        r"(?m)^(\w+,\w+,)([\d.]+),,,,,$",
        r"\1\2,\2,\2,\2,solid,",
        text.replace("# instrument_error:", "# instrument_error: 0.02"),
    )
    path = tmp_path / "filled.csv"
    path.write_text(filled, encoding="utf-8")
    read = readings.read_readings(path)
    planned = plan(rules()).features
    assert [(row.feature, row.axis, row.nominal) for row in read.rows] == [
        (each.kind, each.axis, each.nominal) for each in planned
    ]
    assert read.error == 0.02
    assert read.keys["process"] == "PETG, everyday"


def test_readings_begin_empty(coupon):
    lines = (coupon / "readings.csv").read_text(encoding="utf-8").splitlines()
    assert lines[:11] == [
        "# rules: petg.yaml",
        "# process: PETG, everyday",
        "# date:",
        "# read_by:",
        "# software:",
        "# firmware:",
        "# instrument:",
        "# instrument_error:",
        "# unit: mm",
        "# round: 1",
        "# source: print",
    ]
    assert lines[11] == "feature,axis,nominal,reading_1,reading_2,reading_3,fill,note"
    assert lines[12].startswith("wall,x,") and lines[12].endswith(",,,,,")


@pytest.mark.parametrize("name", ["measure.md", "measure.html"])
def test_the_sheet_says_how_to_measure(coupon, name):
    text = (coupon / name).read_text(encoding="utf-8")
    for said in (
        "Light pressure",
        "three readings, 2.4, 3.6 and 4.8 mm above the base",
        "clear of the first layers, the seam",
        "Let it cool",
        "the largest error its maker states",
        "stay hot",
        "Do not leave the machine alone while it prints. Keep children away",
        "small pieces fly off",
        "waste that local codes rule",
        "data sheets",
        "local codes come before this sheet",
    ):
        assert said in text, said


@pytest.mark.parametrize(
    ("category", "said"),
    [
        ("vat photopolymerization", "Uncured resin"),
        ("vat photopolymerization", "Dust of cured resin"),
        ("powder bed fusion", "Powder is fine dust"),
    ],
)
def test_other_processes_have_other_dangers(tmp_path, category, said):
    small(tmp_path / "c", category=category, beads=None)
    text = (tmp_path / "c" / "measure.md").read_text(encoding="utf-8")
    assert said in text and "Nozzle" not in text


def test_the_sheet_has_a_row_for_every_size(coupon):
    text = (coupon / "measure.html").read_text(encoding="utf-8")
    planned = plan(rules())
    rows = [*planned.of("wall", "x"), *planned.of("gap", "x"), *planned.of("pin", "vertical")]
    for each in rows:
        assert f'<td class="mark">{each.mark}</td><td>{each.nominal:.2f}</td>' in text
    assert text.count('<tr><td class="mark">') == len(rows) + len(planned.of("hole", "vertical"))


def test_the_drawing_is_as_large_as_the_plate(coupon):
    (plate,) = lay_out(plan(rules()))
    width, depth = plate.size
    text = (coupon / "measure.html").read_text(encoding="utf-8")
    drawing = text[text.index("<svg") : text.index("</svg>") + 6]
    tree = ElementTree.fromstring(drawing)
    _, _, across, down = map(float, tree.get("viewBox").split())
    assert across == pytest.approx(width + 7, abs=0.01)
    assert down == pytest.approx(depth + 8, abs=0.01)


def test_names_cannot_break_out(tmp_path):
    hostile = {"name": HOSTILE, "printer": HOSTILE, "material": HOSTILE}
    small(tmp_path / "c", path="x/" + HOSTILE.replace("/", "") + ".yaml", **hostile)
    page = (tmp_path / "c" / "measure.html").read_text(encoding="utf-8")
    assert "<script" not in page and "&lt;script&gt;" in page
    assert "default-src 'none'" in page
    with zipfile.ZipFile(tmp_path / "c" / "plate-1.3mf") as package:
        model = ElementTree.fromstring(package.read("3D/3dmodel.model"))
    assert HOSTILE in model[0].text
    cmarkgfm = pytest.importorskip("cmarkgfm")
    sheet = cmarkgfm.github_flavored_markdown_to_html(
        (tmp_path / "c" / "measure.md").read_text(encoding="utf-8")
    )
    assert "<script" not in sheet and "<a " not in sheet


# What is overwritten


def test_the_same_coupon_gives_the_same_bytes(tmp_path):
    code = (
        "import sys; from pathlib import Path; sys.path.insert(0, sys.argv[1]);"
        "from test_coupon_files import make, rules;"
        "make(rules(), Path(sys.argv[2]))"
    )
    made = []
    for seed in ("1", "2"):
        out = tmp_path / seed
        environment = {**os.environ, "PYTHONHASHSEED": seed}
        here = str(Path(__file__).parent)
        subprocess.run([sys.executable, "-c", code, here, str(out)], check=True, env=environment)
        made.append(contents(out))
    assert made[0] == made[1]


def test_an_untouched_coupon_is_replaced(tmp_path):
    out = tmp_path / "c"
    make(rules(build_volume=(70, 70, 50)), out, features={"wall"})
    assert (out / "plate-2.stl").exists()
    small(out)
    # What the new coupon has no use for is gone, and nothing else is left behind.
    assert sorted(contents(out)) == [
        "manifest.json",
        "measure.html",
        "measure.md",
        "plate-1.3mf",
        "plate-1.stl",
        "readings.csv",
    ]


def test_readings_that_were_filled_in_are_never_overwritten(tmp_path):
    out = tmp_path / "c"
    small(out)
    path = out / "readings.csv"
    path.write_text(path.read_text().replace(",,,,,", ",0.9,0.9,0.9,solid,"))
    before = contents(out)
    with pytest.raises(InputError, match=r"readings\.csv: exists, and is not as"):
        small(out, layer_height=0.3)
    assert contents(out) == before


def test_a_file_of_others_is_never_overwritten(tmp_path):
    out = tmp_path / "c"
    out.mkdir()
    (out / "plate-1.stl").write_text("mine")
    (out / "notes.txt").write_text("mine too")
    with pytest.raises(InputError, match=r"plate-1\.stl: exists"):
        small(out)
    assert contents(out) == {"plate-1.stl": b"mine", "notes.txt": b"mine too"}
    (out / "plate-1.stl").unlink()
    small(out)
    assert (out / "notes.txt").read_text() == "mine too"


def test_a_manifest_that_was_changed_vouches_for_nothing(tmp_path):
    out = tmp_path / "c"
    small(out)
    path = out / "manifest.json"
    path.write_text(path.read_text().replace('"round": 1', '"round": 7'))
    before = contents(out)
    with pytest.raises(InputError, match="exists, and is not as"):
        small(out)
    assert contents(out) == before


@pytest.mark.parametrize(
    "text",
    [
        *("", "[]", "{}", '{"schema": "wallguard-coupon/1"}', "[" * 9999),
        '{"schema": "wallguard-coupon/1", "process": "\\ud800"}',
    ],
)
def test_a_broken_manifest_is_a_file_of_others(tmp_path, text):
    (tmp_path / "manifest.json").write_text(text)
    with pytest.raises(InputError, match=r"manifest\.json: exists"):
        small(tmp_path)
    assert contents(tmp_path) == {"manifest.json": text.encode()}


def test_a_link_is_not_followed(tmp_path):
    target = tmp_path / "elsewhere.csv"
    out = tmp_path / "c"
    small(out)
    (out / "readings.csv").rename(target)
    (out / "readings.csv").symlink_to(target)
    with pytest.raises(InputError, match=r"readings\.csv: exists"):
        small(out)
    assert target.read_text().startswith("# rules")


def test_a_listed_name_cannot_lead_out_of_the_folder(tmp_path):
    victim = tmp_path / "victim.txt"
    victim.write_bytes(b"x")
    out = tmp_path / "c"
    out.mkdir()
    listed = {"schema": SCHEMA, "files": {"../victim.txt": hashlib.sha256(b"x").hexdigest()}}
    digest = hashlib.sha256(json_bytes(listed)).hexdigest()
    (out / "manifest.json").write_bytes(json_bytes({**listed, "digest": digest}))
    small(out)
    assert victim.read_bytes() == b"x"
    assert json.loads((out / "manifest.json").read_bytes())["process"] == "PETG, everyday"


def test_nothing_stays_where_writing_fails(tmp_path, monkeypatch):
    out = tmp_path / "c"

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.write_bytes", fail)
    with pytest.raises(InputError, match="No space left"):
        small(out)
    assert not out.exists()


def test_a_file_in_place_of_the_folder_and_a_missing_parent_are_named(tmp_path):
    (tmp_path / "c").write_text("")
    with pytest.raises(InputError, match="this is a file"):
        small(tmp_path / "c")
    with pytest.raises(InputError, match="cannot be written to"):
        small(tmp_path / "no" / "such")
