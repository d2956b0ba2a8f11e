"""Waivers: their format, which finding each accepts, and when it no longer does."""

from dataclasses import replace
from datetime import date

import pytest
from jsonschema import Draft7Validator
from report_samples import DOUBLED, LOST_RIB, THIN, changed, finding, part

from wallguard.base.errors import InputError
from wallguard.documents.reading import parse_document
from wallguard.findings.model import Breach
from wallguard.waivers.append import added
from wallguard.waivers.apply import apply
from wallguard.waivers.changes import strengthened
from wallguard.waivers.load import WAIVERS_FILE, Waiver, load_waivers, parse_waivers, waivers_schema

HEAD = "wallguard: 1\nwaivers:\n"
WHOLE = """\
  - finding: "0a1b2c3d4e"
    part: parts/bracket.stl
    rules: rules/petg.yaml
    limits: [fill]
    place: [12.0, 3.5, 4]
    measures: [1.5]
    fill: hollow
    size: [40, 20]
    alike: 2
    who: A. Person
    why: glued in, carries nothing
    until: 2031-05-31
    issue: https://issues.example.org/7
"""
BY_PLACE = """\
  - {part: parts/bracket.stl, check: wall, place: [1, 2, 3], measured: 0.6, who: A. Person,
     why: not loaded, until: 2031-05-31}
"""
TODAY = date(2031, 5, 31)
HOLLOW = finding(size=(40.0, 20.0))
ELSEWHERE = replace(LOST_RIB, box=((30.0, 1.0, 0.0), (50.0, 3.0, 10.0)))
MADE = Waiver(
    who="A. Person",
    why="glued in",
    until=TODAY,
    finding=HOLLOW.id,
    part="parts/bracket.stl",
    limits=("fill",),
    place=(12.0, 3.5, 4.0),
    measures=(1.5,),
    fill="hollow",
    size=(40.0, 20.0),
    line=3,
)


def test_every_key_is_read():
    (waiver,) = parse_waivers(HEAD + WHOLE)
    assert waiver == Waiver(
        who="A. Person",
        why="glued in, carries nothing",
        until=date(2031, 5, 31),
        finding="0a1b2c3d4e",
        part="parts/bracket.stl",
        rules="rules/petg.yaml",
        limits=("fill",),
        place=(12.0, 3.5, 4.0),
        measures=(1.5,),
        fill="hollow",
        size=(40.0, 20.0),
        alike=2,
        issue="https://issues.example.org/7",
        line=3,
    )


def test_no_file_and_an_empty_list_hold_no_waivers(tmp_path):
    assert load_waivers(tmp_path) == ()
    (tmp_path / "waivers.yaml").write_text("wallguard: 1\nwaivers: []\n")
    assert load_waivers(tmp_path) == ()


def test_a_link_out_of_the_repository_is_refused(tmp_path):
    root = tmp_path / "root"
    root.mkdir()
    (tmp_path / "elsewhere.yaml").write_text(HEAD + WHOLE)
    (root / "waivers.yaml").symlink_to(tmp_path / "elsewhere.yaml")
    with pytest.raises(InputError, match="a link in its path leads out"):
        load_waivers(root)


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ("    why: glued in, carries nothing\n", "", r"yaml:3:5: the key .*`waivers\[1\].why`|why"),
        (
            "until: 2031-05-31",
            "until: 2031-02-30",
            r"yaml:14:12: `.*until`: there is no day",
        ),
        ("until: 2031-05-31", "until: next year", r"yaml:14:12: `.*until`: expected a day"),
        ("until: 2031-05-31", "untill: 2031-05-31", r"nearest known key is `until`"),
        ('"0a1b2c3d4e"', "1234567890", r"yaml:3:14: `.*finding`: expected a finding's id.*quotes"),
        ("place: [12.0, 3.5, 4]", "place: [12.0, 3.5]", r"yaml:7:12: .*a place \[x, y, z\]"),
        ("    limits: [fill]\n", "", "does not say which limits it accepts"),
        ("measures: [1.5]", "measures: [1.5, 2]", "not as many `measures` as `limits`"),
        ("limits: [fill]", "limits: [fill]\n    check: fill", "`check` and `limits` say the same"),
        ("part: parts/bracket.stl", "part: ../bracket.stl", "leaves the folder"),
        ("issue: https://i", "issue: javascript:i", r"yaml:15:12: .*expected a link"),
        ("who: A. Person", 'who: " "', "nothing but spaces"),
        ("who: A. Person", r'who: "a\e[31m\n::error::b"', r"`.*who`: .*control character"),
        ("why: glued in", r'why: "glued\n::error::in" #', r"`.*why`: .*line break"),
    ],
)
def test_what_is_wrong_is_named_with_its_place(old, new, problem):
    text = HEAD + WHOLE.replace(old, new)
    assert text != HEAD + WHOLE
    with pytest.raises(InputError, match=problem) as caught:
        parse_waivers(text)
    assert str(caught.value).startswith("waivers.yaml:")


