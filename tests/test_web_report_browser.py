"""The page in a real browser: quiet, offline, and it does what its buttons say.

Debian's package `chromium`, driven by Playwright; WALLGUARD_BROWSER names another one.
"""

import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from solids import box
from view_samples import report, rules

from wallguard.bands.chart import chart_of
from wallguard.drawings.wall_chart import wall_chart
from wallguard.findings.model import Report
from wallguard.reports.html import html
from wallguard.views import shape

api = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed")

BROWSER = os.environ.get("WALLGUARD_BROWSER") or shutil.which("chromium")
if not BROWSER:
    pytest.skip("there is no chromium here", allow_module_level=True)

HOSTILE = "<img src=x onerror=alert(1)>"
ARGUMENTS = [
    "--no-sandbox",  # pipelines run as root
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
]
SETTLED = 60_000
pytestmark = pytest.mark.xdist_group("browser")


def reported():
    """Three parts, one with a hostile name, with findings of several checks and severities."""
    ribs = (
        box([40, 20, 3]) + box([40, 1.5, 12], (0, 4, 0)) + box([40, 0.3, 9], (0, 12, 0)),
        box([30, 0.8, 15]),
        box([20, 2, 10]),
    )
    names = ("ribs.stl", f"{HOSTILE}</script>.stl", "sound.stl")
    parts = [report(solid, "page", path=name) for solid, name in zip(ribs, names, strict=True)]
    hostile = replace(parts[1], rules=HOSTILE, rules_name=HOSTILE)
    hostile = replace(
        hostile,
        findings=tuple(
            replace(one, message=f"{HOSTILE} {one.message}") for one in parts[1].findings
        ),
    )
    return Report(parts=(parts[0], hostile, parts[2]), version="1", not_covered=(HOSTILE,))


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    charts = {HOSTILE: wall_chart(chart_of(rules(name=HOSTILE)))}
    path = tmp_path_factory.mktemp("page") / "report.html"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(shape, "_SHOWN", 2000)  # drawn without a graphics card
        found = reported()
    path.write_text(html(found, charts), "utf-8")
    return path.as_uri()


class Seen:
    """A page, and what it did that it should not."""

    def __init__(self, page, address, width=1280, height=800):
        self.page = page
        self.errors, self.requests, self.dialogs = [], [], []
        page.set_viewport_size({"width": width, "height": height})
        page.on("console", self._console)
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("request", self._request)
        page.on("dialog", self._dialog)
        page.goto(address)

    def _console(self, message):
        if message.type == "error":
            self.errors.append(message.text)

    def _request(self, request):
        if not request.url.startswith(("file:", "data:", "blob:")):
            self.requests.append(request.url)

    def _dialog(self, dialog):
        self.dialogs.append(dialog.message)
        dialog.dismiss()

    def drawn(self):
        self.page.wait_for_selector("#stage[data-ready]", timeout=SETTLED)
        return self

    def eye(self):
        return self.page.get_attribute("#stage", "data-eye")

    def seen(self):
        return self.eye() + self.page.get_attribute("#stage", "data-center")

    def wait_for(self, state):
        """Until the stage says so: a CSS condition on its attributes."""
        self.page.wait_for_selector(f"#stage{state}", timeout=SETTLED)


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    with api.sync_playwright() as playwright:
        context = playwright.chromium.launch_persistent_context(
            tmp_path_factory.mktemp("profile"), executable_path=BROWSER, args=ARGUMENTS
        )
        yield context
        context.close()


@pytest.fixture(scope="module")
def once(browser, address):
    """Drawing a page without a graphics card takes seconds, so all tests that can share one do."""
    page = browser.new_page()
    seen = Seen(page, address).drawn()
    yield seen
    page.close()


@pytest.fixture
def opened(once):
    """The page, whatever earlier tests did to it; it must have been quiet until now."""
    yield once
    once.page.emulate_media(media="screen")
    once.page.select_option("select[name=part]", "")
    once.page.fill("input[name=text]", "")
    assert once.errors == []
    assert once.requests == []
    assert once.dialogs == []


