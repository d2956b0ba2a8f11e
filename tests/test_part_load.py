"""A part is loaded in one way, whoever asks, and one error says that it is too large."""

import pickle

import numpy as np
import pytest
from solids import box, save

import wallguard
from wallguard.base.errors import InputError, TooLargeError
from wallguard.base.rotation import rotation_from_up
from wallguard.commands.main import main
from wallguard.jobs.check import Task, check_part
from wallguard.jobs.compare import compare_part
from wallguard.part import part as module
from wallguard.part.part import AsDrawn, Part, PartFile
from wallguard.repository.entry import Assignment

RULES = """\
wallguard: 1
name: Grey
process: {category: material extrusion}
layer_height: 0.2
bands:
  - {from: 0, to: 0.4, fill: missing}
  - {from: 0.4, fill: solid}
"""


@pytest.fixture
def plate(tmp_path):
    save(tmp_path / "plate.stl", box([30, 20, 2]))
    return tmp_path / "plate.stl"


def test_a_part_lies_as_is_said_of_it(plate):
    assert Part.load(plate).geometry.extents == (30, 20, 2)
    standing = Assignment("a.yaml", rotation_from_up((1, 0, 0)), 0.5, "cm")
    assert np.allclose(Part.load(plate, standing).geometry.extents, (10, 100, 150))
    assert Part.load(plate, drawn_in="m").geometry.drawn.unit == "m"
    assert Part.load(plate, standing, drawn_in="mm").geometry.extents == pytest.approx((1, 10, 15))


def test_a_file_is_read_once_for_each_unit_and_placed_once_for_each_way(plate, monkeypatch):
    read = []
    real = module.read_mesh
    monkeypatch.setattr(
        module, "read_mesh", lambda *a, **o: read.append(o["unit"]) or real(*a, **o)
    )
    file = PartFile(plate)
    flat = file.lying(AsDrawn())
    assert file.lying(Assignment("b.yaml")) is flat
    assert file.lying(AsDrawn(scale=2.0)).geometry.extents == (60, 40, 4)
    file.lying(AsDrawn(unit="inch"))
    assert read == [None, "inch"]


def test_a_copy_goes_by_the_name_of_what_it_is_a_copy_of(tmp_path):
    (tmp_path / "copy.stl").write_bytes(b"solid nothing")
    with pytest.raises(InputError) as caught:
        Part.load(tmp_path / "copy.stl", name="parts/a.stl")
    assert str(caught.value).startswith("parts/a.stl:")
    with pytest.raises(InputError, match=r"^parts/b\.stl: there is no such file"):
        Part.load(tmp_path / "none.stl", name="parts/b.stl")


def test_no_link_leads_out_of_the_root(tmp_path, plate):
    (tmp_path / "root").mkdir()
    (tmp_path / "root/link.stl").symlink_to(plate)
    with pytest.raises(InputError, match="lies outside the repository"):
        Part.load(tmp_path / "root/link.stl", root=tmp_path / "root")


def test_everyone_says_in_the_same_words_that_a_part_is_too_large(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    save(tmp_path / "mast.stl", box([1, 1, 1e6]))
    (tmp_path / "rules.yaml").write_text(RULES)
    (tmp_path / "a.gcode").write_text("M83\nG1 X0 Y0 Z0.2\nG1 X10 E1\nG1 Y10 E1\n")
    said = (
        "mast.stl: 5000000 layers of 0.2 mm is too much to check. Check the part's scale and unit."
    )
    rules = wallguard.load_rules("rules.yaml")
    part = wallguard.load_part("mast.stl")
    for ask in (
        lambda: wallguard.check(part, rules),
        lambda: wallguard.find_walls(part),
    ):
        with pytest.raises(TooLargeError) as caught:
            ask()
        assert str(caught.value).endswith(said)
    task = Task("mast.stl", tmp_path / "mast.stl", ((AsDrawn(), rules), (AsDrawn(), rules)))
    assert check_part(task)[0].error == said
    assert compare_part(task).error == said
    assert main(["walls", "mast.stl"]) == 2
    assert said in " ".join(capsys.readouterr().err.split())
    assert main(["check", "mast.stl", "--rules", "rules.yaml"]) == 2
    assert said.removeprefix("mast.stl: ") in " ".join(capsys.readouterr().out.split())


def test_the_error_keeps_its_kind_between_processes():
    error = pickle.loads(pickle.dumps(TooLargeError("5 km of outline").of("a.stl")))
    assert isinstance(error, TooLargeError)
    assert (error.path, error.what) == ("a.stl", "5 km of outline")
