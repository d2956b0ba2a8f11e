import math
import struct
import sys
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from wallguard.bands.advice import range_words
from wallguard.bands.chart import HEADS, chart_of, rows
from wallguard.bands.declared import band_table
from wallguard.base.errors import InputError
from wallguard.commands import chart
from wallguard.drawings import kinds
from wallguard.drawings import svg as pieces
from wallguard.drawings.png import DOTS_PER_INCH, png
from wallguard.drawings.wall_chart import HEIGHT, WIDTH, wall_chart
from wallguard.reports.chart_markdown import chart_markdown
from wallguard.rules.model import Beads, DeclaredBand, Limit, Rules

# Its edges are taken to be where they are calculated.
WIDE = Beads(
    width=0.575,
    contours=2,
    smallest_wall=0.5,
    squeeze=0.075,
    smallest_fill=0.575,
    edge_uncertainty=0,
)
HOSTILE = '<script>alert(1)</script> & "two" | `code` ]]> \x1b[31m'
SVG = "{http://www.w3.org/2000/svg}"
RULE_FILE = """\
wallguard: 1
name: Workshop, wide beads
process: {category: material extrusion, printer: Large frame, material: PETG}
layer_height: 0.2
beads: {width: 0.575, contours: 2, smallest_wall: 0.5, squeeze: 0.075, smallest_fill: 0.575,
        spacing: width, edge_uncertainty: 0}
minimum:
  wall: {fail: 0.8}
notes: Dry the spool first.
"""


def rules(**changes):
    values = {
        "path": "rules/wide.yaml",
        "name": "Wide beads",
        "category": "material extrusion",
        "layer_height": 0.2,
        "beads": WIDE,
        "minimum": {"wall": Limit(0.8)},
    }
    return Rules(**(values | changes))


MEASURED = {
    "bands": (
        DeclaredBand(0, 0.5, "missing", source="measured"),
        DeclaredBand(0.5, 1.5, "solid", 0.02, 0.05, "measured", 1.0),
        DeclaredBand(1.5, 2.0, "uncertain", 0.0, 0.1, "measured", 1.0),
        DeclaredBand(2.0, None, "solid", 0.0, 0.05, "measured", 1.0),
    )
}
NOTHING_GOOD = {"bands": (DeclaredBand(0, None, "hollow"),), "beads": None}


def drawn(given):
    return ElementTree.fromstring(wall_chart(chart_of(given)))


def texts(given):
    return ["".join(each.itertext()) for each in drawn(given).iter(f"{SVG}text")]


# SVG


def test_the_chart_is_a_landscape_page():
    tree = drawn(rules())
    # ISO 216: A4 is 210 mm x 297 mm.
    assert (tree.get("width"), tree.get("height")) == ("297mm", "210mm")
    assert tree.get("viewBox") == f"0 0 {WIDTH:g} {HEIGHT:g}"
    assert tree.find(f"{SVG}title").text == "Wall chart: Wide beads"


def test_the_chart_says_what_is_good_in_words():
    said = texts(rules())
    for words in ("1.05 to 1.22 mm", "1.73 to 2.37 mm", "2.88 mm and thicker"):
        assert words in said
    assert "Wide beads" in said
    joined = " ".join(said)
    assert "at least 0.80 mm" in joined and "layers of 0.2 mm" in joined
    assert "beads 0.575 mm wide, 2 contours a side" in joined


def test_every_fill_is_named_and_has_a_pattern_of_its_own():
    given = rules(**MEASURED)
    said = texts(given)
    tree = drawn(given)
    patterns = {each.get("id"): each for each in tree.iter(f"{SVG}pattern")}
    inks = set()
    for band in band_table(given).bands:
        style = pieces.FILLS[band.fill]
        assert style.words in said
        pattern = patterns[f"fill-{band.fill}"]
        inks.add((band.fill, ElementTree.tostring(pattern[0]), len(list(pattern))))
    shapes = [pieces.FILLS[fill].pattern for fill in pieces.FILLS]
    assert len(set(shapes)) == len(shapes)
    assert len({style.colour for style in pieces.FILLS.values()}) == len(shapes)


def test_bands_stand_where_their_thickness_is():
    given = rules()
    tree = drawn(given)
    painted = [each for each in tree.iter(f"{SVG}rect") if "#fill" in each.get("fill", "")]
    behind = [each for each in painted if each.get("fill-opacity")]
    bands = [band for band in band_table(given).bands if band.readings]
    assert len(behind) == len(bands)
    assert [each.get("fill") for each in behind] == [f"url(#fill-{band.fill})" for band in bands]
    lefts = [float(each.get("x")) for each in behind]
    for (one, left), (other, right) in pairwise(zip(bands, lefts, strict=True)):
        scale = (right - left) / (other.lower - one.lower)
        assert scale == pytest.approx((lefts[-1] - lefts[0]) / bands[-1].lower, rel=0.01)
    for each, following in pairwise(behind):
        end = float(each.get("x")) + float(each.get("width"))
        assert end == pytest.approx(float(following.get("x")), abs=0.01)


