"""Who may be hostile, and what fails: the table of DEVELOPERS.md, and one repository that tries all
that can be tried with words."""

import ast
import json
import os
import re
from datetime import date, timedelta
from html import escape
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from design_repository import CONFIG, RULES, design_repository, stl
from solids import box, mesh
from test_faults import TABLE
from test_mesh_threemf import model, package

from wallguard.commands.main import main

TOKEN = "ghp_0123456789abcdefghij"
IMAGE = "![t](https://evil.example/p.png) <img src=https://evil.example/q.png> </script><script>"
MENTION = "@everyone <!-- wallguard comment: walls -->"
# A file's name holds no slash.
NAME = "a\n::error::merge-it\n##[error]so\x1b[31m\x1b]0;t\x07<img src=x onerror=alert(1)>`|.stl"

# XML has no control characters but line breaks, and these can be spelled.
WITHIN = f"b\n::error::merge-it\n##[error]so {IMAGE} {MENTION}|`"


def named(name):
    """The object of a 3MF file: a tube with thin walls, of that name."""
    tube = mesh(box([20, 20, 4]) - box([17, 17, 6], [1.5, 1.5, -1]))
    vertices = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in tube.vertices.tolist())
    triangles = "".join(
        f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in tube.triangles.tolist()
    )
    said = escape(name).replace("\n", "&#10;")
    inner = f"<vertices>{vertices}</vertices><triangles>{triangles}</triangles>"
    return f'<object id="1" name="{said}"><mesh>{inner}</mesh></object>'


def rows():
    text = TABLE.read_text(encoding="utf-8")
    table = text.partition("## Whom wallguard does not trust")[2].partition("\n## ")[0]
    lines = [line for line in table.splitlines() if line.startswith("| ")][1:]
    return [[cell.strip() for cell in line.strip("| ").split(" | ")] for line in lines]


def test_every_row_names_tests_that_there_are():
    tests = {
        f"{path.name}::{node.name}"
        for path in Path(__file__).parent.glob("test_*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef)
    }
    wants = set()
    for _, want, how, named in rows():
        names = re.findall(r"`([^`]+)`", named)
        assert names, want
        assert {*names} <= tests, {*names} - tests
        assert how
        wants.add(want.partition(":")[0])
    assert wants == {
        "run code",
        "read a token",
        "hide a finding",
        "stall the pipeline",
        "forge a comment",
        "track a reader",
        "write elsewhere",
    }


def _leads_away(name, value):
    return "evil" in value or (name in ("src", "href") and not value.startswith(("data:", "#")))


class Tags(HTMLParser):
    """The elements of a page with their attributes."""

    def __init__(self, text):
        super().__init__()
        self.tags = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    @property
    def fetched(self):
        """What a browser would load, follow or run of a page from somewhere else."""
        return [
            (tag, name, value)
            for tag, attributes in self.tags
            for name, value in attributes.items()
            if name.startswith("on") or _leads_away(name, value or "")
        ]


@pytest.fixture
def work(tmp_path, monkeypatch):
    """A repository whose names and words are all made to be taken for something else."""
    made = design_repository(tmp_path, monkeypatch)
    made.write("wallguard.yaml", CONFIG.replace('"**/*.stl"', '["**/*.stl", named.3mf]'))
    said = json.dumps(f"{IMAGE} {MENTION} ::error::merge-it")
    rules = RULES.replace("name: PETG", f"name: {said}") + f"notes: {said}\n"
    made.write("rules/petg.yaml", rules)
    for name in (NAME, "bad.stl"):
        stl(made.root / name, 1.5)
    # A name within a file, where line breaks and all else can be spelled.
    (made.root / "named.3mf").write_bytes(package(model(named(WITHIN))))
    monkeypatch.chdir(made.root)
    for name in ("GITHUB_TOKEN", "GITLAB_TOKEN"):
        monkeypatch.setenv(name, TOKEN)
    main(["check", "--all", "--json", "first.json"])
    parts = json.loads((made.root / "first.json").read_text())["parts"]
    (finding, *_) = next(part["findings"] for part in parts if part["path"] == "bad.stl")
    until = (date.today() + timedelta(days=30)).isoformat()
    words = [
        "--part",
        "bad.stl",
        "--why",
        f"{IMAGE} {MENTION} ::error::merge-it",
        "--until",
        until,
        "--who",
        IMAGE,
    ]
    assert main(["waive", finding["id"], *words]) == 0
    (made.root / "first.json").unlink()
    return made


@pytest.mark.skipif(os.name == "nt", reason="no such names")
def test_words_stay_words_in_every_output(work, capsys):
    files = {name: f"w.{name}" for name in ("junit", "markdown", "json", "sarif", "code-quality")}
    words = [word for name, file in files.items() for word in (f"--{name}", file)]
    capsys.readouterr()
    main(["check", "--all", *words, "--html", "w.html", "--pictures", "pictures"])
    shown = {"console": "".join(capsys.readouterr())}
    main(["comment", "w.json", "--dry-run", "--forge", "github"])
    shown["comment"] = "".join(capsys.readouterr())
    main(["chart", "rules/petg.yaml", "--svg", "c.svg", "--markdown", "c.md"])
    shown["chart"] = "".join(capsys.readouterr())
    for path in (
        *work.root.glob("w.*"),
        *work.root.glob("c.*"),
        *(work.root / "pictures").glob("*.svg"),
    ):
        shown[path.name] = path.read_text(encoding="utf-8")
    assert len(shown) > 10
    for name, text in shown.items():
        assert "\x1b" not in text and "\x07" not in text, name
        assert TOKEN not in text, name
        begins = [line.lstrip() for line in text.splitlines()]
        assert not [line for line in begins if line.startswith(("::", "##["))], name
    assert "merge-it" in shown["console"]
    (held,) = [part for part in json.loads(shown["w.json"])["parts"] if part["path"] == "named.3mf"]
    assert held["findings"] and "merge-it" in held["mesh"]["names"][0]
    for name in ("w.json", "w.sarif", "w.code-quality"):
        json.loads(shown[name])
    for name in [name for name in shown if name.endswith((".svg", ".junit"))]:
        kinds = {
            str(node.tag).rpartition("}")[2] for node in ElementTree.fromstring(shown[name]).iter()
        }
        assert not kinds & {"script", "image", "a", "foreignObject", "img"}, name
    assert not Tags(shown["w.html"]).fetched


@pytest.mark.skipif(os.name == "nt", reason="no such names")
def test_markdown_shows_no_picture_and_leads_nowhere(work, capsys):
    cmarkgfm = pytest.importorskip("cmarkgfm")
    from cmarkgfm.cmark import Options

    main(["check", "--all", "--json", "w.json", "--markdown", "w.md"])
    main(["chart", "rules/petg.yaml", "--markdown", "c.md"])
    capsys.readouterr()
    main(["comment", "w.json", "--dry-run", "--forge", "github"])
    texts = [
        capsys.readouterr().out,
        *((work.root / name).read_text() for name in ("w.md", "c.md")),
    ]
    for text in texts:
        page = Tags(cmarkgfm.github_flavored_markdown_to_html(text, Options.CMARK_OPT_UNSAFE))
        assert not page.fetched
        assert not {tag for tag, _ in page.tags} & {"img", "script", "iframe"}
    # The marker, by which the comment is found again, begins no other line; nothing else is hidden.
    lines = texts[0].splitlines()
    assert [at for at, line in enumerate(lines) if line.startswith("<!--")] == [0]
    page = cmarkgfm.github_flavored_markdown_to_html(texts[0], Options.CMARK_OPT_UNSAFE)
    assert page.count("<!--") == 1