def test_a_waiver_has_to_say_which_finding():
    with pytest.raises(InputError, match=r"yaml:3:5: this waiver does not say which finding"):
        parse_waivers(HEAD + "  - {who: A, why: b, until: 2031-05-31}\n")


def test_a_second_waiver_of_a_finding_is_refused():
    with pytest.raises(InputError, match=r"yaml:16:5: a second waiver .* the first is in line 3"):
        parse_waivers(HEAD + WHOLE + WHOLE)


KEYS = [line.strip().removeprefix("- ") for line in WHOLE.splitlines()]


def variants():
    """Waivers with one line left out, or with another value."""
    for number in range(len(KEYS)):
        kept = KEYS[:number] + KEYS[number + 1 :]
        yield kept
        for value in ("", "x y", "[1, 2, 3]", "-5", "false", "{a: 1}"):
            yield [*kept, KEYS[number].split(":")[0] + ": " + value]


def test_the_schema_and_the_reader_agree():
    validator = Draft7Validator(waivers_schema())
    seen = set()
    for keys in variants():
        text = HEAD + "".join(
            f"  {'- ' if not number else '  '}{key}\n" for number, key in enumerate(keys)
        )
        document = parse_document(text, "waivers.yaml")
        found = not list(WAIVERS_FILE.problems(document))
        assert validator.is_valid(document.plain()) == found, text
        seen.add(found)
    assert seen == {True, False}


def applied(waiver, *findings, today=TODAY, **options):
    """The findings of one part and the remarks with one waiver."""
    (report,), remarks = apply([part(findings=findings)], [waiver], today, **options)
    return report.findings, [remark.message for remark in remarks]


def test_a_finding_is_waived_through_the_last_day_with_who_why_and_until():
    (found,), remarks = applied(replace(MADE, issue="https://issues.example.org/7"), HOLLOW)
    assert found.waived == "A. Person, until 2031-05-31: glued in (https://issues.example.org/7)"
    assert (found.remark, remarks) == ("", [])


def test_an_expired_waiver_does_not_hold_and_says_so():
    (found,), remarks = applied(MADE, HOLLOW, today=date(2031, 6, 1))
    assert found.waived == ""
    assert found.remark == "the waiver of A. Person (waivers.yaml:3) ran out on 2031-05-31"
    assert remarks == []


@pytest.mark.parametrize(
    ("changes", "how"),
    [
        ({"measured": 1.6}, "more air: 1.60 mm thick now, 1.50 before"),
        ({"fill": "missing", "measured": 0.3, "id": "5555555555"}, "missing now, hollow before"),
        ({"size": (60.0, 20.0), "id": "5555555555"}, "60.00 mm long now, 40.00 mm before"),
    ],
)
def test_a_waiver_does_not_hide_what_got_worse(changes, how):
    (found,), remarks = applied(MADE, changed(HOLLOW, **changes))
    assert found.waived == ""
    assert found.remark == (
        f"the waiver of A. Person (waivers.yaml:3) does not hold: it got worse since, {how}"
    )
    assert remarks == []


def test_a_waiver_of_an_indeterminate_finding_does_not_hide_a_certain_one():
    unsure = changed(HOLLOW, indeterminate=True, fill="solid")
    waiver = replace(MADE, certain=False, fill="solid")
    assert applied(waiver, unsure)[0][0].waived
    assert not applied(waiver, changed(unsure, indeterminate=False))[0][0].waived


def test_a_waiver_that_does_not_say_how_bad_it_was_does_not_hold():
    (found,), _ = applied(replace(MADE, measures=(), fill=None), HOLLOW)
    assert found.waived == ""
    assert "it lacks `measures: [1.5]` and `fill: hollow`" in found.remark


def test_a_waiver_holds_where_it_got_better():
    assert applied(MADE, changed(HOLLOW, measured=1.4, size=(20.0, 10.0)))[0][0].waived


def test_by_part_check_and_place():
    (waiver,) = parse_waivers(HEAD + BY_PLACE)
    (hollow, thin), remarks = applied(waiver, HOLLOW, THIN)
    assert (hollow.waived, bool(thin.waived), remarks) == ("", True, [])


