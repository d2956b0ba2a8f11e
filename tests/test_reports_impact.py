"""Reports on an impact: hostile names stay text, long ones are cut, all are the same every time."""

import json
from dataclasses import replace

import jsonschema
import lxml.html
import pytest
from lxml import etree
from report_samples import HOSTILE, finding
from test_reports_markdown import OWN, Page

from wallguard.base.plain import plain
from wallguard.findings.impact import Change, Impact, Judged, PartImpact, Process
from wallguard.findings.model import Printed, Spread, Trouble
from wallguard.reports import impact_order
from wallguard.reports.impact_console import text
from wallguard.reports.impact_markdown import markdown
from wallguard.reports.json_report import IMPACT
from wallguard.reports.json_report import impact_text as json_text
from wallguard.reports.junit import impact_xml as xml
from wallguard.reports.page import SMALLEST
from wallguard.reports.update_page import impact_page

SOLID = Judged("solid", "good", Printed(1.5, 0.05))
HOLLOW = Judged("hollow", "fail", Printed(1.5, 0.05), 0.35)


def change(**changes):
    made = Change(
        before=SOLID,
        after=HOLLOW,
        direction="worse",
        thickness=Spread(1.5, 1.5, 1.5),
        length=40.0,
        z=(0.0, 20.0),
        location=(12.0, 3.5, 4.0),
        box=((-8.0, 2.75, 0.0), (32.0, 4.25, 20.0)),
        message="wall 1.50 mm thick at (12.0, 3.5, 4.0), 40.00 mm long, goes from solid to hollow",
        advice="draw ≤ 1.22 or ≥ 1.73 mm",
    )
    return replace(made, **changes)


WORSE = PartImpact("worse.stl", "passed", "failed", 3, (change(),))
BETTER = PartImpact(
    "better.stl",
    "failed",
    "passed",
    2,
    (change(before=HOLLOW, after=SOLID, direction="better", advice=""),),
)
SAME = PartImpact("same.stl", "passed", "passed", 4)
ERROR = PartImpact("error.stl", "error", "error", error="error.stl: the file is empty. Export it.")


def impact(*parts, **changes):
    made = Impact(Process("old.yaml", "old"), Process("new.yaml", "new"), parts, version="1")
    return replace(made, **changes)


def hostile():
    parts = [
        PartImpact(
            name,
            "passed",
            "failed",
            1,
            (change(message=name, advice=name),),
            appeared=(finding(message=name, advice=name, check=name),),
            gone=(finding(message=name),),
        )
        for name in HOSTILE
    ]
    return impact(
        *parts,
        before=Process(HOSTILE[0], HOSTILE[2]),
        notes=HOSTILE,
        left_out=HOSTILE,
        troubles=tuple(Trouble(name, f"{name}: {name}") for name in HOSTILE),
    )


# Of ten lengths, so that none are alike.
TEN = tuple(change(length=40.0 + 5 * at) for at in range(10))


def many():
    parts = [replace(WORSE, path=f"part-{n:03}.stl", changes=TEN) for n in range(100)]
    return impact(*parts)


ALL = [impact(WORSE, BETTER, SAME, ERROR), impact(), impact(SAME), hostile(), many()]


@pytest.mark.parametrize("one", ALL)
def test_json_has_its_schema_and_shows_every_character(one):
    written = json_text(one)
    jsonschema.validate(json.loads(written), IMPACT.schema())
    assert all(line.isprintable() for line in written.splitlines())
    assert len(json.loads(written)["parts"]) == len(one.parts)


@pytest.mark.parametrize("one", ALL)
def test_junit_is_valid(one, junit_schema):
    junit_schema.assertValid(etree.fromstring(xml(one).encode()))


@pytest.mark.parametrize("one", ALL)
def test_nothing_from_a_file_is_markup(one):
    page = Page(markdown(one))
    assert set(page.tags) <= OWN
    assert {name for name, _ in page.attributes} <= {"align"}


def test_a_page_holds_all_of_it_and_nothing_from_a_file_is_markup_in_it():
    page = impact_page(hostile())
    made = lxml.html.fromstring(page)
    own = lxml.html.fromstring(impact_page(impact(WORSE, BETTER, SAME, ERROR)))
    # Text from outside brings no element of another kind, and no attribute.
    assert {each.tag for each in made.iter()} <= {each.tag for each in own.iter()} | {
        "details",
        "summary",
    }
    assert {name for each in made.iter() for name in each.attrib} <= {
        name for each in own.iter() for name in each.attrib
    }
    said = " ".join(made.text_content().split())
    for name in HOSTILE:
        assert " ".join(plain(name).split()) in said
    words = " ".join(own.text_content().split())
    for part in ("worse.stl", "better.stl", "same.stl", "the file is empty"):
        assert part in words
    assert (
        lxml.html.fromstring(impact_page(impact(WORSE))).find(".//h1").text
        == "Something gets worse"
    )
    assert impact_page(hostile()) == page


