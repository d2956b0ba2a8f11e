"""A coupon's plates are left out of what is checked, by its manifest."""

import json
import subprocess

import pytest

from wallguard.commands.coupon.make import run as make
from wallguard.commands.main import main
from wallguard.repository.config import load_repository
from wallguard.repository.coupons import is_manifest, is_plate

RULES = """\
wallguard: 1
name: PETG
process: {category: material extrusion}
layer_height: 0.2
beads: {width: 0.45, contours: 2, smallest_wall: 0.4, squeeze: 0.1, smallest_fill: 0.3,
        spacing: width}
"""
CONFIG = 'wallguard: 1\nparts:\n  - {files: "**/*.stl", rules: rules.yaml}\n'


@pytest.fixture
def root(tmp_path):
    (tmp_path / "rules.yaml").write_text(RULES)
    (tmp_path / "wallguard.yaml").write_text(CONFIG)
    make(tmp_path / "rules.yaml", tmp_path / "coupon", features={"pin"})
    return tmp_path


def test_the_plates_of_a_coupon_are_known_by_its_manifest(root):
    assert is_plate(root, "coupon/plate-1.stl") and is_plate(root, "coupon/plate-1.3mf")
    assert is_plate(root / "coupon", "plate-1.stl")
    assert not is_plate(root, "coupon/plate-2.stl")
    assert not is_plate(root, "plate-1.stl")
    assert is_manifest("coupon/manifest.json") and not is_manifest("coupon/x-manifest.json")


def test_a_manifest_leaves_out_nothing_but_plates(root):
    path = root / "coupon" / "manifest.json"
    found = json.loads(path.read_text())
    found["plates"][0]["files"] += ["bracket.stl", "../plate-1.stl"]
    path.write_text(json.dumps(found))
    assert not is_plate(root, "coupon/bracket.stl")
    assert not is_plate(root, "plate-1.stl")


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", "[" * 9999, '{"schema": "wallguard-coupon/1", "plates": [1]}']
)
def test_a_manifest_that_is_not_ours_says_nothing(root, text):
    (root / "coupon" / "manifest.json").write_text(text)
    assert not is_plate(root, "coupon/plate-1.stl")
    (root / "coupon" / "manifest.json").write_text('{"schema": "other/1", "plates": []}')
    assert not is_plate(root, "coupon/plate-1.stl")


def test_plates_are_no_parts_of_the_repository(root, monkeypatch, capsys):
    repository = load_repository(root)
    plates = ["coupon/plate-1.stl", "coupon/plate-1.3mf"]
    assert repository.part_files([*plates, "bracket.stl"]) == ["bracket.stl"]
    monkeypatch.chdir(root)
    assert main(["check", "--all"]) == 0
    said = capsys.readouterr().out
    assert "NOTHING CHECKED: 2 parts left out" in said


def test_a_staged_coupon_is_left_out_too(root, monkeypatch, capsys):
    for words in (["init", "-q"], ["add", "--all"]):
        subprocess.run(["git", *words], cwd=root, check=True)
    monkeypatch.chdir(root)
    assert main(["check", "--staged"]) == 0
    assert "NOTHING CHECKED: 2 parts left out" in capsys.readouterr().out