def shown(page):
    return [item.inner_text() for item in page.query_selector_all(".finding") if item.is_visible()]


def test_the_first_screen_says_what_where_and_what_instead(opened):
    first = opened.page.inner_text("header")
    assert "Do not merge" in first
    assert "will not be printed" in first
    assert "Instead:" in first
    box = opened.page.query_selector("#d0 .section").bounding_box()
    assert box["y"] < 800
    assert opened.page.query_selector("#stage").bounding_box()["y"] < 800


def test_a_click_on_a_finding_moves_the_view_and_opens_its_section(opened):
    page = opened.page
    before, part = opened.eye(), page.get_attribute("#stage", "data-part")
    item = page.query_selector(".finding:not([data-part='ribs.stl'])")
    at = item.get_attribute("data-at")
    assert not page.is_visible(f"#d{at}")
    page.click(f"#f{at}")
    opened.wait_for(f":not([data-part='{part}'])")
    assert opened.eye() != before
    assert page.is_visible(f"#d{at} .section")
    assert page.get_attribute(f"#f{at}", "aria-expanded") == "true"
    assert page.is_visible("#ring")
    assert page.get_attribute("#ring", "data-number") == str(int(at) + 1)


def test_two_findings_of_one_part_are_two_views(opened):
    page = opened.page
    ribs = page.query_selector_all(".finding[data-part='ribs.stl']")
    assert len(ribs) >= 2
    before = opened.eye()
    ribs[1].query_selector("button").click()
    opened.wait_for(f":not([data-eye='{before}'])")


def test_the_colours_switch_between_outcome_and_thickness(opened):
    page = opened.page
    # Whatever part the test before looked at last, and however long it takes to draw another.
    page.click(".finding[data-part='ribs.stl'] button")
    page.wait_for_selector("#key-outcome li[data-outcome='hollow']", timeout=SETTLED)
    assert page.is_visible("#key-outcome")
    words = page.inner_text("#key-outcome")
    assert "hollow: a void along its middle" in words
    assert "missing: nothing is printed" in words
    before = page.query_selector("#stage").screenshot()
    drawn = int(page.get_attribute("#stage", "data-ready"))
    page.click("#by-thickness")
    opened.wait_for(f"[data-ready='{drawn + 1}']")
    assert page.is_visible("#key-thickness")
    assert not page.is_visible("#key-outcome")
    # As drawn, for what is missing is not printed in any thickness.
    assert "thickness as drawn" in page.inner_text("#key-thickness")
    assert "0.30 to" in page.inner_text("#key-thickness")
    assert page.get_attribute("#by-thickness", "aria-pressed") == "true"
    second = page.query_selector("#stage").screenshot()
    assert second != before
    page.click("#by-underside")
    opened.wait_for(f"[data-ready='{drawn + 2}']")
    assert "0° to 15°" in page.inner_text("#key-underside")
    assert page.query_selector("#stage").screenshot() not in (before, second)
    page.click("#by-outcome")


def test_all_places_of_a_group_are_marked_at_once(browser, tmp_path):
    slats = box([40, 2, 3]) + box([40, 2, 3], (0, 20, 0))
    for at in range(4):
        slats += box([1.5, 22, 3], (2 + 10 * at, 0, 0))
    part = report(slats, "page")
    alike = tuple(replace(one, shape="slat") for one in part.findings)
    (tmp_path / "w.html").write_text(html(Report((replace(part, findings=alike),))), "utf-8")
    page = browser.new_page()
    seen = Seen(page, (tmp_path / "w.html").as_uri()).drawn()
    assert page.get_attribute("#stage", "data-places") == "4"
    assert len(shown(page)) == 1
    assert "one of 4 places alike" in page.inner_text(".finding")
    # The whole part, so that all are seen.
    assert page.get_attribute("#stage", "data-whole") == "true"
    assert seen.errors == []
    page.close()


