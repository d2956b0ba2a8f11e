"""What every output says first, alike findings told once, causes before what follows from them."""

import json
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest
from report_samples import HOSTILE, ORDINARY, PASSED, TIGHT, changed, finding, part
from solids import box
from test_reports_markdown import Page
from view_samples import report as on_rules

from wallguard.base import cautions
from wallguard.findings.counts import grouped, summary
from wallguard.findings.model import CheckRun, Report, Weakening
from wallguard.reports import (
    annotations,
    code_quality,
    comment,
    console,
    json_report,
    junit,
    markdown,
    sarif,
)

TEXTS = {
    "console": lambda report: console.text(report, width=400),
    "brief": lambda report: console.brief(report, width=400),
    "markdown": markdown.markdown,
    "comment": comment.text,
    "annotations": annotations.text,
    "junit": junit.xml,
    "sarif": sarif.text,
}


def first_screen(name, report):
    """What is seen before anything is unfolded, without the marks of Markdown."""
    shown = TEXTS[name](report).partition("<details>")[0]
    return shown.replace("`", "").replace("**", "") if name in ("markdown", "comment") else shown


def slats(count, **changes):
    """So many alike walls side by side."""
    return tuple(
        finding(
            id=f"{at:010x}",
            shape="fill wall 1.50 x 40",
            location=(at * 3.0, 3.5, 4.0),
            message=f"wall 1.50 mm thick at ({at * 3.0:.1f}, 3.5, 4.0) will print hollow",
            **changes,
        )
        for at in range(count)
    )


GRILLE = Report((part("grille.stl", status="failed", findings=slats(240)),))
# Each link has a straight side and a bend.
CHAIN = Report(
    (
        part(
            "chain.stl",
            status="failed",
            findings=tuple(
                replace(one, id=f"{kind}{at}", shape=kind)
                for kind in ("side", "bend")
                for at, one in enumerate(slats(60))
            ),
        ),
    )
)
WEAKER = Report(
    parts=(
        part(
            findings=(
                changed(TIGHT, state="new", waived="A. Person, until 2031-05-31: no matter"),
            ),
            lost=(finding(), finding(id="b")),
        ),
    ),
    base="main",
    head_commit="abcdef012345" + "0" * 28,
    gate="new",
    asks_less=(
        Weakening("rules/petg.yaml", "minimum.wall.fail 0.80 to 0.40 mm"),
        Weakening("wallguard.yaml", "excludes 1 part", ("parts/a.stl",)),
        Weakening("waivers.yaml", "waives 2 of its own findings until 2099"),
    ),
)
BY_RULES = Report(
    parts=(
        part(
            status="failed",
            findings=tuple(
                finding(id=str(at), state="new", cause="rules", message=f"wall {at} hollow")
                for at in range(4)
            ),
        ),
    ),
    base="main",
    gate="new",
    changed_rules=("rules/petg.yaml",),
)


@pytest.mark.parametrize("name", ["console", "markdown", "comment", "annotations", "junit"])
@pytest.mark.parametrize(("report", "kinds", "each"), [(GRILLE, 1, 240), (CHAIN, 2, 60)])
def test_alike_findings_are_told_once(name, report, kinds, each):
    shown = TEXTS[name](report)
    assert shown.count(f"one of {each} places alike") == kinds
    assert shown.count("will print hollow") <= 3 * kinds
    assert len(shown.splitlines()) < 60


@pytest.mark.parametrize("page", [True, False])
def test_a_real_grille_is_one_finding_with_a_picture(page):
    slats = box([52, 3, 3]) + box([52, 3, 3], (0, 40, 0))
    for at in range(8):
        slats += box([1.5, 43, 3], (2 + 6 * at, 0, 0))
    made = on_rules(slats, "page" if page else "pictures")
    assert len(made.findings) == 8
    shown = console.text(Report((made,)))
    assert shown.count("one of 8 places alike") == 1
    assert made.views.pictures[0].finding in shown


@pytest.mark.parametrize("report", [GRILLE, CHAIN])
def test_machines_are_told_each_one_by_one(report):
    number = len(report.parts[0].findings)
    (run,) = json.loads(sarif.text(report))["runs"]
    assert len(run["results"]) == number
    assert len({one["partialFingerprints"][sarif.FINGERPRINT] for one in run["results"]}) == number
    assert len(json.loads(code_quality.text(report))) == number
    assert len(json.loads(json_report.text(report))["parts"][0]["findings"]) == number


def test_alike_findings_are_counted_once_and_their_places_told():
    assert grouped(GRILLE).findings.fail == 1
    assert summary(GRILLE).findings.fail == 240
    assert console.verdict(GRILLE) == "FAILED: 1 of 1 part failed (1 fail, in 240 places)"
    assert "## ✗ Do not merge: 1 finding fails\n" in comment.text(GRILLE)