def test_of_two_findings_the_nearer_one_is_accepted_and_only_that():
    near = replace(THIN, location=(1.0, 2.4, 3.0), box=((0, 2, 2), (2, 3, 4)))
    far = replace(THIN, id="2222222222", location=(1.0, 9.0, 3.0), box=((0, 8, 2), (2, 9, 4)))
    (waiver,) = parse_waivers(HEAD + BY_PLACE)
    for order in ((near, far), (far, near)):
        found = {one.id: bool(one.waived) for one in applied(waiver, *order)[0]}
        assert found == {near.id: True, far.id: False}


def test_the_place_outlives_a_change_of_name():
    assert applied(MADE, replace(HOLLOW, id="9999999999"))[0][0].waived


def test_the_name_outlives_a_move_of_the_origin():
    moved = replace(HOLLOW, location=(112.0, 3.5, 4.0), box=((92, 3, 0), (132, 4, 20)))
    assert applied(MADE, moved)[0][0].waived
    # Where a base shows that it is another one, it is.
    assert not applied(MADE, replace(moved, state="new"))[0][0].waived


def alike(number, x):
    return replace(
        HOLLOW,
        id=HOLLOW.id if number == 1 else f"{HOLLOW.id}-{number}",
        location=(x, 3.5, 4.0),
        box=((x - 1, -10.0, 0.0), (x + 1, 30.0, 20.0)),
    )


def test_of_findings_that_are_alike_the_place_tells_which():
    """The first of three is mended: the others take its number, but not its waiver."""
    waiver = replace(MADE, alike=3)
    found, _ = applied(waiver, alike(1, 12.0), alike(2, 24.0), alike(3, 36.0))
    assert [bool(one.waived) for one in found] == [True, False, False]
    found, remarks = applied(waiver, alike(1, 24.0), alike(2, 36.0))
    assert [bool(one.waived) for one in found] == [False, False]
    assert "matches no finding of parts/bracket.stl any more" in remarks[0]
    found, _ = applied(replace(waiver, finding=f"{HOLLOW.id}-2", place=(24.0, 3.5, 4.0)), *found)
    assert [bool(one.waived) for one in found] == [True, False]


def test_a_finding_without_a_place_is_known_by_its_name():
    waiver = replace(
        MADE, finding=DOUBLED.id, limits=("mesh",), place=None, measures=(2.0,), fill=None
    )
    assert applied(waiver, DOUBLED)[0][0].waived
    assert not applied(waiver, changed(DOUBLED, measured=3.0))[0][0].waived


def test_other_parts_and_other_rules_are_not_touched():
    assert not applied(replace(MADE, part="parts/other.stl"), HOLLOW)[0][0].waived
    assert not applied(replace(MADE, rules="rules/other.yaml"), HOLLOW)[0][0].waived
    assert applied(replace(MADE, rules="rules/petg.yaml"), HOLLOW)[0][0].waived


def test_a_waiver_that_matches_nothing_is_named_where_its_part_was_checked():
    message = (
        "waivers.yaml:3: the waiver of A. Person matches no finding of parts/bracket.stl any "
        "more: remove it."
    )
    assert applied(MADE)[1] == [message]
    assert applied(MADE, ELSEWHERE)[1] == [message]
    assert applied(replace(MADE, part="parts/other.stl"))[1] == []
    assert applied(replace(MADE, rules="rules/other.yaml"))[1] == []
    assert apply([part(status="error")], [MADE], TODAY)[1] == []


def test_a_waiver_of_a_part_that_is_gone_is_named():
    waiver = replace(MADE, part="parts/gone.stl")
    _, remarks = applied(waiver, gone=lambda path: path == "parts/gone.stl")
    assert "is for parts/gone.stl, which is not there" in remarks[0]


def test_a_waiver_that_names_no_part_is_judged_only_where_all_were_checked():
    waiver = replace(MADE, part="", place=None)
    assert applied(waiver, ELSEWHERE)[1] == []
    assert "matches no finding: remove it" in applied(waiver, ELSEWHERE, complete=True)[1][0]
    assert applied(waiver, HOLLOW, complete=True)[0][0].waived


COMMENTED = """\
# Waivers of this repository.
wallguard: 1   # format

waivers:  # oldest first

  # The clip.
  - finding: "0000000001"
    who: "A"   # by telephone
    why: 'it''s fine'
    until: 2031-05-31
  # The old lid, see its folder.
  - who: B
    part: lid.stl
    check: wall
    place: [1, 2,
            3]
    why: >-
      folded
      text
    until: 2031-05-31
  # Add new ones above this line.
"""


