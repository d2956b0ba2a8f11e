"""The page for who drew the part: complete without scripts, without jargon, everything escaped."""

import re
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace

import pytest
from report_samples import hostile
from solids import box, save
from test_commands_toolpath import RULES, program

from wallguard.commands.main import main
from wallguard.reports import customer
from wallguard.reports.formats import Setting

# Words that mean nothing to who owns no printer.
JARGON = ("indeterminate", "breach", "gate", "toolpath_", "rules ask", "set no limit", "≤", "≥")
SOFTER = RULES.replace("name: bench", "measured_on: 2027-03-01\nmeasured_by: Ada\nname: bench")


class _Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.words, self.links = [], [], []

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.links += [value for name, value in attributes if name in ("src", "href")]

    def handle_data(self, data):
        self.words.append(data)


def page(path):
    made = _Page()
    made.feed(Path(path).read_text(encoding="utf-8"))
    return made, " ".join("".join(made.words).split())


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder without git and without wallguard.yaml."""
    save(tmp_path / "bar.stl", box([30, 1.35, 2], [-15, -0.675, 0]))
    save(tmp_path / "thick.stl", box([30, 2.7, 4]))
    rules = SOFTER.replace("smallest_fill: 0.4", "smallest_fill: 0.6")
    (tmp_path / "r.yaml").write_text(rules)
    (tmp_path / "fill.yaml").write_text(SOFTER)
    (tmp_path / "hollow.gcode").write_text(program(1.35, 1))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_page_for_a_customer_needs_no_repository(folder):
    words = ["check", "bar.stl", "--rules", "r.yaml", "--html", "c.html", "--for", "customer"]
    assert main(words) == 1
    made, said = page("c.html")
    assert "Please change bar.stl before it is printed" in said and "-0.0" not in said
    assert "Wall 1.35 mm thick" in said and re.search(r"Instead: Draw \d\.\d\d to ", said)
    assert "measured on 2027-03-01 by Ada" in said and "layers of 0.2 mm" in said
    assert "It never says that a part is safe to use." in said
    assert "30.0 x 1.4 x 2.0 mm" in said or "30.0 x 1.3 x 2.0 mm" in said
    assert "figure" in made.tags and "svg" in made.tags
    assert not {"script", "details", "iframe", "link"} & {*made.tags}
    assert all(link.startswith("data:") for link in made.links)
    assert [word for word in JARGON if word in said] == []
    text = Path("c.html").read_text()
    assert "size: A4" in text and "default-src 'none'" in text


def test_the_page_of_a_reviewer_needs_no_repository_either(folder):
    save(folder / "small.stl", box([0.9, 0.5, 0.5]))
    words = ["check", "bar.stl", "small.stl", "--rules", "r.yaml", "--html", "part.html"]
    assert main(words) == 1
    text = Path("part.html").read_text()
    # Nothing can be merged here.
    assert "bar.stl" in text and "<h1>Do not print this yet</h1>" in text
    assert "set <code>unit: inch</code> for this part" in text
    assert main(["check", "thick.stl", "--rules", "fill.yaml", "--html", "part.html"]) == 0
    assert "<h1>Its walls come out as far as walls go</h1>" in Path("part.html").read_text()


def test_a_part_that_passes_says_what_was_assumed(folder):
    words = ["check", "thick.stl", "--rules", "fill.yaml", "--html", "c.html", "--for", "customer"]
    assert main(words) == 0
    _, said = page("c.html")
    assert "All of it comes out as drawn" in said and "What was assumed" in said


def test_of_a_toolpath(folder):
    words = ["toolpath", "hollow.gcode", "--part", "bar.stl", "--rules", "fill.yaml"]
    assert main([*words, "--html", "t.html", "--for", "customer"]) == 1
    made, said = page("t.html")
    assert "Do not print bar.stl with this toolpath" in said and "hollow" in said
    assert "img" in made.tags and all(link.startswith("data:image/svg") for link in made.links)
    assert [word for word in JARGON if word in said] == []


def test_of_an_impact(folder):
    words = ["impact", "bar.stl", "--from", "fill.yaml", "--to", "r.yaml", "--html", "i.html"]
    assert main([*words, "--for", "customer"]) == 1
    made, said = page("i.html")
    assert "After the change of the printer, bar.stl would come out worse" in said
    assert "figure" in made.tags and "Instead: Draw" in said
    assert [word for word in JARGON if word in said] == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["check", "bar.stl", "--rules", "r.yaml", "--for", "customer"], "Add --html FILE"),
        (
            ["toolpath", "hollow.gcode", "--part", "bar.stl", "--html", "x.html"],
            "Add --for customer",
        ),
    ],
)
def test_what_does_not_go_together_is_said_before_any_work(folder, capsys, words, says):
    assert main(words) == 2
    assert says in capsys.readouterr().err
    assert not Path("x.html").exists()


def test_a_file_that_is_no_page_is_not_replaced(folder, capsys):
    Path("c.html").write_text("mine")
    words = ["check", "bar.stl", "--rules", "r.yaml", "--html", "c.html", "--for", "customer"]
    assert main(words) == 2
    assert Path("c.html").read_text() == "mine"


def test_what_cannot_be_checked_is_on_the_page(folder):
    Path("bad.stl").write_text("no mesh")
    words = ["check", "bad.stl", "--rules", "r.yaml", "--html", "c.html", "--for", "customer"]
    assert main(words) == 2
    _, said = page("c.html")
    assert "Not everything could be checked" in said and "bad.stl" in said
    assert "Export the part again. " in said


def test_every_text_from_outside_is_escaped():
    text = customer.show_report(hostile(), Setting(Path("c.html")))
    assert "<script" not in text
    assert re.search(r"<title>[^<]* - wallguard</title>", text)


def test_who_drew_the_part_is_asked_for_its_unit_and_sets_nothing(folder):
    save(folder / "small.stl", box([0.9, 0.5, 0.5]))
    main(["check", "small.stl", "--rules", "r.yaml", "--html", "c.html", "--for", "customer"])
    _, said = page("c.html")
    assert "tell us in which unit it is drawn" in said and "wallguard.yaml" not in said
    assert "First of all its unit has to be known" in said
    assert "First of all the unit of small.stl has to be known" in said


def test_what_could_be_better_does_not_all_come_out_as_drawn(folder):
    (folder / "w.yaml").write_text(SOFTER + "minimum: {wall: {warn: 3.0}}\n")
    words = ["check", "thick.stl", "--rules", "w.yaml", "--html", "c.html", "--for", "customer"]
    assert main(words) == 0
    _, said = page("c.html")
    assert "some of it could be better" in said and "All of it" not in said


@pytest.mark.parametrize("kind", ["raised", "sunken"])
def test_a_stroke_has_a_name_that_reads(kind):
    finding = SimpleNamespace(subject=SimpleNamespace(kind=kind))
    assert customer._title(finding) == f"A {kind} detail"