def test_what_is_accepted_or_old_is_a_group_of_its_own():
    mixed = (*slats(3), *slats(4, waived="A. Person"), *slats(5, state="unchanged"))
    report = Report((part(status="failed", findings=mixed),), base="main", gate="new")
    shown = markdown.markdown(report)
    assert [shown.count(f"one of {number} places alike") for number in (3, 4, 5)] == [1, 1, 1]


def test_findings_stand_by_part():
    mild, bad = part("b.stl", findings=(TIGHT, finding())), part("a.stl", findings=(TIGHT,))
    shown = markdown.markdown(Report((bad, mild)))
    listed = [line.split("`")[1] for line in shown.splitlines() if line.startswith("- **")]
    assert listed == ["b.stl", "b.stl", "a.stl"]


@pytest.mark.parametrize("name", TEXTS)
def test_what_a_change_asks_less_is_on_the_first_screen(name):
    shown = first_screen(name, WEAKER)
    assert "This change asks less than before" in shown
    assert "minimum.wall.fail 0.80 to 0.40 mm" in shown
    assert "excludes 1 part (parts/a.stl)" in shown
    assert "waives 2 of its own findings until 2099" in shown
    if name != "brief":
        assert "2 findings are gone only because of that (2 fail)" in shown
    assert WEAKER.exit_code == 0


@pytest.mark.parametrize("name", ["console", "markdown", "comment"])
def test_what_this_change_accepts_itself_is_not_folded(name):
    shown = first_screen(name, WEAKER)
    assert "gap 0.25 mm wide" in shown
    assert "A. Person, until 2031-05-31: no matter" in shown


@pytest.mark.parametrize("name", TEXTS)
def test_findings_that_the_rules_bring_are_told_apart(name):
    shown = first_screen(name, BY_RULES)
    assert "rules/petg.yaml" in shown
    assert "that alone brings 4 findings on 1 part (4 fail)" in shown
    assert "wallguard impact" in shown
    if name in ("markdown", "comment"):
        assert "brought by the rules" in shown
    drawing = replace(
        BY_RULES,
        parts=tuple(
            replace(one, findings=tuple(replace(each, cause="drawing") for each in one.findings))
            for one in BY_RULES.parts
        ),
    )
    assert "that alone brings" not in TEXTS[name](drawing)


@pytest.mark.parametrize("name", TEXTS)
def test_parts_that_nobody_looked_at_are_named(name):
    report = Report((), unseen=("parts/far.stl",))
    shown = first_screen(name, report)
    assert "Not looked at" in shown
    assert "parts/far.stl" in shown


@pytest.mark.parametrize("name", ["markdown", "comment"])
def test_parts_that_are_named_at_once_are_not_named_again_in_a_fold(name):
    report = Report((), unseen=tuple(f"parts/{at:03}.stl" for at in range(10)))
    shown = TEXTS[name](report)
    assert [shown.count(f"parts/{at:03}.stl") for at in range(10)] == [1] * 10


@pytest.mark.parametrize("name", TEXTS)
def test_parts_that_did_not_change_are_counted_and_no_more(name):
    report = Report((part(),), unseen=tuple(f"parts/{at:03}.stl" for at in range(300)))
    shown = first_screen(name, report)
    assert "parts/000.stl" not in shown
    if name not in ("annotations", "junit", "sarif"):
        assert "300 parts not looked at" in " ".join(shown.split())


@pytest.mark.parametrize("name", ["console", "brief", "markdown", "comment", "junit", "sarif"])
def test_the_commit_is_named(name):
    assert "abcdef0123" in first_screen(name, WEAKER)


UNIT = finding(id="u", check="unit", severity="warn", fill=None, message="probably drawn in inches")


@pytest.mark.parametrize("name", ["console", "markdown", "comment", "brief", "annotations"])
def test_a_doubtful_unit_comes_first_and_the_walls_after_it_are_folded(name):
    walls = tuple(finding(id=str(at), message=f"wall {at} hollow") for at in range(33))
    shown = first_screen(name, Report((part(status="failed", findings=(*walls, UNIT)),)))
    assert "probably drawn in inches" in shown
    assert "wall 0 hollow" not in shown
    if name == "console":
        assert "33 more (33 fail), which mean nothing before the unit is settled" in shown


def test_annotations_fold_only_what_is_of_the_doubtful_part():
    doubtful = part("a.stl", status="failed", findings=(finding(), UNIT))
    shown = annotations.text(Report((doubtful, part("b.stl", findings=(finding(),)))))
    assert [line.split(",")[0] for line in shown.splitlines()] == [
        "::error file=b.stl",
        "::warning file=a.stl",
    ]


