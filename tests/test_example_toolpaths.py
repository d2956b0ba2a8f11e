"""The example's programs are what its script makes, and the update is found."""

import gzip
import importlib
import sys
from pathlib import Path

import pytest

from wallguard.commands.main import main

EXAMPLE = Path(__file__).resolve().parents[1] / "example_repo"
BEFORE, AFTER = (f"toolpaths/goose_head-{name}.gcode.gz" for name in ("before", "after"))
PART = ("--part", "marionettes/goose_head.stl")
RULES = ("--rules", "rules/petg-0.4.yaml")


@pytest.fixture
def example(monkeypatch):
    monkeypatch.chdir(EXAMPLE)
    monkeypatch.syspath_prepend(EXAMPLE)


def test_the_script_makes_what_is_there(example):
    try:
        script = importlib.import_module("make_toolpaths")
        for path, text in script.contents().items():
            packed = (EXAMPLE / path).read_bytes()
            assert gzip.decompress(packed) == text
            assert len(packed) < 300_000
    finally:
        sys.modules.pop("make_toolpaths", None)
        sys.modules.pop("make_parts", None)


def test_the_coupon_is_the_quick_one_of_its_rules(example, tmp_path):
    main(["coupon", "make", RULES[1], "--quick", "-o", str(tmp_path / "coupon")])
    for made in (tmp_path / "coupon").iterdir():
        assert made.read_bytes() == (EXAMPLE / "coupon" / made.name).read_bytes()


def test_before_the_update_it_does_what_the_rules_say(example, capsys):
    assert main(["toolpath", BEFORE, *PART, *RULES]) == 0


def test_after_it_a_wall_is_hollow_and_the_rules_are_stale(example, capsys):
    assert main(["toolpath", AFTER, *PART, *RULES]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "is laid hollow, with 0.66 mm of air" in told
    assert "the rules say solid at 1.70 mm, this toolpath leaves 0.66 mm of air" in told


def test_both_against_each_other(example, capsys):
    assert main(["toolpath", AFTER, *PART, "--against", BEFORE]) == 1
    assert "WORSE: 3 of 3 walls come out worse" in capsys.readouterr().out