def test_filters_leave_only_what_fits(opened):
    page = opened.page
    everything = len(shown(page))
    page.uncheck("input[value=fail]")
    assert 0 < len(shown(page)) < everything
    assert f"of {everything} findings" in page.inner_text("#count")
    page.check("input[value=fail]")
    page.select_option("select[name=part]", "ribs.stl")
    parts = {one.get_attribute("data-part") for one in page.query_selector_all(".finding:visible")}
    assert parts == {"ribs.stl"}
    page.select_option("select[name=part]", "")
    page.fill("input[name=text]", "hollow")
    assert shown(page)
    assert all("hollow" in text for text in shown(page))
    page.fill("input[name=text]", "no such words")
    assert shown(page) == []


def test_the_keyboard_reaches_opens_and_walks_the_list_and_turns_the_part(opened):
    page = opened.page
    page.click("#f0")
    drawn = int(page.get_attribute("#stage", "data-ready"))
    page.keyboard.press("ArrowDown")
    assert page.evaluate("document.activeElement.id") == "f1"
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    before = page.is_visible("#d1")
    page.keyboard.press("Enter")
    assert page.is_visible("#d1") is not before
    page.keyboard.press("ArrowDown")
    assert page.evaluate("document.activeElement.tagName") == "SUMMARY"
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "f2"
    opened.wait_for(f"[data-ready='{drawn + 1}']")
    page.focus("#stage")
    for key in ("ArrowLeft", "ArrowUp", "+", "Shift+ArrowLeft", "Home"):
        before = opened.seen()
        page.keyboard.press(key)
        page.wait_for_function(
            "(was) => { const d = document.getElementById('stage').dataset;"
            " return d.eye + d.center !== was; }",
            arg=before,
            timeout=SETTLED,
        )


def test_the_whole_part_can_be_seen_again_and_other_parts_chosen(opened):
    page = opened.page
    page.click("#f0")
    page.click("#whole")
    opened.wait_for("[data-whole='true']")
    # The chosen place stays marked.
    assert page.is_visible("#ring")
    page.select_option("#shape", label="sound.stl: passed")
    opened.wait_for("[data-part='2']")


def test_hostile_names_stay_text(opened):
    page = opened.page
    assert HOSTILE in page.inner_text("body")
    assert page.query_selector_all("img[src=x]") == []
    for summary in page.query_selector_all("summary"):
        summary.click()
    assert page.evaluate("Array.from(document.images).every((one) => one.src.startsWith('data:'))")
    page.wait_for_timeout(200)
    assert opened.dialogs == []


def test_it_is_readable_on_a_phone(opened):
    page = opened.page
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    size = page.evaluate(
        "parseFloat(getComputedStyle(document.querySelector('.message')).fontSize)"
    )
    assert size >= 14
    assert page.query_selector("#f0").bounding_box()["height"] >= 40
    page.set_viewport_size({"width": 1280, "height": 800})


def test_paper_gets_the_list_with_all_sections(opened):
    page = opened.page
    page.emulate_media(media="print")
    assert not page.is_visible("#space")
    assert not page.is_visible("#filters")
    figures = page.query_selector_all(".finding .section")
    assert len(figures) == len(page.query_selector_all(".finding"))
    assert page.evaluate(
        "Array.from(document.querySelectorAll('.finding .section')).every("
        "(one) => one.getBoundingClientRect().height > 100)"
    )


def test_without_webgl_the_page_says_so_and_the_rest_works(browser, address):
    page = browser.new_page()
    page.add_init_script(
        "const had = HTMLCanvasElement.prototype.getContext;"
        "HTMLCanvasElement.prototype.getContext = function (kind, ...more) {"
        " return /webgl/.test(kind) ? null : had.call(this, kind, ...more); };"
    )
    seen = Seen(page, address)
    page.wait_for_selector("#trouble", state="visible", timeout=SETTLED)
    assert "WebGL" in page.inner_text("#trouble")
    page.click("#f1")
    assert page.is_visible("#d1 .section")
    assert seen.errors == []
    page.close()


