"""Pictures of findings: to scale, with dimension, outcome and legend; safe with any name."""

import math
import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from report_samples import HOSTILE, changed
from solids import box
from view_samples import report, view_of

from wallguard.drawings import finding as drawing
from wallguard.drawings import kinds
from wallguard.drawings.png import png
from wallguard.rules.model import Limit

NS = "{http://www.w3.org/2000/svg}"


def drawn(solid, **changes):
    """A part, its worst finding and the view of it."""
    part = report(solid, **changes)
    return part, part.findings[0], part.views.pictures[0]


def texts(svg):
    return [found.text or "" for found in ElementTree.fromstring(svg).iter(f"{NS}text")]


def test_a_picture_says_part_check_message_advice_and_measure():
    part, finding, view = drawn(box([40, 1.5, 10]))
    said = " ".join(texts(drawing.picture(view, part, finding)))
    assert "part.stl" in said
    assert "fail · fill · rules/petg.yaml" in said
    assert "wall 1.50 mm thick at (20.0, 0.8, 5.0)" in said
    assert "Instead: draw 1.05-1.22 or 1.73-2.37 mm" in said
    assert "1.50 mm" in texts(drawing.picture(view, part, finding))
    assert view.plane in said
    assert "void, to scale" in said


def test_the_scale_bar_is_as_long_as_it_says():
    _, _, view = drawn(box([40, 1.5, 10]))
    svg = drawing.section(view)
    bars = [
        float(found.get("width", "0"))
        for found in ElementTree.fromstring(svg).iter(f"{NS}rect")
        if found.get("height") == "1.4"
    ]
    scale = drawing.SECTION_WIDTH / (view.window[2] - view.window[0])
    lengths = [float(text.split()[0]) for text in texts(svg) if re.fullmatch(r"[\d.]+ mm", text)]
    assert any(max(bars) == pytest.approx(length * scale, rel=1e-3) for length in lengths)


def test_the_dimension_spans_the_wall_at_the_scale_of_the_drawing():
    _, _, view = drawn(box([40, 1.5, 10]))
    scale = drawing.SECTION_WIDTH / (view.window[2] - view.window[0])
    spans = [
        math.dist(
            (float(line.get("x1")), float(line.get("y1"))),
            (float(line.get("x2")), float(line.get("y2"))),
        )
        for line in ElementTree.fromstring(drawing.section(view)).iter(f"{NS}line")
    ]
    assert any(span == pytest.approx(1.5 * scale, rel=0.01) for span in spans)


def test_a_missing_wall_is_dashed_and_no_other_is():
    _, _, missing = drawn(box([40, 0.3, 10]))
    assert 'stroke-dasharray="2.4 1.6"' in drawing.section(missing)
    _, _, hollow = drawn(box([40, 1.5, 10]))
    assert 'stroke-dasharray="2.4 1.6"' not in drawing.section(hollow)


@pytest.mark.parametrize(
    ("thickness", "keys"),
    [
        (1.5, ["material", "solid", "hollow", "beads"]),
        (0.3, ["material", "missing"]),
        (0.8, ["material", "solid", "thickened", "beads"]),
    ],
)
def test_the_legend_names_what_is_drawn(thickness, keys):
    _, _, view = drawn(box([40, thickness, 10]))
    assert [key for key, _ in drawing.legend(view)] == keys
    assert all(words for _, words in drawing.legend(view))
    for key in keys:
        assert drawing.swatch(key).startswith("<rect")


def test_the_frame_is_no_outline_of_the_part():
    # The wall goes on beyond the window: nothing black may close it there.
    _, _, view = drawn(box([40, 1.5, 10]))
    svg = ElementTree.fromstring(drawing.section(view))
    outline = next(p for p in svg.iter(f"{NS}path") if p.get("stroke-width") == "0.7")
    strokes = outline.get("d", "").split("M")[1:]
    assert len(strokes) == 2
    for stroke in strokes:
        ends = [tuple(map(float, point.split())) for point in stroke.split("L")]
        assert {round(x, 1) for x, _ in ends} == {0.0, 120.0}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_text(name):
    part, finding, view = drawn(box([40, 1.5, 10]))
    part = replace(part, path=name, rules=name)
    finding = changed(finding, message=name, advice=name, check=name)
    root = ElementTree.fromstring(drawing.picture(view, part, finding))
    tags = {element.tag.removeprefix(NS) for element in root.iter()}
    allowed = {"svg", "title", "defs", "pattern", "rect", "path", "g", "text", "line", "circle"}
    assert tags <= allowed
    attributes = {key for element in root.iter() for key in element.attrib}
    assert not any(key.startswith("on") or "href" in key for key in attributes)


