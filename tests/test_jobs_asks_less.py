"""A change that asks less than its base did is told, whatever it does to the gate."""

import re
from datetime import date, timedelta
from pathlib import Path

import pytest
from design_repository import commit, git
from solids import box, save

from wallguard.commands.main import main
from wallguard.jobs.choose import Asked
from wallguard.jobs.review import review

RULES = """\
wallguard: 1
name: bench printer, grey
process: {category: material extrusion}
layer_height: 0.2
beads: {width: 0.575, contours: 2, smallest_wall: 0.5, squeeze: 0.075, smallest_fill: 0.575,
        spacing: width}
minimum: {wall: {fail: 0.8}}
tolerance: 0.1
"""
REPOSITORY = """\
wallguard: 1
gate: all
unit: mm
parts:
  - {files: "parts/*.stl", rules: rules/grey.yaml}
  - {files: "models/*.stl", rules: rules/grey.yaml}
"""
HOLLOW = box([40, 1.5, 10])


@pytest.fixture
def repo(tmp_path, monkeypatch):
    root = tmp_path / "design"
    (root / "rules").mkdir(parents=True)
    (root / "rules/grey.yaml").write_text(RULES)
    (root / "rules/spare.yaml").write_text(RULES)
    (root / "wallguard.yaml").write_text(REPOSITORY)
    save(root / "parts/hollow.stl", HOLLOW)
    save(root / "models/house.stl", HOLLOW)
    save(root / "parts/thin.stl", box([40, 0.6, 10]))
    monkeypatch.chdir(root)
    git(root, "init", "-q", "-b", "main")
    commit(root)
    return root


def told(**asked):
    """What is asked less: each file and message."""
    return [(one.path, uncounted(one.message)) for one in review(Asked(**asked)).report.asks_less]


def uncounted(message):
    """Without the number of findings, which is the checks' business."""
    return re.sub(r": \d+ findings? lost", ": lost", message)


def rewrite(name, old, new):
    text = Path(name).read_text()
    assert old in text
    Path(name).write_text(text.replace(old, new))


GREY = "rules/grey.yaml"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("fail: 0.8", "fail: 0.4", "minimum.wall.fail 0.80 to 0.40 mm"),
        ("minimum: {wall: {fail: 0.8}}\n", "", "minimum.wall.fail 0.80 mm to nothing"),
        ("tolerance: 0.1", "tolerance: 0.3", "tolerance.thinner 0.10 to 0.30 mm"),
        ("tolerance: 0.1", "outcomes: {hollow: ignore}", "outcomes.hollow fail to ignore"),
    ],
)
def test_a_rule_file_that_asks_less(repo, old, new, message):
    rewrite(GREY, old, new)
    report = review(Asked()).report
    assert (GREY, message) in [(one.path, one.message) for one in report.asks_less]
    assert report.changed_rules == (GREY,)


def test_what_asks_more_or_the_same_is_not_told(repo):
    rewrite(GREY, "fail: 0.8", "fail: 0.9")
    rewrite(GREY, "name: bench", "name: our bench")
    assert told() == []
    assert review(Asked()).report.changed_rules == (GREY,)
    (repo / GREY).write_text(RULES + "# said in other words\nnotes: none\n")
    report = review(Asked()).report
    assert (report.asks_less, report.changed_rules) == ((), ())


def test_settings_that_make_findings_go_away_are_told(repo):
    """Whether other bead settings ask less nobody can say, but what is lost by them is plain."""
    rewrite(GREY, "squeeze: 0.075", "squeeze: 0.5")
    assert told() == [(GREY, "beads.squeeze 0.075 to 0.50 mm")]
    rewrite(GREY, "squeeze: 0.5", "squeeze: 0.08")
    assert told() == []


def test_what_is_extended_counts(repo):
    (repo / "rules/base.yaml").write_text(RULES)
    (repo / GREY).write_text("wallguard: 1\nextends: base.yaml\n")
    commit(repo)
    rewrite("rules/base.yaml", "fail: 0.8", "fail: 0.4")
    assert told() == [(GREY, "minimum.wall.fail 0.80 to 0.40 mm")]


YAML = "wallguard.yaml"