def test_parts_left_out_are_folded_under_their_number():
    one = markdown(impact(SAME, left_out=("draft.stl",)))
    assert "<summary>1 part left out</summary>" in one
    assert "draft.stl" in one
    more = markdown(impact(SAME, left_out=("draft.stl", "idea.stl")))
    assert "<summary>2 parts left out</summary>" in more
    assert "left out</summary>" not in markdown(impact(SAME))


def test_hostile_names_are_shown_as_they_are():
    page = Page(markdown(hostile()))
    for name in HOSTILE:
        assert plain(name).split()[0] in page.text
    assert all(line.isprintable() for line in text(hostile()).splitlines())


@pytest.mark.parametrize("limit", [SMALLEST, 5000, 65000])
def test_a_long_page_is_cut_by_whole_items(limit):
    page = markdown(many(), limit=limit)
    assert len(page) <= limit
    assert f"Cut at {limit} characters. Left out, but in the JSON report:" in page
    assert page.startswith("**Something gets worse**: 100 parts compared: 100 worse")
    assert page.endswith("safe to use.\n")
    with pytest.raises(ValueError, match=str(SMALLEST)):
        markdown(many(), limit=SMALLEST - 1)


def test_a_terminal_shows_the_first_ten_of_a_part():
    said = text(
        impact(replace(WORSE, changes=tuple(change(length=5.0 * at) for at in range(25)), walls=30))
    )
    assert said.count("wall 1.50 mm thick at (12.0, 3.5, 4.0)") == 10
    assert "25 of 30 walls worse" in said
    assert "and 15 walls more; the JSON report has them all" in said


def test_what_gets_worse_stands_next_to_the_verdict():
    said = text(impact(WORSE, BETTER, SAME, ERROR))
    places = [said.index(name) for name in ("better.stl", "worse.stl", "error.stl")]
    assert places == sorted(places)
    assert "same.stl" not in said
    assert " ".join(said.splitlines()[-3:]).startswith(
        "NOT DONE: 1 part could not be compared; 3 parts compared: 1 worse, 1 better, 1 unchanged;"
    )


def test_lines_keep_to_the_width():
    assert max(map(len, text(impact(WORSE, BETTER), width=60).splitlines())) <= 60


def test_colour_stands_beside_words():
    coloured = text(impact(WORSE, BETTER), colour=True)
    assert "\x1b[38;5;166mworse\x1b[0m" in coloured
    assert "\x1b" not in text(impact(WORSE, BETTER))


@pytest.mark.parametrize(
    ("one", "word", "code"),
    [
        (impact(WORSE, BETTER), "worse", 1),
        (impact(BETTER, SAME), "not worse", 0),
        (impact(SAME), "no change", 0),
        (impact(), "nothing compared", 0),
        (impact(BETTER, ERROR), "not done", 2),
        (impact(SAME, troubles=(Trouble("a", "a: b"),)), "not done", 2),
    ],
)
def test_verdicts_and_exit_codes(one, word, code):
    assert (impact_order.verdict(one), one.exit_code) == (word, code)


def test_kinds_of_change_are_counted():
    thicker = replace(HOLLOW, printed=Printed(1.6, 0.0))
    other = change(before=HOLLOW, after=thicker, direction="other")
    gate = change(before=replace(HOLLOW, level="warn"), after=HOLLOW)
    rows = impact_order.transitions(
        impact(WORSE, replace(WORSE, path="two.stl", changes=(change(), gate, other)))
    )
    assert [(one.direction, one.before, one.after, one.walls, one.parts) for one in rows] == [
        ("worse", "solid", "hollow", 2, 2),
        ("worse", "hollow", "hollow (fail)", 1, 1),
        ("other", "hollow", "hollow, printed otherwise", 1, 1),
    ]


def test_alike_changes_are_told_once_and_stand_one_by_one_in_json():
    slats = tuple(
        change(location=(4.0 * at, 3.5, 4.0), message=f"wall {at} goes from solid to hollow")
        for at in range(40)
    )
    thick = change(thickness=Spread(1.7, 1.7, 1.7), message="wall T goes from solid to hollow")
    holes = tuple(finding(id=str(at), shape="hole", message=f"hole {at}") for at in range(30))
    grille = PartImpact("g.stl", "passed", "failed", 50, (*slats, thick), appeared=holes)
    for shown in (text(impact(grille), width=100), markdown(impact(grille))):
        assert "wall 0 goes" in shown
        assert "wall T goes" in shown
        assert "wall 1 goes" not in shown
        assert "one of 40 places alike; the JSON report lists each" in shown
        assert "hole 0" in shown
        assert "hole 1" not in shown
        assert "one of 30 places alike" in shown
    assert len(json.loads(json_text(impact(grille)))["parts"][0]["changes"]) == 41