def test_without_scripts_everything_is_there_to_read(browser, address):
    text = Path(address.removeprefix("file://")).read_text("utf-8")
    quiet = text[: text.index('<script type="application/json"')]
    page = browser.new_page()
    page.set_content(quiet)
    figures = page.query_selector_all(".finding .section")
    assert figures
    assert all(figure.is_visible() for figure in figures)
    page.close()


def test_it_begins_with_the_whole_part_and_the_worst_place_marked(browser, address):
    page = browser.new_page()
    seen = Seen(page, address).drawn()
    seen.wait_for("[data-whole='true']")
    assert page.is_visible("#ring")
    assert page.get_attribute("#ring", "data-number") == "1"
    # Others of the part have their number, too, and lead to their card.
    page.click("#pins .pin")
    assert page.get_attribute("#f1", "aria-expanded") == "true"
    assert seen.errors == []
    page.close()


def test_a_mark_sits_on_its_place_and_a_tap_reads_what_is_there(browser, address):
    page = browser.new_page()
    page.emulate_media(reduced_motion="reduce")
    seen = Seen(page, address).drawn()
    page.click("#f1")
    seen.wait_for("[data-ready='2']")
    page.wait_for_timeout(500)
    ring = page.query_selector("#ring").bounding_box()
    page.mouse.click(ring["x"] + ring["width"] / 2, ring["y"] + ring["height"] / 2)
    read = page.inner_text("#read")
    # The wall at y = 4 to 5.5, as its card says, seen on one of its faces.
    assert "wall about 1.50 mm thick as drawn: hollow" in read
    x, y, z = map(float, read[read.index("(") + 1 : read.index(")")].split(", "))
    assert abs(x - 20) < 2
    assert y in (4.0, 5.5)
    assert abs(z - 7.5) < 2
    page.close()


@pytest.mark.parametrize("height", [500, 860])
def test_enter_on_a_card_brings_its_picture_into_sight(browser, address, height):
    page = browser.new_page()
    Seen(page, address, height=height).drawn()
    page.focus("#f2")
    page.keyboard.press("Enter")
    box = page.query_selector("#d2 .section").bounding_box()
    assert box["y"] >= -1 or box["height"] > height - 20
    assert box["y"] < height / 2
    page.close()


def test_the_camera_moves_at_once_where_motion_is_not_wanted(browser, address):
    page = browser.new_page()
    page.emulate_media(reduced_motion="reduce")
    seen = Seen(page, address).drawn()
    page.click("#f1")
    seen.wait_for("[data-ready='2']")
    page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    first = seen.eye()
    page.wait_for_timeout(500)
    assert seen.eye() == first
    page.close()