def test_the_good_strip_covers_what_is_good():
    given = rules()
    good = band_table(given).good_ranges(given.tolerance, 0.8)
    strip = [
        each
        for each in drawn(given).iter(f"{SVG}rect")
        if each.get("fill") == pieces.INK and each.get("height") == "7"
    ]
    assert len(strip) == len(good) == 3
    widths = [float(each.get("width")) for each in strip[:2]]
    sizes = [last - first + 0.01 for first, last in good[:2]]
    assert widths[0] / widths[1] == pytest.approx(sizes[0] / sizes[1], rel=0.01)
    said = texts(given)
    assert {"1.05", "1.22", "1.73", "2.37", "2.88"} <= set(said)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        MEASURED,
        NOTHING_GOOD,
        {"notes": "word " * 4000},
        {"name": "x" * 200, "printer": "y" * 200, "material": "宽" * 200},
        {"axes": {"x": MEASURED["bands"], "y": MEASURED["bands"]}},
        {"category": "powder bed fusion", "beads": None},
        {"bands": (DeclaredBand(0, 900, "missing"), DeclaredBand(900, None, "solid"))},
        {"beads": Beads(0.4, 50, 0.3, 0.01, 0.39)},
    ],
    ids=["usual", "measured", "bad", "notes", "names", "axes", "powder", "huge", "many"],
)
def test_everything_stays_on_the_page(changes):
    given = rules(**changes)
    tree = drawn(given)
    assert len(wall_chart(chart_of(given))) < 400_000
    for each in tree.iter(f"{SVG}text"):
        size, words = float(each.get("font-size")), "".join(each.itertext())
        width = 0.8 * pieces.text_width(words, size)
        anchor = {"middle": 0.5, "end": 1.0}.get(each.get("text-anchor"), 0.0)
        left = float(each.get("x")) - anchor * width
        if not each.get("transform"):
            assert left > 5 and left + width < WIDTH - 5, words
        assert 5 < float(each.get("y")) < HEIGHT - 4, words
    for each in tree.iter(f"{SVG}rect"):
        x, width = float(each.get("x")), float(each.get("width"))
        assert math.isfinite(x) and width >= 0 and x + width <= WIDTH + 0.01


def test_a_process_without_a_good_thickness_says_so():
    said = " ".join(texts(rules(**NOTHING_GOOD)))
    assert "no thickness comes out solid and within the tolerance" in said
    assert "and thicker" not in said


def test_axes_that_differ_have_strips_of_their_own():
    said = texts(rules(axes={"x": MEASURED["bands"], "y": MEASURED["bands"]}))
    assert "along x" in said and "along y" in said
    assert "along x" not in texts(rules())


def test_names_cannot_break_out_of_the_picture():
    hostile = dict.fromkeys(("name", "printer", "material", "notes", "path"), HOSTILE)
    picture = wall_chart(chart_of(rules(**hostile)))
    tree = ElementTree.fromstring(picture)
    tags = {each.tag.removeprefix(SVG) for each in tree.iter()}
    assert tags <= {
        *("svg", "title", "defs", "pattern", "rect", "path", "circle", "line", "text", "clipPath")
    }
    assert "\x1b" not in picture and "\\x1b" in picture
    assert "http" not in picture.replace("http://www.w3.org/2000/svg", "")


def test_the_same_rules_give_the_same_bytes():
    assert wall_chart(chart_of(rules())) == wall_chart(chart_of(rules()))
    assert "." not in pieces.number(3.0) and pieces.number(-0.0001) == "0"
    assert pieces.number(1.23456) == "1.235"


def test_ranges_in_words():
    assert range_words(1.0, 1.0) == "1.00 mm"
    assert range_words(1.0, 1.5) == "1.00 to 1.50 mm"
    assert range_words(2.0, math.inf) == "2.00 mm and thicker"


def test_text_is_wrapped_and_cut():
    lines = pieces.wrapped("one two three four five six seven", 4, 30, 2)
    assert len(lines) == 2 and lines[1].endswith("...")
    assert all(pieces.text_width(line, 4) <= 30 for line in lines)
    assert pieces.wrapped("", 4, 30, 3) == []
    assert "".join(pieces.wrapped("x" * 100, 4, 30, 99)) == "x" * 100


