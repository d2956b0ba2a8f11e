"""Where the numbers of a rule file are from: written by a fit, told, and compared with what is."""

import hashlib
from datetime import date, timedelta

import pytest
import yaml
from solids import box, save
from test_commands_toolpath import RULES, program, words
from test_coupon_commands import BASE_TEXT, MACHINE_A, csv

from wallguard.commands.main import main
from wallguard.jobs.provenance import remarks
from wallguard.jobs.toolpath_head import other_release
from wallguard.rules.load import load_rules
from wallguard.rules.origin import age, origin, stale
from wallguard.rules.provenance import MadeWith

HEAD = """\
# process: A
# instrument_error: 0.02
# date: 2027-03-01
# read_by: Ada
# software: Layerer 2.7
# firmware: 4.1
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    for name in ("rules", "coupon"):
        (tmp_path / name).mkdir()
    (tmp_path / "rules/base.yaml").write_text(BASE_TEXT)
    (tmp_path / "coupon/a.csv").write_text(csv(MACHINE_A, head=HEAD))
    (tmp_path / "fine.ini").write_text("width = 0.45\n")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def fit(*more):
    words = ["coupon", "fit", "coupon/a.csv", "--rules", "rules/base.yaml", "-o", "rules/new.yaml"]
    return main([*words, *more])


def test_a_fit_writes_who_measured_when_and_with_what(folder, capsys):
    assert fit("--settings", "fine.ini") == 0
    said = yaml.safe_load((folder / "rules/new.yaml").read_text())
    digest = {
        name: f"sha256:{hashlib.sha256((folder / name).read_bytes()).hexdigest()}"
        for name in ("fine.ini", "coupon/a.csv")
    }
    assert said["made_with"] == {
        "software": "Layerer 2.7",
        "settings": "../fine.ini",
        "hash": digest["fine.ini"],
        "firmware": "4.1",
    }
    assert said["measured_on"] == date(2027, 3, 1)
    assert said["measured_by"] == "Ada"
    assert said["coupon"] == [{"readings": "../coupon/a.csv", "hash": digest["coupon/a.csv"]}]
    told = words(capsys.readouterr().out)
    assert "measured on 2027-03-01 by Ada, made with Layerer 2.7, settings in" in told


def test_what_is_said_with_an_option_goes_before_what_readings_say(folder):
    assert fit("--software", "Layerer 2.8", "--measured-by", "Bo") == 0
    rules = load_rules(folder / "rules/new.yaml")
    assert rules.made_with.software == "Layerer 2.8" and rules.measured_by == "Bo"


def test_a_fit_takes_over_nothing_that_was_known_of_other_numbers(folder):
    old = "made_with: {software: Layerer 1.0}\nmeasured_on: 2020-01-01\nstale_after: 90 days\n"
    (folder / "rules/base.yaml").write_text(BASE_TEXT + old)
    (folder / "coupon/a.csv").write_text(csv(MACHINE_A))
    assert fit() == 0
    rules = load_rules(folder / "rules/new.yaml")
    assert (rules.made_with, rules.measured_on, rules.stale_after) == (MadeWith(), None, 90)


def test_readings_without_a_day_are_told(folder, capsys):
    (folder / "coupon/a.csv").write_text(csv(MACHINE_A, head="# date: 1.3.2027\n"))
    assert fit() == 0
    assert "`# date: 1.3.2027` is no year-month-day" in capsys.readouterr().out


def test_numbers_that_are_too_old_are_a_remark_of_a_check(folder, capsys):
    save(folder / "part.stl", box([40, 2.0, 10]))
    base, day = folder / "rules/base.yaml", date.today() - timedelta(days=181)
    for days, code in ((180, True), (181, False)):
        base.write_text(f"{BASE_TEXT}measured_on: {day}\nstale_after: {days} days\n")
        assert main(["check", "part.stl", "--rules", "rules/base.yaml"]) == 0
        told = words(capsys.readouterr().out)
        assert (f"measured on {day}, 181 days ago, and `stale_after` is 180 days" in told) is code
        assert main(["chart", "rules/base.yaml"]) == 0
        assert ("`stale_after` is" in words(capsys.readouterr().out)) is code


def test_a_file_that_is_not_what_it_was_is_told(folder):
    fit("--settings", "fine.ini")
    rules, today = load_rules(folder / "rules/new.yaml", folder), date(2027, 3, 2)
    assert list(remarks(rules, folder, today)) == []
    (folder / "fine.ini").write_text("width = 0.5\n")
    (folder / "coupon/a.csv").write_text("other")
    settings, readings = remarks(rules, folder, today)
    assert "../fine.ini is not what it was" in settings and "coupon fit" in readings
    (folder / "fine.ini").unlink()  # what is not there is not known to differ
    assert len(list(remarks(rules, folder, today))) == 1


def test_no_file_outside_the_repository_is_looked_at(folder):
    fit("--settings", "fine.ini")
    (folder / "fine.ini").write_text("other")
    rules = load_rules(folder / "rules/new.yaml", folder / "rules")
    assert list(remarks(rules, folder / "rules", date(2027, 3, 2))) == []


def test_words_of_age(folder):
    fit()
    rules = load_rules(folder / "rules/new.yaml")
    assert age(rules, date(2027, 3, 2)) == "measured 1 day ago"
    assert "a day to come" in stale(rules, date(2027, 2, 1))
    assert origin(load_rules(folder / "rules/base.yaml")) == ""
    base = folder / "rules/base.yaml"
    base.write_text(BASE_TEXT + "stale_after: 1 day\n")
    assert "nobody knows how old" in stale(load_rules(base), date(2027, 1, 1))


def test_a_report_does_not_depend_on_where_numbers_are_from(folder):
    fit()
    rules = load_rules(folder / "rules/new.yaml")
    assert rules.asking().measured_by == "" and rules.asking().coupon == ()
    assert rules.asking().bands == rules.bands


@pytest.mark.parametrize(
    ("line", "asked", "says"),
    [
        ("; generated by Layerer 2.8.0 on a day", "Layerer 2.7", "'Layerer 2.8.0'"),
        ("; LAYERER_VERSION = x\n;layerer version: v2.8", "Layerer 2.7", "2.8"),
        ("; generated by Layerer 2.7.1+x64", "Layerer 2.7", ""),
        ("; Layerer 2.7.1", "Layerer v2.7.1", ""),
        ("; Layerer 2.7.12", "Layerer 2.7.1", "2.7.12"),
        ("(sliced with Other Thing 3)", "Layerer 2.7", "'Other Thing 3'"),
        ("; nothing of the kind", "Layerer 2.7", ""),
        ("G1 X1 ; Layerer 2.8", "Layerer 2.7", ""),
        ("; Layerers 2.8", "Layerer 2.7", ""),
        ("; Layerer 2.8", "Layerer", ""),
        ("; made with (Layerer", "(Layerer", ""),
    ],
)
def test_the_head_of_a_toolpath_names_a_release(tmp_path, line, asked, says):
    path = tmp_path / "a.gcode"
    path.write_text(f"G21\n{line}\nG1 X1\n")
    said = other_release(path, asked)
    assert (says in said and "A comment is no proof" in said) if says else said == ""


def test_another_release_is_a_remark_and_changes_no_outcome(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    save(tmp_path / "bar.stl", box([30, 1.35, 2], [-15, -0.675, 0]))
    (tmp_path / "rules.yaml").write_text(RULES + "made_with: {software: Layerer 2.7}\n")
    codes, told = [], []
    for head in ("", "; generated by Layerer 2.9\n"):
        (tmp_path / "a.gcode").write_text(head + program(1.35, 1, filling=0.45))
        codes.append(main(["toolpath", "a.gcode", "--part", "bar.stl", "--rules", "rules.yaml"]))
        told.append(words(capsys.readouterr().out))
    assert codes == [0, 0]
    assert "Layerer 2.9" not in told[0]
    assert "says it is of 'Layerer 2.9', and the rules were made with 'Layerer 2.7'" in told[1]


def test_drift_says_since_when(folder, capsys):
    fit()
    hollow = [row if row[0] != 0.8 else (0.8, "hollow", (1.2,)) for row in MACHINE_A]
    for day, rows in (("04", MACHINE_A), ("05", hollow), ("06", hollow)):
        head = f"# instrument_error: 0.02\n# date: 2027-{day}-01\n"
        (folder / f"{day}.csv").write_text(csv(rows, head=head))
    assert main(["coupon", "drift", "rules/new.yaml", "06.csv"]) == 1
    told = capsys.readouterr().out
    assert "when: after 2027-03-01, when the rules were measured, and by 2027-06-01\n" in told
    assert main(["coupon", "drift", "rules/new.yaml", "06.csv", "05.csv", "04.csv"]) == 1
    assert "when: after 2027-04-01, when it was not, and by 2027-05-01\n" in capsys.readouterr().out
