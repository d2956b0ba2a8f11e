"""`wallguard library new` and `catalogue`: what a library begins with, and its pages."""

import subprocess
from datetime import date
from pathlib import Path

import pytest
from test_library import BASE, PARTS

from wallguard.base.errors import InputError
from wallguard.commands.libraries import catalogue, new
from wallguard.commands.main import main
from wallguard.rules.load import load_rules

AGED = "measured_on: 2027-03-01\nmeasured_by: Ada\nstale_after: 30 days\n"


@pytest.fixture
def rules(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules/petg.yaml").write_text(BASE + AGED)
    wider = BASE.replace("width: 0.45", "width: 0.6").replace("name: shared", "name: '<b>wide'")
    (tmp_path / "rules/wide.yaml").write_text(wider)
    own = "wallguard: 1\nextends: petg.yaml\nname: own\n"
    (tmp_path / "rules/own.yaml").write_text(own)
    return tmp_path


def test_a_library_is_made_and_a_repository_uses_it(rules, capsys):
    assert main(["library", "new", "lib", "rules/petg.yaml", "rules/own.yaml"]) == 0
    told = capsys.readouterr().out
    assert "good on every printer: " in told and "wrote: lib/catalogue.html" in told
    # What extended another file stands by itself now.
    whole = load_rules(Path("lib/own.yaml"), Path("lib"))
    assert (whole.name, whole.layer_height, whole.files) == ("own", 0.2, ("own.yaml",))
    for words in (["init", "-q"], ["add", "."], ["commit", "-qm", "one"], ["tag", "2027.1"]):
        user = ["-c", "user.name=t", "-c", "user.email=t@example.org"]
        subprocess.run(["git", "-C", "lib", *user, *words], check=True, capture_output=True)
    asked = "libraries: [{name: library, git: lib, revision: '2027.1'}]\n"
    Path("wallguard.yaml").write_text(f"wallguard: 1\n{PARTS}{asked}")
    used = "wallguard: 1\nextends: library/petg.yaml@2027.1\nname: own\n"
    Path("rules/own.yaml").write_text(used)
    assert main(["library", "update"]) == 0
    assert load_rules(Path("rules/own.yaml"), rules).layer_height == 0.2


def test_the_catalogue_has_every_process_and_all_of_them_together(rules):
    lines, code = catalogue.run(rules / "rules", date(2027, 5, 1))
    assert code == 0
    markdown = (rules / "rules/CATALOGUE.md").read_text()
    page = (rules / "rules/catalogue.html").read_text()
    for text in (markdown, page):
        assert "Good on every printer: " in text
        assert "Measured on 2027-03-01 by Ada." in text and "Measured 61 days ago." in text
        assert "To be mended:" in text and "stale" in text
        assert "As of 2027-05-01." in text
    assert markdown.count("| nominal, mm | 1 | 2 | 3 | on all |") == 1
    assert page.count("data:image/svg+xml;base64,") == 3
    assert "<b>wide" not in page and "&lt;b&gt;wide" in page
    assert "<script" not in page and "default-src 'none'" in page
    # The same again, and no file of somebody else's.
    assert catalogue.run(rules / "rules", date(2027, 5, 1))[0] == lines
    (rules / "rules/CATALOGUE.md").write_text("mine")
    with pytest.raises(InputError, match="no earlier output"):
        catalogue.run(rules / "rules")
    assert (rules / "rules/CATALOGUE.md").read_text() == "mine"


def test_a_rule_file_that_cannot_be_used_is_told_and_the_others_are_there(rules, capsys):
    (rules / "rules/broken.yaml").write_text("wallguard: 1\nnmae: x\n")
    assert main(["library", "catalogue", "rules"]) == 2
    assert "broken.yaml" in capsys.readouterr().out
    assert "Files that could not be used" in (rules / "rules/CATALOGUE.md").read_text()


def test_without_rule_files_it_begins_with_one(rules, capsys):
    assert main(["library", "new", "lib"]) == 0
    assert load_rules(Path("lib/material-extrusion-0.4.yaml")).layer_height == 0.2
    assert "library/material-extrusion-0.4.yaml@2027.1" in Path("lib/README.md").read_text()


def test_nothing_is_overwritten(rules):
    with pytest.raises(InputError, match="not empty"):
        new.run(rules / "rules")
    with pytest.raises(InputError, match="named petg"):
        new.run(rules / "lib", [rules / "rules/petg.yaml", rules / "rules/petg.yaml"])
    assert not (rules / "lib").exists()
    (rules / "empty").mkdir()
    with pytest.raises(InputError, match="no rule file that can be used"):
        catalogue.run(rules / "empty")