# Relative luminance and contrast as WCAG 2.2 defines them (W3C, 2023); 4.5 for text, 3 for marks.
CONTRAST = """() => {
  const probe = document.createElement("div");
  document.body.append(probe);
  const light = (name) => {
    probe.style.color = `var(${name})`;
    const [r, g, b] = getComputedStyle(probe).color.match(/[0-9]+/g).map((v) => {
      const s = v / 255;
      return s <= 0.04045 ? s / 12.92 : ((s + 0.055) / 1.055) ** 2.4;
    });
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const pairs = {};
  for (const ink of ["--ink", "--pale", "--mark", "--bad", "--good"]) {
    for (const paper of ["--paper", "--ground"]) {
      const [a, b] = [light(ink), light(paper)].sort((x, y) => y - x);
      pairs[ink + paper] = (a + 0.05) / (b + 0.05);
    }
  }
  const [a, b] = [light("--on"), light("--bad")].sort((x, y) => y - x);
  pairs.badge = (a + 0.05) / (b + 0.05);
  probe.remove();
  return pairs;
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_colours_follow_the_system_and_can_be_read(browser, address, scheme):
    page = browser.new_page()
    page.emulate_media(color_scheme=scheme)
    Seen(page, address)
    ground = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    assert (int(ground[4:].split(",")[0]) < 100) is (scheme == "dark")
    low = {pair: value for pair, value in page.evaluate(CONTRAST).items() if value < 4.5}
    assert low == {}
    page.close()


def test_everything_that_can_be_used_has_a_name(opened):
    page = opened.page
    nameless = page.evaluate(
        """() => Array.from(document.querySelectorAll(
            "button, select, input, summary, [tabindex], [role]:not([role=presentation])"))
          .filter((one) => !one.matches("svg *") && !(one.getAttribute("aria-label")
            || one.textContent.trim() || one.closest("label") || one.querySelector("title")
            || one.getAttribute("role") === "status")).map((one) => one.outerHTML.slice(0, 80))"""
    )
    assert nameless == []


def test_many_findings_are_folded_and_found_and_printed(browser, tmp_path):
    slab = box([120, 80, 3])
    for at in range(60):
        slab += box([10, 0.25 + 0.004 * at, 5 + at % 7], (2 + at % 10 * 11.7, 3 + at // 10 * 12, 2))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(shape, "_SHOWN", 2000)
        parts = (report(slab, "page", path="a.stl"), report(box([30, 0.3, 9]), "page"))
    (tmp_path / "w.html").write_text(html(Report(parts)), "utf-8")
    page = browser.new_page()
    seen = Seen(page, (tmp_path / "w.html").as_uri()).drawn()
    every = page.query_selector_all(".finding")
    assert len(every) > 30
    assert page.evaluate("document.documentElement.scrollHeight") < 3000
    # A search opens what it finds, and folds it again.
    folded = page.query_selector(".more .finding")
    assert not folded.is_visible()
    place = folded.query_selector(".message").text_content().partition(", ")[0]
    page.fill("input[name=text]", place)
    assert folded.is_visible()
    page.fill("input[name=text]", "")
    assert not folded.is_visible()
    page.emulate_media(media="print")
    assert all(one.is_visible() for one in page.query_selector_all(".finding .section"))
    assert seen.errors == []
    page.close()


def test_a_browser_that_cannot_unpack_keeps_the_list(browser, address):
    page = browser.new_page()
    page.add_init_script("delete window.DecompressionStream;")
    seen = Seen(page, address)
    page.wait_for_selector("#trouble", state="visible", timeout=SETTLED)
    page.click("#f1")
    assert page.is_visible("#d1 .section")
    assert seen.errors == []
    page.close()


def test_one_finger_turns_two_zoom_and_a_tap_reads(browser, address):
    page = browser.new_page()
    seen = Seen(page, address, width=390, height=844).drawn()
    box = page.query_selector("#plot").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    session = page.context.new_cdp_session(page)
    session.send("Emulation.setTouchEmulationEnabled", {"enabled": True})

    def touch(kind, *points):
        at = [{"x": x + dx, "y": y + dy, "id": number} for number, (dx, dy) in enumerate(points)]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": at})

    def far():
        return float(seen.eye().split()[2])

    begun, first = far(), seen.eye()
    touch("touchStart", (0, 0))
    touch("touchMove", (15, 0))
    touch("touchMove", (60, 0))
    touch("touchEnd")
    seen.wait_for(f":not([data-eye='{first}'])")
    assert far() == begun
    touch("touchStart", (-20, 0), (20, 0))
    touch("touchMove", (-30, 0), (30, 0))
    touch("touchMove", (-60, 0), (60, 0))
    touch("touchEnd")
    page.wait_for_function(
        "(was) => Number(document.getElementById('stage').dataset.eye.split(' ')[2]) < was / 1.5",
        arg=begun,
        timeout=SETTLED,
    )
    touch("touchStart", (0, 0))
    touch("touchEnd")
    page.wait_for_selector("#read:not(:empty)", timeout=SETTLED)
    assert seen.errors == []
    page.close()