def test_the_first_waiver_makes_a_file():
    text, line = added("", MADE)
    assert [replace(one, line=MADE.line) for one in parse_waivers(text)] == [MADE]
    assert text.splitlines()[line - 1] == '  - finding: "0a1b2c3d4e"'


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_all_that_was_there_stays_as_it_was(end):
    before = COMMENTED.replace("\n", end)
    text, line = added(before, MADE)
    assert text.startswith(before)
    assert text.count(end) == text.count("\n")
    assert len(parse_waivers(text)) == 3
    assert parse_waivers(text)[-1].line == line


@pytest.mark.parametrize(
    "before",
    [
        COMMENTED.rstrip("\n"),
        "wallguard: 1\nwaivers: []\n",
        "wallguard: 1\nwaivers: [] # none yet\n",
        "waivers: []\nwallguard: 1\n",
        HEAD + WHOLE.replace("0a1b2c3d4e", "0000000001"),
        HEAD + BY_PLACE,
        "waivers:\n"
        + WHOLE.replace("0a1b2c3d4e", "0000000001")
        + "\n# The format.\nwallguard: 1\n",
        "wallguard: 1\nwaivers:\n- {finding: '0000000001', who: a, why: b, until: 2031-05-31}\n",
        HEAD
        + "  - finding: '0000000001'\n    who: a\n    until: 2031-05-31\n    why: |-\n      text",
    ],
)
def test_one_more_can_be_added_to_any_list_in_lines(before):
    text, _ = added(before, MADE)
    was, now = parse_waivers(before), parse_waivers(text)
    assert [replace(one, line=0) for one in now] == [replace(one, line=0) for one in (*was, MADE)]
    for line in before.splitlines():
        assert line.replace("[]", "").rstrip() in text


def test_a_list_within_brackets_is_left_alone_and_the_lines_are_given():
    before = "wallguard: 1\nwaivers: [{finding: '0000000001', who: a, why: b, until: 2031-05-31}]\n"
    with pytest.raises(InputError, match='add this by hand:\n  - finding: "0a1b2c3d4e"\n'):
        added(before, MADE)


@pytest.mark.parametrize(
    "words",
    ['it\'s "fine": # [really]', "- a: b", "null", "2031", "ü 日本 \\n \\x41", "*a &b !c %d"],
)
def test_any_words_are_kept(words):
    text, _ = added(COMMENTED, replace(MADE, why=words, who=words))
    assert parse_waivers(text)[-1].why == words
    assert parse_waivers(text)[-1].who == words


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"why": " "}, "`.*why`.*nothing but spaces"),
        ({"why": "two\nlines"}, "why.*line break"),
        ({"issue": "see there"}, "issue.*expected a link"),
        ({"part": "/tmp/part.stl"}, "part.*absolute path"),
    ],
)
def test_a_value_that_the_format_does_not_allow_is_refused(changes, problem):
    with pytest.raises(InputError, match=problem):
        added(COMMENTED, replace(MADE, **changes))


LOST = Breach("fill", "fail", 0.45)
FREE = Breach("free_wall", "fail", 1.0, 1.2)
RIB = replace(HOLLOW, breaches=(FREE,), fill="solid")
OF_RIB = replace(MADE, limits=("free_wall",), measures=(1.0,), fill="solid")


def test_only_the_limits_that_are_named_are_accepted():
    both = replace(RIB, breaches=(LOST, replace(FREE, measured=1.0)), fill="missing")
    (found,), remarks = applied(OF_RIB, both)
    assert [bool(one.waived) for one in found.breaches] == [False, True]
    assert (found.waived, found.check, found.severity) == ("", "fill", "fail")
    assert found.remark == "accepted but for `fill`"
    assert remarks == []
    whole = replace(OF_RIB, limits=("fill", "free_wall"), measures=(0.45, 1.0), fill="missing")
    assert applied(whole, both)[0][0].waived


def test_a_waiver_given_at_a_millimetre_does_not_hold_at_half_of_it():
    thinned = replace(RIB, breaches=(LOST, replace(FREE, measured=0.45)), fill="missing")
    (found,), _ = applied(OF_RIB, thinned)
    assert [one.waived for one in found.breaches] == ["", ""]
    assert found.remark.endswith("it got worse since, thinner by 0.55 mm (0.45 now, 1.00 before)")
    (found,), _ = applied(
        replace(OF_RIB, limits=("free_wall", "fill"), measures=(1.0, 0.1)), thinned
    )
    assert "missing now, solid before" in found.remark
    assert not found.waived