@pytest.mark.parametrize(
    ("old", "new", "message", "parts"),
    [
        ("gate: all", "gate: new", "gate all to new", ()),
        (
            "parts:",
            "exclude: [parts/hollow.stl]\nparts:",
            "excludes 1 part: lost",
            ("parts/hollow.stl",),
        ),
        (
            "parts/*.stl",
            "parts/t*.stl",
            "1 part no longer held to any rules: lost",
            ("parts/hollow.stl",),
        ),
        (
            "parts/*.stl",
            "parts/none/*.stl",
            "2 parts no longer held to any rules: lost",
            ("parts/hollow.stl", "parts/thin.stl"),
        ),
        (
            '"models/*.stl", rules: rules/grey.yaml',
            '"models/*.stl", rules: rules/spare.yaml',
            "rules/spare.yaml in the place of rules/grey.yaml for 1 part",
            ("models/house.stl",),
        ),
        (
            '"models/*.stl", rules: rules/grey.yaml',
            '"models/*.stl", rules: rules/grey.yaml, scale: 3',
            "scale 1 to 3 for 1 part: lost",
            ("models/house.stl",),
        ),
        (
            '"models/*.stl", rules: rules/grey.yaml',
            '"models/*.stl", rules: rules/grey.yaml, up: +y',
            "printed another way up for 1 part: lost",
            ("models/house.stl",),
        ),
        (
            "unit: mm",
            "unit: cm",
            "unit mm to cm for 3 parts: lost",
            ("models/house.stl", "parts/hollow.stl", "parts/thin.stl"),
        ),
    ],
)
def test_a_repository_file_that_asks_less(repo, old, new, message, parts):
    rewrite(YAML, old, new)
    (one,) = review(Asked(everything=True)).report.asks_less
    assert one.path == YAML
    assert uncounted(one.message) == message
    assert one.parts == parts


def test_waivers_that_may_run_longer(repo):
    (repo / YAML).write_text(REPOSITORY + "waivers: {longest: 100 days}\n")
    commit(repo)
    rewrite(YAML, "100 days", "90 days")
    assert told() == []
    rewrite(YAML, "90 days", "900 days")
    assert told() == [(YAML, "waivers.longest 100 days to 900 days")]
    (repo / YAML).write_text(REPOSITORY)
    assert told() == [(YAML, "waivers.longest 100 days to 365 days")]


def test_facets_that_may_lie_farther_off_their_curves(repo):
    rewrite(YAML, "gate: all", "gate: all\nchord_error: 0.005")
    assert told() == []
    commit(repo)
    rewrite(YAML, "chord_error: 0.005", "chord_error: 0.05")
    assert told() == [(YAML, "chord_error 0.005 mm to 0.05 mm")]
    rewrite(YAML, "chord_error: 0.05\n", "")
    assert told() == [(YAML, "chord_error 0.005 mm to 0.01 mm")]


def waive(report, *parts):
    """Accept every finding of these parts."""
    for part in report.parts:
        for one in part.findings if part.path in parts else ():
            words = ["--part", part.path, "--who", "Ann", "--why", "glued"]
            until = str(date.today() + timedelta(30))
            assert main(["waive", one.id, *words, "--until", until]) == 0


def test_a_change_that_waives_its_own_findings(repo):
    save(repo / "parts/more.stl", box([30, 1.4, 10]))
    report = review(Asked(base="main")).report
    assert report.exit_code == 1
    waive(report, "parts/more.stl")
    report = review(Asked(base="main", gate="new")).report
    assert report.exit_code == 0
    until = date.today() + timedelta(30)
    (one,) = report.asks_less
    assert (one.path, one.message) == (
        "waivers.yaml",
        f"waives 1 of its own findings until {until}",
    )
    waive(review(Asked(everything=True)).report, "parts/hollow.stl")
    (one,) = review(Asked(base="main", gate="new")).report.asks_less
    assert one.message == f"waives 1 of its own findings and 1 finding until {until}"
    commit(repo)
    assert told() == []
    until += timedelta(7)
    text = Path("waivers.yaml").read_text()
    Path("waivers.yaml").write_text(text.replace(str(until - timedelta(7)), str(until)))
    assert told() == [("waivers.yaml", f"waives 2 findings until {until}")]


def test_rules_in_the_place_of_others_are_compared_with_them(repo):
    rewrite("rules/spare.yaml", "fail: 0.8", "fail: 0.4")
    commit(repo)
    rewrite(YAML, "rules/grey.yaml", "rules/spare.yaml")
    assert told() == [
        ("rules/spare.yaml", "minimum.wall.fail 0.80 to 0.40 mm (before: rules/grey.yaml)"),
        (YAML, "rules/spare.yaml in the place of rules/grey.yaml for 3 parts: lost"),
    ]