def test_causes_come_before_worse_walls_and_mere_notes_of_a_mesh_do_not():
    broken = changed(UNIT, id="m", check="mesh", message="12 open edges")
    note = changed(UNIT, id="n", check="mesh", severity="note", message="2 doubled faces")
    shown = markdown.markdown(Report((part(findings=(finding(), note, broken)),)))
    at = [shown.index(said) for said in ("12 open edges", "will print hollow", "2 doubled faces")]
    assert at == sorted(at)


@pytest.mark.parametrize("count", [0, 1, 300])
def test_the_brief_text_is_short_whatever_the_number_of_parts(count):
    parts = tuple(
        part(f"{at:03}.stl", status="failed", findings=(finding(), TIGHT)) for at in range(count)
    )
    weak = tuple(Weakening(f"rules/{at}.yaml", "asks less") for at in range(50))
    unseen = tuple(f"{at}.stl" for at in range(50))
    shown = console.brief(Report(parts, asks_less=weak, unseen=unseen))
    assert len(shown.splitlines()) <= 24
    if count:
        assert "fail  000.stl: wall 1.50 mm thick" in shown
        assert "(and 1 more)" in shown
    if count == 300:
        assert "and 292 more parts with findings" in shown


def test_the_brief_text_of_a_good_commit_is_the_verdict():
    assert len(console.brief(Report((part(),))).splitlines()) == 2


@pytest.mark.parametrize("name", ["console", "brief", "markdown", "comment", "junit", "sarif"])
@pytest.mark.parametrize("report", [ORDINARY, PASSED, Report(())])
def test_every_output_says_what_it_does_not_say(name, report):
    if report.parts or name != "junit":
        assert cautions.PARTS in " ".join(TEXTS[name](report).split())
        other = TEXTS[name](replace(report, about="toolpaths"))
        assert cautions.TOOLPATHS in " ".join(other.split())
    assert json.loads(json_report.text(report))["caution"] == cautions.PARTS


def test_the_caution_is_one_line():
    assert max(map(len, (cautions.PARTS, cautions.TOOLPATHS))) <= 80


@pytest.mark.parametrize("name", ["markdown", "comment"])
def test_a_toolpath_is_printed_not_merged(name):
    placed = {
        "checks": (CheckRun("toolpath_placing", "passed"),),
        "facts": ("turned by 90 degrees at X 10 Y 20",),
    }
    bad = Report((part(status="failed", findings=(finding(),), **placed),), about="toolpaths")
    good = Report((part(**placed),), about="toolpaths")
    assert "Do not print this yet" in first_screen(name, bad)
    assert "Its walls come out as far as this compares them" in first_screen(name, good)
    for report in (bad, good):
        shown = TEXTS[name](report)
        assert "merge" not in shown.lower()
        assert "could not do all" not in shown
        assert "turned by 90 degrees" in shown


def test_a_finding_fails_every_check_whose_limit_it_breaks():
    one = finding()
    both = replace(one, breaches=(*one.breaches, replace(one.breaches[0], check="wall")))
    report = Report((part(status="failed", findings=(both,)),))
    failed = [
        case.get("name")
        for case in ET.fromstring(junit.xml(report)).iter("testcase")
        if case.find("failure") is not None
    ]
    assert failed == ["fill", "wall"]


def test_names_in_what_is_said_first_stay_names():
    report = Report(
        (),
        asks_less=tuple(Weakening(name, name, (name,)) for name in HOSTILE[:8]),
        unseen=HOSTILE[8:],
    )
    assert all(line.isprintable() for line in console.text(report).split("\n"))
    assert "img" not in Page(markdown.markdown(report)).tags


def test_a_process_that_nobody_measured_is_told_once_and_each_part_says_so_in_json():
    pairs = [("a", "calculated"), ("a", "calculated"), ("b", "calculated"), ("c", "measured")]
    parts = [
        part(f"{at}.stl", rules=f"rules/{rules}.yaml", basis=basis)
        for at, (rules, basis) in enumerate(pairs)
    ]
    report = Report((*parts, part("gear.stl", rules="rules/powder.yaml", basis="assumed")))
    for name in ("console", "brief", "markdown", "comment"):
        shown = first_screen(name, report)
        assert shown.count("Calculated, never measured: rules/a.yaml, rules/b.yaml.") == 1, name
        assert "come out as drawn, never measured: rules/powder.yaml." in shown
        assert "Calculated" not in first_screen(name, Report(tuple(parts[3:]))), name
    for name in ("junit", "sarif"):
        assert TEXTS[name](report).count("Calculated, never measured") == 2, name
    assert "never measured" not in TEXTS["annotations"](report)  # nobody has to mend it
    told = json.loads(json_report.text(report))["parts"]
    assert [one["basis"] for one in told] == [*(basis for _, basis in pairs), "assumed"]
