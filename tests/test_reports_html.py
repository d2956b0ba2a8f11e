"""The page for a browser: the verdict first, all of it escaped, nothing fetched, bounded."""

import base64
import hashlib
import json
import re
import zlib
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from report_samples import HOSTILE, changed, finding, wall
from solids import box
from view_samples import report

from wallguard.findings.model import PartReport, Report, Trouble, Weakening
from wallguard.reports import html as page
from wallguard.reports import packing
from wallguard.reports.html import html


class Tags(HTMLParser):
    """Every tag with its attributes, and the text outside scripts and styles."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.said, self._inside = [], [], ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._inside = tag

    def handle_endtag(self, tag):
        self._inside = ""

    def handle_data(self, data):
        if self._inside not in ("script", "style"):
            self.said.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.said).split())


def sample(**changes):
    part = report(box([40, 1.5, 10]), "page")
    given = {"parts": (part,), "version": "1.2.3", "started": "2026-01-02T03:04:05"}
    return Report(**(given | changes))


def test_the_first_words_answer_what_a_reviewer_asks():
    body = Tags(html(sample())).text.partition("- wallguard")[2]
    first = body[:400]
    assert first.startswith(" Do not merge 1 of 1 part failed; findings: 1 fail.")
    assert "part.stl" in first
    assert "wall 1.50 mm thick at (20.0, 0.8, 5.0)" in first
    assert "Instead: draw 1.05-1.22 or 1.73-2.37 mm" in first


def test_a_part_that_passes_may_be_merged():
    passed = report(box([40, 2, 10]), "page")
    said = Tags(html(Report(parts=(passed,)))).text
    assert "May be merged as far as walls go 1 of 1 part passed." in said
    assert "No findings." in said
    assert "never says that a part is safe" in said


def test_nothing_checked_says_so():
    assert "Nothing was checked there was no part to check." in Tags(html(Report(()))).text


def test_only_the_two_scripts_may_run_and_nothing_may_be_fetched():
    text = html(sample())
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1]
    scripts = re.findall(r"<script>(.*?)</script>", text, re.DOTALL)
    assert len(scripts) == 2
    for script in scripts:
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe-inline" not in policy.split("script-src")[1].split(";")[0]
    assert "unsafe-eval" not in policy
    sources = [attrs.get("src", "") for _, attrs in Tags(text).tags]
    assert all(not source or source.startswith("data:") for source in sources)
    assert not any(tag in ("link", "iframe", "a", "object") for tag, _ in Tags(text).tags)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_text(name):
    part = sample().parts[0]
    bad = changed(part.findings[0], message=name, advice=name, check=name, remark=name, waived=name)
    part = replace(part, path=name, rules=name, rules_name=name, base_note=name)
    text = html(
        Report(
            parts=(replace(part, findings=(bad,), fixed=(bad,)), replace(part, error=name)),
            not_covered=(name,),
            removed=(name,),
            troubles=(Trouble(name, name),),
            remarks=(Trouble(name, name),),
            base=name,
            version=name,
        ),
        {name: f"<svg><title>{name}</title></svg>"},
    )
    plain = html(sample(parts=(part,)))
    found = Tags(text)
    known = {tag for tag, _ in Tags(plain).tags} | {"img", "h2", "form", "details", "summary", "b"}
    assert {tag for tag, _ in found.tags} - known == set()
    assert not any(key.startswith("on") for _, attrs in found.tags for key in attrs)
    assert text.count("<script") == 3
    assert all(char.isprintable() or char == "\n" for char in text)
    text.encode("utf-8")


def test_the_data_cannot_end_its_element_and_holds_no_text_from_files():
    part = replace(sample().parts[0], path="</script><img src=x onerror=alert(1)>")
    text = html(sample(parts=(part,)))
    data = re.search(r'<script type="application/json" id="data">(.*?)</script>', text)[1]
    read = json.loads(data)
    assert "alert" not in data
    assert read["findings"][0]["part"] == 0
    assert read["findings"][0]["at"] == pytest.approx([20, 0.75, 5], abs=0.2)
    assert read["parts"][0]["surface"] == 0
    assert zlib.decompress(base64.b64decode(read["surfaces"][0]["packed"]))


def test_a_file_against_two_rule_files_is_there_once():
    first = sample().parts[0]
    text = html(sample(parts=(first, replace(first, rules="rules/other.yaml"))))
    data = json.loads(re.search(r'id="data">(.*?)</script>', text)[1])
    assert [part["surface"] for part in data["parts"]] == [0, 0]
    assert len(data["surfaces"]) == 1


def test_every_finding_has_its_section_with_its_dimension():
    text = html(sample())
    assert text.count('class="section"') == 1
    assert ">1.50 mm</text>" in text
    assert "void, to scale" in text


def test_what_is_cut_is_said(monkeypatch):
    monkeypatch.setattr(page, "MOST_FINDINGS", 2)
    part = sample().parts[0]
    shape = part.views.shape
    size = len(packing.surface(shape)["packed"]) + len(packing.said(shape))
    monkeypatch.setattr(page, "MOST_DRAWN", 0)
    monkeypatch.setattr(page, "MOST_SHOWN", size)
    many = tuple(finding(id=f"{at:010d}", location=(float(at), 0.0, 0.0)) for at in range(5))
    parts = (part, replace(part, path="other.stl", findings=many))
    text = html(sample(parts=parts))
    assert "Only the 2 worst of 6 findings are on this page" in text
    data = json.loads(re.search(r'id="data">(.*?)</script>', text)[1])
    assert [found.get("why", "") for found in data["parts"]] == ["", "bare"]


def test_states_of_a_base_and_waivers_are_shown():
    new, old = finding(id="a", state="new"), finding(id="b", state="unchanged")
    waived = finding(id="c", waived="Ines: it is a prop")
    part = PartReport("p.stl", "r.yaml", "R", "failed", None, (), (wall(),), (new, old, waived))
    text = html(Report(parts=(part,), base="main", gate="new"))
    said = Tags(text).text
    assert "against main: 1 new, 1 unchanged, 0 fixed; only new findings fail; 1 waived." in said
    assert "Waived: Ines: it is a prop" in said
    items = [attrs for tag, attrs in Tags(text).tags if tag == "li" and "data-state" in attrs]
    assert items[0] | {"class": "finding", "data-state": "new"} == items[0]
    assert {one["data-state"] for one in items[1:]} == {"unchanged", "waived"}
    assert {one["class"] for one in items[1:]} == {"finding quiet"}


def test_charts_are_pictures_of_their_own():
    text = html(sample(), {"rules/petg.yaml": "<svg/>"})
    assert f"data:image/svg+xml;base64,{base64.b64encode(b'<svg/>').decode()}" in text
    assert "How thick to draw a wall: rules/petg.yaml" in text


def test_the_same_report_gives_the_same_bytes():
    assert html(sample()) == html(sample())


def test_all_places_of_a_group_are_shown_at_once():
    part = sample().parts[0]
    slats = tuple(
        replace(part.findings[0], id=f"s{at}", shape="slat", location=(float(at), 0.0, 0.0))
        for at in range(240)
    )
    text = html(sample(parts=(replace(part, findings=slats),)))
    data = json.loads(re.search(r'id="data">(.*?)</script>', text)[1])
    assert [len(one["places"]) for one in data["findings"]] == [240]
    assert "one of 240 places alike" in Tags(text).text
    assert "findings: 1 fail, in 240 places" in Tags(text).text


def test_what_a_change_asks_less_and_accepts_stands_in_the_first_lines():
    waived = finding(id="c", state="new", waived="Ines: it is a prop")
    part = PartReport("p.stl", "r.yaml", "R", "passed", None, (), (), (waived,), lost=(finding(),))
    less = (Weakening("r.yaml", "minimum.wall.fail 0.80 to 0.40 mm"),)
    said = Tags(html(Report((part,), base="main", asks_less=less, head_commit="abc"))).text
    first = said.partition("</header>")[0][:700]
    assert "This change asks less than before: r.yaml : minimum.wall.fail 0.80 to 0.40 mm" in first
    assert "1 finding is gone only because of that (1 fail)" in first
    assert "waived by this change" in said
    assert "checked at abc" in first


def test_findings_with_one_id_in_two_parts_have_their_own_section_and_anchor():
    first = sample().parts[0]
    other = replace(report(box([40, 1.4, 10]), "page"), path="other.stl")
    same = replace(other.findings[0], id=first.findings[0].id)
    views = replace(
        other.views, pictures=tuple(replace(v, finding=same.id) for v in other.views.pictures[:1])
    )
    text = html(sample(parts=(first, replace(other, findings=(same,), views=views))))
    assert ">1.50 mm</text>" in text
    assert ">1.40 mm</text>" in text
    ids = [attrs["id"] for _, attrs in Tags(text).tags if "id" in attrs]
    assert len(ids) == len(set(ids))


def test_what_is_packed_can_be_unpacked():
    """As `web/page.js` does it."""
    shape = sample().parts[0].views.shape
    made = packing.surface(shape)
    body = zlib.decompress(base64.b64decode(made["packed"]))
    vertices, corners, edges = made["counts"]

    def words(start, count):
        return [body[start + at] | body[start + count + at] << 8 for at in range(count)]

    def summed(steps):
        value, found = 0, []
        for step in steps:
            value = (value + (-(step + 1) // 2 if step & 1 else step // 2)) % 65536
            found.append(value)
        return found

    rows = words(0, vertices)
    third = vertices // 3
    columns = [summed(rows[at : at + third]) for at in (0, third, 2 * third)]
    assert [x for place in zip(*columns, strict=True) for x in place] == list(
        memoryview(shape.vertices).cast("H")
    )
    newest, found = 0, []
    for word in words(2 * vertices, corners):
        found.append(newest - word)
        newest = max(newest, found[-1] + 1)
    assert found == list(memoryview(shape.triangles).cast("H"))
    assert edges == len(shape.edges) // 2


def test_a_page_without_room_for_a_picture_says_where_it_is(monkeypatch):
    assert 'class="section"' in html(sample())
    monkeypatch.setattr(page, "MOST_DRAWN", 100)
    text = html(sample())
    assert 'class="section"' not in text
    assert "no room for more pictures; --pictures writes all of them" in Tags(text).text


def test_findings_in_one_section_share_the_picture_of_the_whole():
    slab = box([40, 20, 3]) + box([30, 0.3, 9], (0, 5, 0)) + box([30, 0.4, 9], (0, 12, 0))
    text = html(Report((report(slab, "page"),)))
    tags = Tags(text).tags
    uses = [attrs["href"] for tag, attrs in tags if tag == "use"]
    assert len(uses) == 2
    names = {f"#{attrs['id']}" for tag, attrs in tags if tag == "path" and "id" in attrs}
    assert set(uses) == names


def test_findings_are_gathered_by_part_and_by_kind():
    thin = [finding(id=f"t{at}", fill="missing", location=(float(at), 0, 0)) for at in range(9)]
    gaps = [finding(id="g", check="gap", location=(1.0, 1.0, 1.0))]
    part = PartReport("p.stl", "r.yaml", "R", "failed", None, (), (), (*thin, *gaps))
    other = replace(part, path="q.stl", findings=(finding(id="o"),))
    text = html(Report((other, part)))
    tags = Tags(text).tags
    blocks = [attrs for tag, attrs in tags if tag == "details" and attrs.get("class") == "part"]
    assert len(blocks) == 2
    assert "8 more of this kind" in Tags(text).text
    # Numbers follow the page from top to bottom.
    numbers = [int(attrs["data-at"]) for _, attrs in tags if "data-at" in attrs]
    assert numbers == list(range(11))