def test_two_waivers_may_accept_two_limits_of_one_place():
    both = replace(RIB, breaches=(LOST, FREE), fill="missing")
    first = replace(OF_RIB, fill=None)
    second = replace(OF_RIB, who="B", limits=("fill",), measures=(0.45,), fill="missing")
    (report,), _ = apply([part(findings=(both,))], [first, second], TODAY)
    assert [one.waived[:1] for one in report.findings[0].breaches] == ["B", "A"]


def test_a_waiver_that_names_no_limits_does_not_hold():
    (found,), _ = applied(replace(MADE, limits=(), measures=()), HOLLOW)
    assert "it lacks `limits: [fill]`" in found.remark
    assert not found.waived


def test_a_waiver_that_would_never_run_out_does_not_hold():
    forever = replace(MADE, until=date(2099, 1, 1))
    (found,), remarks = applied(forever, HOLLOW)
    assert not found.waived
    assert "2032-05-30 is the latest day allowed" in found.remark
    assert "waivers.yaml:3: the waiver of A. Person runs until 2099-01-01" in remarks[0]
    assert applied(forever, HOLLOW, longest=40000)[0][0].waived
    assert not applied(replace(MADE, until=date(2031, 6, 30)), HOLLOW, longest=10)[0][0].waived


def slats(count, **changes):
    return [
        replace(alike(at + 1, 12.0 * at), shape="wall fill hollow 30 40x20") for at in range(count)
    ]


GRILLE = replace(MADE, place=None, shape="wall fill hollow 30 40x20", alike=3)


def test_as_many_alike_findings_are_accepted_as_the_waiver_says_and_not_one_more():
    assert all(one.waived for one in applied(GRILLE, *slats(3))[0])
    assert all(one.waived for one in applied(GRILLE, *slats(2))[0])
    old = [replace(one, state="unchanged") for one in slats(4)]
    old[1] = replace(old[1], state="new")
    found, remarks = applied(GRILLE, *old)
    assert [bool(one.waived) for one in found] == [True, False, True, True]
    assert "accepts 3 such, and this is more" in found[1].remark
    assert remarks == []
    worse = changed(slats(1)[0], measured=1.6)
    assert not applied(GRILLE, worse)[0][0].waived


def test_a_waiver_follows_a_part_that_was_renamed_or_converted():
    moved = part("parts/new.obj", was="parts/bracket.stl", findings=(HOLLOW,))
    (report,), remarks = apply([moved], [MADE], TODAY)
    assert report.findings[0].waived
    # Without a base: the very finding at the very place, and only where the old part is gone.
    moved = replace(moved, was="")
    (report,), remarks = apply([moved], [MADE], TODAY, gone=lambda path: True)
    assert report.findings[0].waived
    assert "is for parts/bracket.stl, which is parts/new.obj now: name it so" in remarks[0].message
    assert not apply([moved], [MADE], TODAY)[0][0].findings[0].waived
    twice = [moved, replace(moved, path="parts/copy.obj")]
    reports, _ = apply(twice, [MADE], TODAY, gone=lambda path: True)
    assert not any(report.findings[0].waived for report in reports)


@pytest.mark.parametrize(
    ("changes", "how"),
    [
        ({"until": date(2031, 6, 1)}, "until 2031-06-01 instead of 2031-05-31"),
        ({"limits": ("fill", "wall"), "measures": (1.5, 1.5)}, "accepts wall too"),
        ({"measures": (1.7,)}, "says otherwise what it accepts"),
        ({"finding": "0000000009"}, "new"),
        ({"until": date(2031, 5, 1)}, ""),
        ({"why": "other words", "who": "B", "line": 9}, ""),
        ({"limits": (), "measures": ()}, ""),
    ],
)
def test_what_a_change_does_to_waivers(changes, how):
    found = strengthened([MADE], [replace(MADE, **changes)])
    assert [one.how for one in found] == ([how] if how else [])


def test_a_waiver_of_an_older_file_that_is_written_anew_is_not_new():
    (old,) = parse_waivers(HEAD + BY_PLACE)
    (new,) = parse_waivers(
        HEAD
        + BY_PLACE.replace("check: wall", "limits: [wall]").replace(
            "measured: 0.6", "measures: [0.6]"
        )
    )
    assert old == new
    assert strengthened([old], [new]) == ()
    assert [one.how for one in strengthened([], [new])] == ["new"]