def test_the_overview_frames_what_is_shown_even_where_that_is_tiny():
    _, _, view = drawn(box([900, 1.5, 4]))
    frame = list(ElementTree.fromstring(drawing.overview(view)).iter(f"{NS}rect"))[-1]
    assert float(frame.get("width")) >= 3


def test_the_file_name_tells_the_part_and_is_safe_and_the_only_one():
    part, finding, _ = drawn(box([40, 1.5, 10]))
    name = drawing.file_name(part, finding, "svg")
    assert name.endswith(f"-{finding.id}.svg")
    assert name.startswith("".join(c if c.isalnum() else "-" for c in part.path))
    others = [replace(part, path="../a b.stl"), replace(part, path="../a-b.stl")]
    others.append(replace(others[0], rules="other.yaml"))
    names = {drawing.file_name(one, replace(finding, id="x/y"), "png") for one in others}
    assert len(names) == 3
    assert all(re.fullmatch(r"a-b-stl-[0-9a-f]{8}-x-y\.png", one) for one in names)


def test_a_picture_becomes_a_png():
    pytest.importorskip("resvg_py")
    part, finding, view = drawn(box([40, 1.5, 10]))
    data = png(drawing.picture(view, part, finding), drawing.WIDTH, "x.png", kinds.PLACE)
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    assert int.from_bytes(data[16:20]) == round(drawing.WIDTH / 25.4 * 200)


@pytest.mark.parametrize("span", [4.0, 12.0, 60.0])
def test_the_text_of_a_dimension_hides_none_of_its_arrows(span):
    bench = box([span + 8, 30, 3], [0, 0, 20]) + box([4, 30, 20])
    bench += box([4, 30, 20], [span + 4, 0, 0])
    part = report(bench, minimum={"bridge": Limit(fail=1)})
    svg = ElementTree.fromstring(drawing.section(view_of(part, "bridge")))
    (text,) = [box for box in svg.iter(f"{NS}rect") if box.get("rx") == "1"]
    left, top = float(text.get("x")), float(text.get("y"))
    right, bottom = left + float(text.get("width")), top + float(text.get("height"))
    heads = [
        p for p in svg.iter(f"{NS}path") if p.get("stroke-width") == "0.25" and "Z" in p.get("d")
    ]
    assert len(heads) == 2
    for head in heads:
        for x, y in re.findall(r"([\d.-]+) ([\d.-]+)", head.get("d")):
            assert not (left < float(x) < right and top < float(y) < bottom)


@pytest.mark.parametrize("turn", [0, 10, 45, 80, 90, 135])
def test_a_wide_text_hides_no_arrow_of_a_short_dimension(turn):
    wall = box([40, 1.5, 10]) + box([2, 1.6, 10], (38, 0, 0))
    part = report(wall.rotate([0, 0, turn]))
    view = replace(part.views.pictures[0], label="1.40 to 1.72 mm")
    svg = ElementTree.fromstring(drawing.section(view))
    (text,) = [box for box in svg.iter(f"{NS}rect") if box.get("rx") == "1"]
    left, top = float(text.get("x")), float(text.get("y"))
    right, bottom = left + float(text.get("width")), top + float(text.get("height"))
    heads = [p for p in svg.iter(f"{NS}path") if p.get("stroke-width") == "0.25"]
    for head in heads:
        for x, y in re.findall(r"([\d.-]+) ([\d.-]+)", head.get("d")):
            assert not (left < float(x) < right and top < float(y) < bottom)
