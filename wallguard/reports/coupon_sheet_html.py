"""The measurement sheet as one HTML page for A4, with drawings of the plates.

Self-contained: no script, nothing fetched; every text from the rule file is escaped.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wallguard.coupon.layout import Plate
from wallguard.coupon.plan import Axis, Plan
from wallguard.drawings.svg import INK, PALE, element, escape, line, number, path, rect, text
from wallguard.reports.coupon_sheet import Table, instructions, measuring_heights, tables
from wallguard.rules.model import Rules

_STYLE = """
@page { size: A4; margin: 9mm }
* { box-sizing: border-box }
body { font: 8.2pt/1.28 sans-serif; color: #000; max-width: 192mm; margin: 0 auto }
h1 { font-size: 14pt; margin: 0 0 1mm; overflow-wrap: anywhere }
h2 { font-size: 9.2pt; margin: 1.6mm 0 .4mm }
p, ul { margin: 0 0 1mm; padding: 0 }
ul { padding-left: 3.2mm }
.page { display: flex; gap: 5mm; align-items: flex-start }
.page > * { flex: 1 1 0; min-width: 0 }
.drawings { flex: 1.16 1 0 }
svg { width: 100%; height: auto; display: block }
figure { margin: 0 0 2mm }
.half { display: inline-block; width: 49% }
figcaption { color: #595959; font-size: 7.6pt }
.tables { display: flex; flex-wrap: wrap; gap: 2mm 4mm; margin-top: 2mm }
.tables { justify-content: space-between; align-items: flex-start }
table { border-collapse: collapse; margin-bottom: 2mm; font-variant-numeric: tabular-nums }
caption { text-align: left; font-weight: bold; font-size: 9.2pt }
th, td { border: .2mm solid #595959; height: 5.1mm; padding: 0 .8mm; text-align: right }
th { font-weight: normal; background: #eee; font-size: 7.4pt; text-align: center }
.mark { font-weight: bold }
.in { width: 8.4mm }
.fill { width: 7.4mm; border-right-width: .5mm }
thead { display: table-header-group }
tr { break-inside: avoid }
.head { border-bottom: .2mm solid; display: inline-block; min-width: 26mm }
""".strip()


_COLUMNS = (("wall",), ("gap", "pin"), ("hole",))
_SHORT: dict[Axis, str] = {"x": "x", "y": "y", "vertical": "U", "horizontal": "L"}


def html_sheet(rules: Rules, plan: Plan, plates: Sequence[Plate], round_number: int) -> str:
    """The sheet as HTML."""
    return "\n".join(_lines(rules, plan, plates, round_number)) + "\n"


def _lines(rules: Rules, plan: Plan, plates: Sequence[Plate], round_number: int) -> Iterator[str]:
    name = escape(rules.name)
    yield '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">'
    yield (
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'\">"
    )
    yield f"<title>Coupon: {name}</title>\n<style>\n{_STYLE}\n</style>\n</head>\n<body>"
    yield f"<h1>Coupon: {name}</h1>"
    about = [
        *(part for part in (rules.printer, rules.material) if part),
        rules.category,
        f"layers of {plan.sizes.layer_height:g} mm",
        f"rule file {rules.path.rpartition('/')[2]}",
        f"round {round_number}",
    ]
    yield f"<p>{escape(' · '.join(about))}</p>"
    blank = '<span class="head">&nbsp;</span>'
    yield f"<p>Date {blank} Instrument {blank} Its error {blank} mm</p>"
    yield '<div class="page">\n<div class="drawings">'
    half = ' class="half"' if len(plates) > 1 else ""
    for plate in plates:
        title = f"Plate {plate.number} from above: {plate.size[0]:.0f} x {plate.size[1]:.0f} mm"
        yield f"<figure{half}>\n{plate_svg(plate, plan)}"
        yield f"<figcaption>{title}</figcaption>\n</figure>"
    if plan.of("wall", "x"):
        caption = "<figcaption>Where to measure a wall</figcaption>"
        yield f"<figure>\n{_elevation(plan)}\n{caption}\n</figure>"
    *how, safety = instructions(rules, plan, len(plates))
    yield _said(*safety)
    yield "</div>\n<div>"
    for heading, sentences in how:
        yield _said(heading, sentences)
    yield '</div>\n</div>\n<div class="tables">'
    for column in _columns(tables(plan)):
        yield "<div>"
        for table in column:
            yield from _table(table)
        yield "</div>"
    yield "</div>\n</body>\n</html>"


def plate_svg(plate: Plate, plan: Plan) -> str:
    """A plate from above, to scale; marks as they are printed. A unit is a millimetre."""
    width, depth = plate.size
    content = plate.content

    def seen(outline: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
        return [(x, depth - y) for x, y in outline]  # y of a picture runs down

    strokes = [seen(each) for mark in content.marks for each in mark.strokes(plan.sizes.pen)]
    body = [
        path([seen(plate.outline)], fill="#eeeeee", stroke=PALE, stroke_width=0.3),
        path([seen(each.outline) for each in content.prisms], fill="#767676"),
        path([seen(each.outline) for each in content.cuts], fill="#ffffff"),
        path(strokes, fill=INK),
    ]
    for bore in content.bores:
        x, y, _ = bore.start
        for side in (-bore.diameter / 2, bore.diameter / 2):
            end = x + bore.length - 1
            at = depth - y + side
            body.append(
                line(
                    x + 1,
                    at,
                    end,
                    at,
                    stroke="#ffffff",
                    stroke_width=0.25,
                    stroke_dasharray="0.8 0.5",
                )
            )
    arrows = _arrow(8, depth + 4, 8 + 9, depth + 4, "x") + _arrow(
        -3.5, depth - 8, -3.5, depth - 17, "y"
    )
    return element(
        "svg",
        "\n".join(body) + arrows,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"-6 -1 {number(width + 7)} {number(depth + 8)}",
        font_family="sans-serif",
        role="img",
        aria_label=f"plate {plate.number} from above",
    )


def _arrow(x1: float, y1: float, x2: float, y2: float, name: str) -> str:
    ux, uy = (1.0, 0.0) if x2 != x1 else (0.0, -1.0)
    tip = [
        (x2 + 2 * ux, y2 + 2 * uy),
        (x2 - 0.8 * uy, y2 + 0.8 * ux),
        (x2 + 0.8 * uy, y2 - 0.8 * ux),
    ]
    return (
        line(x1, y1, x2, y2, stroke_width=0.4)
        + path([tip], fill=INK)
        + text(x2 + 3.2 * ux + (1.2 if uy else 0), y2 + (1.2 if ux else 0.6), name, 3.6)
    )


def _elevation(plan: Plan) -> str:
    """A wall from its side and from its end, with where to measure it."""
    sizes = plan.sizes
    base, top = sizes.base, sizes.height
    ground = top + 4
    body = [
        rect(0, ground, 118, base, fill="#eeeeee", stroke=PALE, stroke_width=0.3),
        rect(8, ground - top, 24, top, fill="#bdbdbd", stroke=INK, stroke_width=0.3),
        rect(32, ground - top, 4, top, fill="#767676"),
        text(20, ground - top - 1.2, "free length", 3, text_anchor="middle"),
        text(37, ground - top + 3, "spine", 3),
        rect(66, ground - top, 1.4, top, fill="#bdbdbd", stroke=INK, stroke_width=0.3),
    ]
    for height in measuring_heights(plan):
        y = ground - height
        body += [
            line(14, y, 26, y, stroke_width=0.5),
            line(11, y, 14, y, stroke_width=0.2, stroke_dasharray="0.6 0.6"),
            line(26, y, 74, y, stroke=PALE, stroke_width=0.2, stroke_dasharray="0.6 0.6"),
            text(75, y + 1, f"{height:g} mm above the base", 3),
        ]
    y = ground - measuring_heights(plan)[1]
    # The two jaws, from above, their tips at the middle height.
    for sign, x in ((-1, 65.8), (1, 67.6)):
        jaw = [(x, y + 1), (x, 0), (x + 5 * sign, 0), (x + 5 * sign, y - 3), (x + 2 * sign, y + 1)]
        body.append(path([jaw], fill="#ffffff", fill_opacity=0.8, stroke=INK, stroke_width=0.3))
    return element(
        "svg",
        "\n".join(body),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"-1 -1 120 {number(ground + base + 2)}",
        font_family="sans-serif",
        role="img",
        aria_label="where to measure a wall",
    )


def _said(heading: str, sentences: Sequence[str]) -> str:
    items = "".join(f"<li>{escape(sentence)}</li>\n" for sentence in sentences)
    return f"<h2>{heading}</h2>\n<ul>\n{items}</ul>"


def _columns(made: Sequence[Table]) -> list[list[Table]]:
    """Tables side by side: walls, gaps over pins, holes."""
    found = [[each for each in made if each.kind in kinds] for kinds in _COLUMNS]
    return [column for column in found if column]


def _table(table: Table) -> Iterator[str]:
    yield f"<table>\n<caption>{table.title}</caption>\n<thead>\n<tr><th>mark</th><th>mm</th>"
    for axis in table.axes:
        short = _SHORT[axis] if len(table.axes) > 1 else ""
        heads = [f"{short} {at}" for at in range(1, table.readings + 1)]
        if table.readings == 1:
            heads = [short]
        yield "".join(f"<th>{head.strip()}</th>" for head in [*heads, "fill"])
    yield "</tr>\n</thead>\n<tbody>"
    cells = ('<td class="in"></td>' * table.readings + '<td class="fill"></td>') * len(table.axes)
    for row in table.rows:
        yield f'<tr><td class="mark">{row[0].mark}</td><td>{row[0].nominal:.2f}</td>{cells}</tr>'
    yield "</tbody>\n</table>"