# PNG


def test_the_png_is_the_page_at_print_size(tmp_path):
    pytest.importorskip("resvg_py")
    data = png(wall_chart(chart_of(rules())), WIDTH, "chart.png", kinds.CHART)
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    width, height = struct.unpack(">II", data[16:24])
    assert width == round(WIDTH / 25.4 * DOTS_PER_INCH)
    assert height == pytest.approx(width * HEIGHT / WIDTH, abs=1)
    assert data[37:41] == b"pHYs"
    per_metre = struct.unpack(">II", data[41:49])
    assert per_metre == (7874, 7874)
    assert data == png(wall_chart(chart_of(rules())), WIDTH, "chart.png", kinds.CHART)


def test_the_png_shows_the_bands():
    pytest.importorskip("resvg_py")
    image_module = pytest.importorskip("PIL.Image")
    import io

    image = image_module.open(
        io.BytesIO(png(wall_chart(chart_of(rules())), WIDTH, "chart.png", kinds.CHART))
    )
    assert image.info["dpi"] == pytest.approx((DOTS_PER_INCH, DOTS_PER_INCH), abs=0.1)
    seen = {colour for _, colour in image.convert("RGB").getcolors(1 << 20)}
    for fill in ("solid", "hollow"):
        colour = pieces.FILLS[fill].colour.removeprefix("#")
        assert tuple(bytes.fromhex(colour)) in seen


def test_without_the_extra_the_message_says_how_to_get_it(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "resvg_py", None)
    path = tmp_path / "wide.yaml"
    path.write_text(RULE_FILE, encoding="utf-8")
    with pytest.raises(InputError, match=r"pip install \"\.\[pictures\]\""):
        chart.run(path, svg=tmp_path / "c.svg", png=tmp_path / "c.png")
    # Nothing is written where one of the files cannot be made.
    assert not (tmp_path / "c.svg").exists()


# Markdown and the command


def test_markdown_has_a_row_for_every_band():
    given = rules()
    text = chart_markdown(chart_of(given))
    lines = text.splitlines()
    assert lines[0] == "# Wall chart: Wide beads"
    assert "**Good to draw: 1.05-1.22, 1.73-2.37, ≥ 2.88 mm**" in lines
    at = lines.index(f"| {' | '.join(HEADS)} |")
    found = rows(band_table(given))
    assert lines[at + 2 :] == [f"| {' | '.join(row)} |" for row in found]
    assert found[0] == ("0.00-0.49", "missing", "-", "-", "-", "calculated")


def test_markdown_tells_axes_apart():
    text = chart_markdown(chart_of(rules(axes={"y": MEASURED["bands"]})))
    assert "Walls that run along y:" in text
    assert text.count("\n|" + " --- |" * len(HEADS)) == 2


def test_markdown_escapes_names():
    cmarkgfm = pytest.importorskip("cmarkgfm")
    hostile = dict.fromkeys(("name", "printer", "material", "notes", "path"), HOSTILE)
    page = cmarkgfm.github_flavored_markdown_to_html(chart_markdown(chart_of(rules(**hostile))))
    assert "<script" not in page and "&lt;script&gt;" in page
    assert page.count("<tr>") == 1 + len(rows(band_table(rules())))


def test_run_writes_what_is_asked_for(tmp_path):
    pytest.importorskip("resvg_py")
    path = tmp_path / "wide.yaml"
    path.write_text(RULE_FILE, encoding="utf-8")
    names = {kind: tmp_path / f"chart.{kind}" for kind in ("svg", "png", "markdown")}
    text = chart.run(path, **names)
    assert text == chart.run(path)
    assert names["svg"].read_text(encoding="utf-8").startswith("<svg ")
    assert names["png"].read_bytes().startswith(b"\x89PNG")
    assert "Dry the spool first." in names["markdown"].read_text(encoding="utf-8")


def test_run_names_a_folder_that_is_not_there(tmp_path):
    path = tmp_path / "wide.yaml"
    path.write_text(RULE_FILE, encoding="utf-8")
    with pytest.raises(InputError, match="its folder does not exist"):
        chart.run(path, svg=tmp_path / "none" / "chart.svg")


@pytest.mark.parametrize("offset", [-0.004, 0.0, 0.004])
def test_an_offset_that_does_not_show_is_as_drawn(offset):
    given = rules(bands=(DeclaredBand(0.5, None, "solid", offset, 0.05, "measured", 1.0),))
    assert rows(band_table(given))[-1][2:4] == ("as drawn", "0.05")
