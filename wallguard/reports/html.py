"""The report as one page for a browser: opens without a network, and asks for none.

The page says in its first lines whether the change may be merged; then come the findings, worst
first, each with its section, beside the part to look at. It can be read without its script and on
paper: the script only folds, filters and shows parts in space (by plotly's own file, put into the
page as it is). All that comes from files is escaped, and the page's policy lets only its two
scripts run and nothing be fetched.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib import resources

from wallguard.base.errors import InputError
from wallguard.base.plain import clipped, counted, without_path
from wallguard.base.text import mm, place
from wallguard.drawings import finding as drawing
from wallguard.drawings.svg import PLACES, element, escape, patterns
from wallguard.findings.counts import SEVERITIES, told
from wallguard.findings.model import Finding, PartReport, Report, in_force
from wallguard.reports import order
from wallguard.reports.formats import Setting
from wallguard.views.model import OUTCOMES, Shape, View

# What one page holds: more makes no browser happy. The worst come first.
MOST_FINDINGS, MOST_SHAPES, MOST_PARTS, _MOST_LINES = 300, 40, 2000, 200
_LONGEST = 600

_STATUS = {
    "passed": "✓ passed",
    "failed": "✗ failed",
    "indeterminate": "? indeterminate",
    "error": "! error",
}
_SHOWN_WORDS = {
    "solid": "comes out solid and as drawn",
    "hollow": "hollow: a void along its middle",
    "missing": "missing: nothing is printed",
    "thickened": "thickened: printed thicker than drawn",
    "thinned": "thinned: printed thinner than drawn",
    "indeterminate": "indeterminate: may come out well or not",
}
_KEYS = {"indeterminate": "uncertain"}


@dataclass(frozen=True)
class Viewer:
    """The library that shows parts in space: its script, and the map for thickness.

    colours  from thin to thick, as CSS colours: cividis (Nuñez, Anderton and Renslow, PLOS ONE
             13(7), 2018), which reads the same with most kinds of colour blindness
    """

    script: str
    colours: tuple[str, ...]


def show_report(report: Report, setting: Setting) -> str:
    """The page, with the wall chart of every rule file that was used."""
    from wallguard.drawings.wall_chart import wall_chart

    used = {part.rules for part in report.parts}
    charts = {}
    for one in setting.rules.values():
        if one is not None and one.path in used:
            with suppress(InputError):  # said for every part that answers to it
                charts[one.path] = wall_chart(one)
    return html(report, viewer(), charts)


def viewer() -> Viewer:
    """The library of the extra `web`, as it goes into the page."""
    from plotly.colors import sequential
    from plotly.offline import get_plotlyjs

    return Viewer(get_plotlyjs(), tuple(sequential.Cividis))


def html(report: Report, viewer: Viewer, charts: Mapping[str, str] | None = None) -> str:
    """The page. `charts`: for each rule file, by path, its wall chart as SVG."""
    parts = order.parts(report)
    pairs = order.every(report)
    shown = pairs[:MOST_FINDINGS]
    holder = _Page(report, parts, shown)
    style, script = _asset("page.css"), _asset("page.js")
    library = _inline(viewer.script)
    data = _json(holder.data(viewer))
    policy = (
        "default-src 'none'; "
        f"script-src '{_hash(library)}' '{_hash(script)}'; "
        "style-src 'unsafe-inline'; img-src data: blob:; base-uri 'none'; form-action 'none'"
    )
    word = _word(report)
    body = [
        *holder.head(),
        *_unusable(report),
        '<main class="work">',
        *holder.list(len(pairs)),
        *holder.viewer(),
        "</main>",
        *holder.rest(charts or {}),
        *_foot(report),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light">\n<meta name="referrer" content="no-referrer">\n'
        f"<title>{escape(word)} - wallguard</title>\n"
        f"<style>\n{style}</style>\n</head>\n<body>\n"
        + "\n".join(body)
        + f'\n<script type="application/json" id="data">{data}</script>\n'
        f"<script>{library}</script>\n<script>{script}</script>\n</body>\n</html>\n"
    )


class _Page:
    """The pieces of the page that speak of parts and findings."""

    def __init__(
        self,
        report: Report,
        parts: Sequence[PartReport],
        shown: Sequence[tuple[PartReport, Finding]],
    ) -> None:
        self.report = report
        self.shown = shown
        # Parts with findings first, so that they get a shape where not all can.
        weight = {id(part): -1 for part in parts}
        for at, (part, _) in enumerate(shown):
            if weight[id(part)] < 0:
                weight[id(part)] = at
        self.parts = sorted(
            parts, key=lambda part: (weight[id(part)] < 0, weight[id(part)], part.path, part.rules)
        )[:MOST_PARTS]
        self.more_parts = len(parts) - len(self.parts)
        self.number = {id(part): at for at, part in enumerate(self.parts)}
        with_shape = [part for part in self.parts if part.views and part.views.shape]
        self.shaped = with_shape[:MOST_SHAPES]
        self.bare = len(with_shape) - len(self.shaped)
        self.views = {
            view.finding: view
            for part in parts
            for view in (part.views.pictures if part.views else ())
        }

    def head(self) -> Iterator[str]:
        report = self.report
        counts = told(report)
        kind = "bad" if report.exit_code else "good" if counts.parts else "none"
        yield f'<header class="{kind}"><h1>{escape(_word(report))}</h1>'
        yield f"<p>{escape(_clauses(report))}</p>"
        first = next((pair for pair in self.shown if in_force(pair[1], report.gate)), None)
        if first and report.exit_code:
            part, finding = first
            yield (
                f'<p class="first"><b>Worst:</b> {_code(part.path)}, {_said(finding.message)}. '
                + (f"<b>Instead:</b> {_said(finding.advice)}." if finding.advice else "")
                + "</p>"
            )
        yield "</header>"

    def list(self, total: int) -> Iterator[str]:
        yield '<section class="findings" aria-label="Findings">'
        if total:
            yield from self._filters()
            yield f'<p class="count" id="count" role="status">{counted(total, "finding")}</p>'
        else:
            yield '<p class="count">No findings.</p>'
        if total > len(self.shown):
            yield (
                f'<p class="cut">Only the {len(self.shown)} worst of {total} findings are on this '
                "page; the JSON report has them all.</p>"
            )
        yield '<ol id="findings">'
        for at, (part, finding) in enumerate(self.shown):
            yield self._finding(at, part, finding)
        yield "</ol></section>"

    def _filters(self) -> Iterator[str]:
        severities = {finding.severity for _, finding in self.shown}
        checks = sorted({finding.check for _, finding in self.shown})
        parts = sorted({part.path for part, _ in self.shown})
        yield '<form class="filters" id="filters" aria-label="Filters" hidden>'
        yield '<fieldset><legend class="hidden">Severity</legend>'
        for one in SEVERITIES:
            if one in severities:
                yield (
                    f'<label><input type="checkbox" name="severity" value="{one}" checked> '
                    f"{one}</label>"
                )
        yield "</fieldset>"
        yield _select("check", "All checks", [(one, one) for one in checks])
        yield _select("part", "All parts", [(one, one) for one in parts])
        states = sorted({_state(finding) for _, finding in self.shown} - {""})
        if states:
            yield _select("state", "New and old", [(one, one) for one in states])
        yield '<input type="search" name="text" placeholder="Search" aria-label="Search">'
        yield "</form>"

    def _finding(self, at: int, part: PartReport, finding: Finding) -> str:
        state = _state(finding)
        quiet = "" if in_force(finding, self.report.gate) else " quiet"
        badge = f' <span class="badge">{escape(state)}</span>' if state else ""
        advice = (
            f'<span class="instead"><b>Instead:</b> {_said(finding.advice)}</span>'
            if finding.advice
            else ""
        )
        unsure = " (indeterminate)" if finding.indeterminate else ""
        head = (
            f'<button type="button" id="f{at}" aria-expanded="true" aria-controls="d{at}">'
            f'<span class="mark {finding.severity}">{at + 1}<small>{finding.severity}</small>'
            f'</span><span class="what"><span class="where">{_code(part.path)}{badge}</span>'
            f'<span class="message">{_said(finding.message)}{unsure}</span>{advice}'
            f'<span class="meta">{escape(finding.check)} · {_code(part.rules)}</span></span>'
            "</button>"
        )
        view = self.views.get(finding.id)
        body = _figure(view) if view else _no_figure(finding, part)
        notes = []
        if finding.remark:
            notes.append(_said(finding.remark))
        if finding.waived:
            notes.append(f"Waived: {_said(finding.waived)}")
        if finding.location:
            notes.append(f"At {escape(place(finding.location))} in the file's own frame.")
        said = "".join(f"<p>{note}</p>" for note in notes)
        return (
            f'<li class="finding{quiet}" data-at="{at}" data-severity="{finding.severity}" '
            f'data-check="{escape(finding.check)}" data-part="{escape(part.path)}" '
            f'data-state="{escape(state)}">{head}<div class="detail" id="d{at}">{body}{said}'
            "</div></li>"
        )

    def viewer(self) -> Iterator[str]:
        yield '<section class="space" id="space" aria-label="Part in space" hidden>'
        yield '<div class="tools">'
        options = [(str(self.number[id(part)]), _named(part, self.report)) for part in self.parts]
        yield _select("shape", "", options, ident="shape", label="Part")
        yield (
            '<div class="switch" role="group" aria-label="Colours">'
            '<button type="button" id="by-outcome" aria-pressed="true">Outcome</button>'
            '<button type="button" id="by-thickness" aria-pressed="false">Thickness</button></div>'
            '<button type="button" id="whole">Whole part</button>'
        )
        yield "</div>"
        yield (
            '<div class="stage" id="stage" tabindex="0" role="application" aria-label="The part; '
            'arrow keys turn it, plus and minus zoom"><div id="plot"></div>'
            '<div class="ring" id="ring" hidden></div>'
            '<p class="trouble" id="trouble" hidden></p></div>'
        )
        yield '<div class="key" id="key-outcome"><ul>'
        for shown in OUTCOMES:
            key = _KEYS.get(shown, shown)
            yield (f'<li data-outcome="{shown}">{_swatch(key)} {escape(_SHOWN_WORDS[shown])}</li>')
        yield (
            '<li data-outcome="none"><span class="plain"></span> thicker, or no wall</li>'
            "</ul></div>"
        )
        yield (
            '<div class="key" id="key-thickness" hidden><span id="thin"></span>'
            '<span class="ramp" id="ramp"></span><span id="thick"></span> thick as printed; '
            '<span class="plain"></span> thicker, or no wall</div>'
        )
        yield '<p class="note" id="note"></p>'
        yield '<p class="note">Drag, or arrow keys: turn. Wheel, or + and -: zoom.</p></section>'

    def rest(self, charts: Mapping[str, str]) -> Iterator[str]:
        report = self.report
        yield '<section class="rest">'
        rows = "".join(_row(part) for part in self.parts)
        if rows:
            yield _folded(
                order.checked(told(report)),
                "<table><thead><tr><th>part</th><th>rules</th><th>result</th><th>walls</th></tr>"
                f"</thead><tbody>{rows}</tbody></table>"
                + (f"<p>And {self.more_parts} more.</p>" if self.more_parts else ""),
            )
        for path in sorted(charts):
            picture = base64.b64encode(charts[path].encode("utf-8", "backslashreplace")).decode()
            yield _folded(
                f"How thick to draw a wall: {clipped(path, 200)}",
                f'<img class="chart" alt="{escape(f"Wall chart of {path}")}" '
                f'src="data:image/svg+xml;base64,{picture}">',
            )
        fixed = [(part, one) for part in self.parts for one in order.findings(part.fixed)]
        yield _lines(
            counted(len(fixed), "fixed finding"),
            (f"{_code(part.path)}: {_said(one.message)}" for part, one in fixed[:_MOST_LINES]),
            len(fixed),
        )
        limited = [(part, run) for part in self.parts for run in order.limited(part)]
        yield _lines(
            counted(
                len(limited),
                "check that could not do all of its job",
                "checks that could not do all of their job",
            ),
            (
                f"{_code(part.path)}, {escape(run.name)}: {_said(run.note)}"
                for part, run in limited[:_MOST_LINES]
            ),
            len(limited),
        )
        alone = [part for part in self.parts if part.base_note]
        yield _lines(
            counted(len(alone), "part not compared", "parts not compared"),
            (f"{_code(part.path)}: {_said(part.base_note)}" for part in alone[:_MOST_LINES]),
            len(alone),
        )
        remarks = order.remarks(report)
        yield _lines(
            counted(len(remarks), "remark"),
            (
                f"{_code(one.path)}: {_said(without_path(one.path, one.message))}"
                for one in remarks[:_MOST_LINES]
            ),
            len(remarks),
        )
        bare = sorted(report.not_covered)
        yield _lines(
            counted(
                len(bare),
                "part not checked, for want of a rule file",
                "parts not checked, for want of a rule file",
            ),
            (_code(path) for path in bare[:_MOST_LINES]),
            len(bare),
        )
        gone = sorted(report.removed)
        yield _lines(counted(len(gone), "removed part"), map(_code, gone[:_MOST_LINES]), len(gone))
        yield "</section>"

    def data(self, viewer: Viewer) -> dict[str, object]:
        """What the script shows: parts and places, no text from files."""
        shaped = {id(part) for part in self.shaped}
        # One file against several rule files has one surface.
        surfaces: list[dict[str, object]] = []
        known: dict[tuple[object, ...], int] = {}
        parts: list[dict[str, object]] = []
        for part in self.parts:
            shape = part.views.shape if part.views and id(part) in shaped else None
            if shape is None:
                parts.append({"why": "bare" if part.views and part.views.shape else "none"})
                continue
            key = shape.low, shape.high, shape.vertices, shape.triangles
            if key not in known:
                known[key] = len(surfaces)
                surfaces.append(_surface(shape))
            parts.append(
                {
                    "surface": known[key],
                    "up": shape.up,
                    "thickness": _packed(shape.thickness),
                    "outcomes": _packed(shape.outcomes),
                    "hatches": {shown: _packed(lines) for shown, lines in shape.hatches},
                    "scale": shape.scale,
                    "simplified": shape.simplified,
                    "drawn": shape.drawn,
                }
            )
        places = [
            {
                "part": self.number.get(id(part), -1),
                "kind": finding.check,
                "at": finding.location,
                "box": finding.box,
            }
            for part, finding in self.shown
        ]
        return {
            "surfaces": surfaces,
            "parts": parts,
            "findings": places,
            "outcomes": [
                {"name": shown, "colour": PLACES[_KEYS.get(shown, shown)].colour}
                for shown in OUTCOMES
            ],
            "cividis": viewer.colours,
            "most": MOST_SHAPES,
        }


def _surface(shape: Shape) -> dict[str, object]:
    return {
        "low": shape.low,
        "high": shape.high,
        "vertices": _packed(shape.vertices),
        "triangles": _packed(shape.triangles),
    }


def _packed(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def _word(report: Report) -> str:
    if report.exit_code:
        return "Do not merge"
    return "May be merged as far as walls go" if report.parts else "Nothing was checked"


def _clauses(report: Report) -> str:
    counts = told(report)
    said = []
    if counts.failed:
        said.append(f"{counts.failed} of {order.checked(counts)} failed")
    if order.undone(counts):
        said.append(f"{order.undone(counts)} could not be checked")
    if counts.parts and not said:
        said.append(f"{counts.passed} of {order.checked(counts)} passed")
    if counts.indeterminate:
        said.append(f"{counts.indeterminate} indeterminate")
    if order.found(report):
        said.append(f"findings: {order.found(report)}")
    if order.against(report, counts):
        said.append(order.against(report, counts))
        if report.gate == "new" and counts.unchanged:
            said.append("only new findings fail")
    if counts.waived:
        said.append(f"{counts.waived} waived")
    if counts.not_covered:
        said.append(f"{counted(counts.not_covered, 'part')} not covered by any rule file")
    return "; ".join(said or ["there was no part to check"]) + "."


def _state(finding: Finding) -> str:
    if finding.waived:
        return "waived"
    return "worse" if finding.worse else finding.state


def _unusable(report: Report) -> Iterator[str]:
    troubles = order.unusable(report)
    if troubles:
        yield '<section class="unusable"><h2>What could not be checked</h2><ul>'
        for one in troubles[:_MOST_LINES]:
            yield f"<li>{_code(one.path)}: {_said(without_path(one.path, one.message))}</li>"
        if len(troubles) > _MOST_LINES:
            yield f"<li>and {len(troubles) - _MOST_LINES} more</li>"
        yield "</ul></section>"


def _foot(report: Report) -> Iterator[str]:
    yield "<footer><p>Coordinates are in the part file's own frame, in mm; sections in mm as "
    yield "printed.</p><p>A pass speaks of a part's geometry only. It never says that a part is "
    yield "safe to use.</p>"
    started = f", {escape(report.started)} UTC" if report.started else ""
    yield f"<p>wallguard {escape(report.version)}{started}</p></footer>"
    yield f'<svg class="patterns" width="0" height="0" aria-hidden="true">{patterns(PLACES)}</svg>'


def _figure(view: View) -> str:
    keys = "".join(
        f"<li>{_swatch(key)} {escape(words)}</li>" for key, words in drawing.legend(view)
    )
    return (
        f"<figure>{drawing.section(view)}<figcaption><ul>{keys}</ul>"
        f"{drawing.overview(view)}</figcaption></figure>"
    )


def _no_figure(finding: Finding, part: PartReport) -> str:
    if finding.location is None:
        return "<p>It concerns the part as a whole, so no section is drawn.</p>"
    if part.views and part.views.left_out:
        return "<p>The part has so many findings that not each got a section.</p>"
    return "<p>No section could be drawn there.</p>"


def _swatch(key: str) -> str:
    return (
        '<svg class="swatch" viewBox="-0.3 -0.3 7.6 4.6" aria-hidden="true">'
        f"{drawing.swatch(key)}</svg>"
    )


def _row(part: PartReport) -> str:
    return (
        f"<tr><td>{_code(part.path)}</td><td>{_code(part.rules)}</td>"
        f"<td>{_STATUS[part.status]}</td><td>{_walls(part)}</td></tr>"
    )


def _walls(part: PartReport) -> str:
    if not part.walls:
        return ""
    thin = min(wall.thickness.min for wall in part.walls)
    return f"{len(part.walls)}, from {mm(thin)} mm"


def _named(part: PartReport, report: Report) -> str:
    several = sum(one.path == part.path for one in report.parts) > 1
    rules = f" ({part.rules})" if several else ""
    return f"{part.path}{rules}: {part.status}"


def _select(
    name: str,
    everything: str,
    options: Iterable[tuple[str, str]],
    *,
    ident: str = "",
    label: str = "",
) -> str:
    first = f'<option value="">{everything}</option>' if everything else ""
    choices = "".join(
        f'<option value="{escape(value)}">{escape(clipped(words, 90))}</option>'
        for value, words in options
    )
    named = f' id="{ident}"' if ident else ""
    return (
        f'<select name="{name}"{named} aria-label="{label or name.capitalize()}">'
        f"{first}{choices}</select>"
    )


def _folded(summary: str, content: str) -> str:
    return element("details", f"<summary>{escape(summary)}</summary>{content}")


def _lines(summary: str, items: Iterable[str], total: int) -> str:
    if not total:
        return ""
    rest = f"<li>and {total - _MOST_LINES} more</li>" if total > _MOST_LINES else ""
    return _folded(summary, f"<ul>{''.join(f'<li>{item}</li>' for item in items)}{rest}</ul>")


def _code(name: str) -> str:
    return f"<code>{escape(clipped(name, 200))}</code>"


def _said(message: str) -> str:
    return escape(clipped(message, _LONGEST))


def _asset(name: str) -> str:
    return (resources.files("wallguard.reports") / "web" / name).read_text("utf-8")


def _json(data: object) -> str:
    """JSON that cannot end the element it stands in."""
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _inline(script: str) -> str:
    """A script that cannot end its element: within a string or a regular expression, the only
    places where it can stand, `<\\/script` means the same as `</script`."""
    return script.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def _hash(script: str) -> str:
    digest = hashlib.sha256(script.encode("utf-8", "surrogatepass")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"