def test_one_rule_file_fewer(repo):
    rewrite(YAML, "rules: rules/grey.yaml", "rules: [rules/grey.yaml, rules/spare.yaml]")
    commit(repo)
    rewrite(YAML, "[rules/grey.yaml, rules/spare.yaml]", "rules/grey.yaml")
    ((path, message),) = told()
    assert path == YAML
    assert message.startswith("3 parts no longer held to rules/spare.yaml: ")


def test_the_file_removed_as_a_whole(repo):
    (repo / "hardware").mkdir()
    (repo / "hardware/wallguard.yaml").write_text(
        'wallguard: 1\nparts: [{files: "*.stl", rules: grey.yaml}]\n'
    )
    (repo / "hardware/grey.yaml").write_text(RULES)
    save(repo / "hardware/lid.stl", HOLLOW)
    commit(repo)
    (repo / "hardware/wallguard.yaml").unlink()
    assert told() == [(YAML, "1 part no longer held to any rules: lost")]


def test_a_milder_file_put_nearer(repo):
    (repo / "parts/wallguard.yaml").write_text(
        'wallguard: 1\nparts: [{files: "*.stl", rules: mild.yaml}]\n'
    )
    (repo / "parts/mild.yaml").write_text(RULES.replace("fail: 0.8", "warn: 0.4"))
    assert told()[0] == (
        "parts/mild.yaml",
        "minimum.wall.fail 0.80 mm to nothing (before: rules/grey.yaml)",
    )


def test_a_part_moved_to_where_nothing_is_asked(repo):
    (repo / "drafts").mkdir()
    git(repo, "mv", "parts/hollow.stl", "drafts/hollow.stl")
    message = "parts/hollow.stl is now drafts/hollow.stl, which answers to no rules: lost"
    assert told() == [(YAML, message)]


def test_it_is_told_whatever_is_checked_and_never_fails_by_itself(repo):
    rewrite(YAML, "parts:", 'exclude: ["**"]\nparts:')
    for asked in (
        Asked(),
        Asked(everything=True),
        Asked(changed_since="main"),
        Asked(base="main"),
        Asked(paths=(Path(YAML),)),
    ):
        report = review(asked).report
        assert report.exit_code == 0
        assert [uncounted(one.message) for one in report.asks_less] == ["excludes 3 parts: lost"]
        assert len(report.dropped) == 3
    commit(repo)
    assert told() == []


def test_rules_given_for_the_run_are_nobody_s_change(repo):
    rewrite(GREY, "fail: 0.8", "fail: 0.4")
    assert told(rules=(Path(GREY),)) == []


def test_a_repository_file_that_cannot_be_read_is_an_error_and_not_told_as_asking_less(repo):
    (repo / "wallguard.yaml").write_text("wallguard: [")
    report = review(Asked(base="main")).report
    assert report.exit_code == 2
    assert report.asks_less == report.dropped == report.not_covered == ()
    assert set(report.unseen) == {"parts/hollow.stl", "parts/thin.stl", "models/house.stl"}


FREE = "minimum: {wall: {fail: 0.8}, free_wall: {fail: 1.2}}"


def test_a_free_edge_held_to_a_higher_minimum_for_all_walls_asks_no_less(repo):
    save(repo / "parts/plate.stl", box([40, 40, 4]) + box([30, 1.3, 10], [5, 20, 4]))
    rewrite(GREY, "minimum: {wall: {fail: 0.8}}", FREE)
    commit(repo)
    rewrite(GREY, FREE, "minimum: {wall: {fail: 1.4}}")
    report = review(Asked(base="HEAD", gate="new")).report
    assert report.asks_less == ()
    (part,) = [one for one in report.parts if one.path == "parts/plate.stl"]
    new = [one for one in part.findings if (one.state, one.cause) == ("new", "rules")]
    assert "wall" in [breach.check for one in new for breach in one.breaches]


def test_a_lower_minimum_of_its_own_for_a_free_edge_asks_less(repo):
    rewrite(GREY, "fail: 0.8}", "fail: 0.8}, free_wall: {fail: 0.4}")
    assert told() == [(GREY, "minimum.free_wall.fail 0.80 mm (as wall) to 0.40 mm")]
