"""Pages from templates: nothing of a file's text gets out of its place."""

import subprocess
import sys

import pytest

from wallguard.commands.coupon.make import write_coupon
from wallguard.jobs.characterise import make_coupon
from wallguard.reports import templates
from wallguard.rules.model import Beads, Rules

HOSTILE = "<script>alert(1)</script> {{ 7 * 7 }} & \"two\" 'one' \x1b[31m \u202e"
BEADS = Beads(width=0.45, contours=2, smallest_wall=0.4, squeeze=0.1, smallest_fill=0.3)


def test_what_is_shown_is_escaped_and_can_be_seen(tmp_path):
    named = dict.fromkeys(("name", "printer", "material"), HOSTILE)
    rules = Rules(HOSTILE, category="material extrusion", layer_height=0.2, beads=BEADS, **named)
    write_coupon(make_coupon(rules, features={"pin"}), tmp_path / "c")
    page = (tmp_path / "c" / "measure.html").read_text(encoding="utf-8")
    assert "<script" not in page and "\x1b" not in page and "\u202e" not in page
    # In the title, the heading, and about the process: as it was written, not worked out.
    shown = (
        "&lt;script&gt;alert(1)&lt;/script&gt; {{ 7 * 7 }} &amp; &#34;two&#34; &#39;one&#39; \\x1b"
    )
    assert page.count(shown) == 4


def test_what_a_message_quotes_is_code_and_stays_text(tmp_path, monkeypatch):
    (tmp_path / "t.html").write_text("{{ said | told }}")
    monkeypatch.setattr(templates, "_FOLDER", tmp_path)
    templates._environment.cache_clear()
    for said, shown in (
        ("set `unit: inch` there", "set <code>unit: inch</code> there"),
        ("one:\n  `<b>` & \x1b", "one:<br>  <code>&lt;b&gt;</code> &amp; \\x1b"),
        ("a lone ` and `` none", "a lone ` and `` none"),
    ):
        assert templates.render("t.html", said=said) == shown
    templates._environment.cache_clear()


def test_a_name_that_a_template_does_not_get_is_an_error(tmp_path, monkeypatch):
    from jinja2 import UndefinedError

    (tmp_path / "t.html").write_text("{{ known }} {{ unknown }}\n")
    monkeypatch.setattr(templates, "_FOLDER", tmp_path)
    templates._environment.cache_clear()
    with pytest.raises(UndefinedError, match="unknown"):
        templates.render("t.html", known=1)
    templates._environment.cache_clear()


def test_the_library_of_templates_is_loaded_with_the_first_page_only():
    code = (
        "import sys; import wallguard.commands.coupon, wallguard.reports.coupon_sheet_html;"
        "print('jinja2' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout == "False\n"
