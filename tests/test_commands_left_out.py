"""What was asked for and is left out is told, with why."""

import json
from pathlib import Path

import pytest
from solids import box, save
from test_findings_origins import REPOSITORY, RULES, commit, git, repo

from wallguard.base.coupon import MANIFEST, SCHEMA
from wallguard.commands.main import main
from wallguard.jobs.choose import Asked
from wallguard.jobs.review import review

__all__ = ["RULES", "repo"]  # a fixture that this file shares
COUPON = f"a plate of a coupon, as {MANIFEST} beside it says"


@pytest.fixture
def coupon(repo):
    """A folder with a coupon and a part beside its plates."""
    folder = repo / "parts/coupon"
    save(folder / "plate-1.stl", box([20, 1.5, 10]))
    manifest = {"schema": SCHEMA, "plates": [{"files": ["plate-1.stl"]}]}
    (folder / MANIFEST).write_text(json.dumps(manifest))
    commit(repo)
    return folder


def left_out(**asked):
    return {one.path: one.why for one in review(Asked(**asked)).report.left_out}


def test_a_coupon_s_folder(repo, coupon, capsys):
    assert left_out(paths=(coupon,)) == {"parts/coupon/plate-1.stl": COUPON}
    assert left_out(paths=(coupon / "plate-1.stl",)) == {"parts/coupon/plate-1.stl": COUPON}
    assert left_out(everything=True) == {}  # every run would say so
    assert main(["check", "parts/coupon"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "NOTHING CHECKED" in said
    assert "1 part left out" in said
    assert f"parts/coupon/plate-1.stl: {COUPON}" in said
    assert "there was no part to check" not in said


def test_everything_excluded(repo, capsys):
    text = REPOSITORY + 'exclude: ["parts/p*", "parts/both.stl"]\n'
    (repo / "wallguard.yaml").write_text(text)
    commit(repo)
    why = {
        "parts/both.stl": 'excluded by "parts/both.stl" in wallguard.yaml',
        "parts/plain.stl": 'excluded by "parts/p*" in wallguard.yaml',
    }
    assert left_out() == left_out(everything=True) == left_out(paths=(Path("parts"),)) == why
    assert left_out(rules=(Path("rules/grey.yaml"),), paths=(Path("parts"),)) == why
    save(repo / "parts/plain.stl", box([20, 1.5, 10]))
    assert list(left_out()) == ["parts/plain.stl"]
    git(repo, "add", ".")
    assert list(left_out(staged=True)) == ["parts/plain.stl"]
    outputs = ["--markdown", "walls.md", "--json", "walls.json"]
    assert main(["check", "--all", *outputs]) == 0
    assert "excluded by" in capsys.readouterr().out
    text = (repo / "walls.md").read_text()
    assert "2 parts left out" in text
    assert "excluded by" in text
    assert json.loads((repo / "walls.json").read_text())["left_out"] == [
        {"path": path, "why": said} for path, said in why.items()
    ]


def test_what_is_excluded_beside_other_parts_is_told_where_it_is_named(repo):
    (repo / "wallguard.yaml").write_text(REPOSITORY + "exclude: [parts/plain.stl]\n")
    why = {"parts/plain.stl": 'excluded by "parts/plain.stl" in wallguard.yaml'}
    assert left_out(everything=True) == {}
    assert left_out(paths=(Path("parts"),)) == why


def test_a_pattern_further_up(repo):
    (repo / "parts/wallguard.yaml").write_text(
        'wallguard: 1\nparts: [{files: "*", rules: grey.yaml}]\n'
    )
    (repo / "parts/grey.yaml").write_text(RULES)
    (repo / "wallguard.yaml").write_text(REPOSITORY + 'exclude: ["parts/"]\n')
    assert set(left_out().values()) == {'excluded by "parts/" in wallguard.yaml'}
