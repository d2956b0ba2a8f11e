"""The report as one page for a browser: opens without a network, and asks for none.

The page says in its first lines whether the change may be merged; then come the findings, part by
part, each with its section, beside the part to look at. It can be read without its script and on
paper: the script only folds, filters and shows parts in 3D (by plotly's own file, put into the page
as it is). All that comes from files is escaped by the template, `web/page.html`, and the page's
policy lets only its two scripts run and nothing be fetched.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib import resources

from wallguard.base.errors import InputError
from wallguard.base.plain import clipped, counted, without_path
from wallguard.base.text import mm, place
from wallguard.drawings import finding as drawing
from wallguard.drawings.svg import PLACES, patterns
from wallguard.findings.counts import grouped
from wallguard.findings.groups import Group, groups
from wallguard.findings.impact import Impact
from wallguard.findings.model import Finding, PartReport, Report, Trouble, in_force
from wallguard.findings.outcomes import SEVERITIES, doubtful, is_cause
from wallguard.findings.rehearsal import Rehearsal
from wallguard.reports import order
from wallguard.reports.first import aside, by_rules, notices, scope, unmeasured, waived_now, word
from wallguard.reports.formats import Setting
from wallguard.reports.sentence import mark
from wallguard.reports.templates import render
from wallguard.views.model import OUTCOMES, Shape, View

# What one page holds: more makes no browser happy. The worst come first.
MOST_FINDINGS, MOST_SHAPES, MOST_PARTS, _MOST_LINES, _MOST_PLACES = 300, 40, 2000, 200, 5000

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
    "porous": "porous: leans so far that its air ends in every layer",
    "indeterminate": "indeterminate: may come out well or not",
}
_KEYS = {"indeterminate": "uncertain"}


@dataclass(frozen=True)
class Viewer:
    """The library that shows parts in 3D: its script, and the map for thickness.

    colours  from thin to thick, as CSS colours: cividis (Nuñez, Anderton and Renslow, PLOS ONE
             13(7), 2018), which reads the same with most kinds of colour blindness
    """

    script: str
    colours: tuple[str, ...]


@dataclass(frozen=True)
class Item:
    """A group of findings in the list.

    at      its place in the list, from 0
    anchor  of its element, the same in every run
    state   against the base, or that it is waived
    quiet   whether it does not count, or means nothing before another
    bare    why there is no view
    """

    at: int
    part: PartReport
    group: Group
    anchor: str
    state: str
    quiet: bool
    view: View | None
    bare: str
    alike: str
    notes: tuple[str, ...]

    @property
    def finding(self) -> Finding:
        """The one that is told."""
        return self.group.first


@dataclass(frozen=True)
class Fold:
    """Lines under a heading, closed at first: files with messages, and how many more there are."""

    title: str
    lines: Sequence[tuple[str, str]]
    more: int = 0


def show_report(report: Report, setting: Setting) -> str:
    """The page, with the wall chart of every rule file that was used."""
    from wallguard.bands.chart import chart_of
    from wallguard.drawings.wall_chart import wall_chart

    used = {part.rules for part in report.parts}
    charts = {}
    for rule in setting.rules.values():
        if rule is not None and rule.path in used:
            with suppress(InputError):  # said for every part that answers to it
                charts[rule.path] = wall_chart(chart_of(rule))
    return html(report, viewer(), charts)


def show_impact(impact: Impact, setting: Setting) -> str:
    """The page of an impact."""
    from wallguard.reports.update_page import impact_page

    return impact_page(impact)


def show_rehearsal(rehearsal: Rehearsal, setting: Setting) -> str:
    """The page of a rehearsal."""
    from wallguard.reports.update_page import rehearsal_page

    return rehearsal_page(rehearsal)


def viewer() -> Viewer:
    """The library of the extra `web`, as it goes into the page."""
    from plotly.colors import sequential
    from plotly.offline import get_plotlyjs

    return Viewer(get_plotlyjs(), tuple(sequential.Cividis))


def html(report: Report, viewer: Viewer, charts: Mapping[str, str] | None = None) -> str:
    """The page. `charts`: for each rule file, by path, its wall chart as SVG."""
    pairs = _pairs(report)
    items = [_item(at, *pair, report) for at, pair in enumerate(pairs[:MOST_FINDINGS])]
    parts = _parts(report, items)
    script, library = _asset("page.js"), _inline(viewer.script)
    counts = grouped(report)
    kind = "bad" if report.exit_code else "good" if counts.parts else "none"
    total, number = counted(len(pairs), "finding"), len(items)
    cut = f"Only the {number} worst of {total} are on this page; the JSON report has them all."
    return render(
        "page.html",
        clip=clipped,
        drawing=drawing,
        walls=_walls,
        statuses=_STATUS,
        policy=_policy(library, script),
        style=_asset("page.css"),
        script=script,
        library=library,
        data=_json(_data(report, items, parts, viewer)),
        patterns=patterns(PLACES),
        word=word(report),
        scope=scope(report),
        kind=kind,
        clauses=_clauses(report),
        worst=next((item for item in items if not item.quiet), None) if report.exit_code else None,
        notices=[*notices(report), *unmeasured(report)],
        unusable=_fold("What could not be checked", _troubles(order.unusable(report))),
        items=items,
        total=total,
        cut=cut if number < len(pairs) else "",
        severities=[
            severity
            for severity in SEVERITIES
            if any(i.finding.severity == severity for i in items)
        ],
        choices={
            "check": _choices(item.finding.check for item in items),
            "part": _choices(item.part.path for item in items),
            "state": _choices(item.state for item in items if item.state),
        },
        shapes=[(str(at), _named(part, report)) for at, part in enumerate(parts)],
        outcomes=[
            (outcome, _KEYS.get(outcome, outcome), _SHOWN_WORDS[outcome]) for outcome in OUTCOMES
        ],
        checked=order.checked(counts),
        parts=parts,
        more_parts=len(report.parts) - len(parts),
        charts=[(path, _encoded(svg)) for path, svg in sorted((charts or {}).items())],
        folds=[fold for fold in _folds(report) if fold.lines],
        caution=report.caution,
        version=report.version,
        started=report.started,
    )


def _pairs(report: Report) -> list[order.Pair]:
    """What is for all to see, then what this change itself accepts, then the rest; by part."""
    held = order.by_part(report, lambda finding: in_force(finding, report.gate))
    now = order.by_part(report, waived_now)
    rest = order.by_part(
        report, lambda finding: not in_force(finding, report.gate) and not waived_now(finding)
    )
    loud, quiet = order.split(held)
    return loud + now + quiet + rest


def _item(at: int, part: PartReport, group: Group, report: Report) -> Item:
    finding = group.first
    pictures = part.views.pictures if part.views else ()
    view = next((picture for picture in pictures if picture.finding == finding.id), None)
    notes = [finding.remark]
    if by_rules(finding):
        notes.append("The drawing is as it was: the rules alone bring it.")
    if finding.waived:
        notes.append(f"Waived: {finding.waived}")
    if finding.location:
        notes.append(f"At {place(finding.location)} in the file's own frame.")
    follows = doubtful(part.findings) and not is_cause(finding)
    if follows:
        notes.append("It means nothing before the part's unit is settled.")
    return Item(
        at=at,
        part=part,
        group=group,
        anchor=f"wall-{mark(part, finding)}",
        state=_state(finding),
        quiet=follows or not in_force(finding, report.gate),
        view=view,
        bare=_bare(finding, part),
        alike=order.alike(group),
        notes=tuple(filter(None, notes)),
    )


def _parts(report: Report, items: Sequence[Item]) -> list[PartReport]:
    """Parts, those with findings first, so that they get a shape where not all can."""
    listed = {id(item.part): item.part for item in items}
    others = [part for part in order.parts(report) if id(part) not in listed]
    return [*listed.values(), *others][:MOST_PARTS]


def _folds(report: Report) -> list[Fold]:
    """What stands under the list."""
    parts = order.parts(report)
    lost = "gone only because less is asked"
    return [
        _fold(f"findings that are {lost}", _gone(parts, lost=True)),
        _fold("fixed findings", _gone(parts, lost=False)),
        _fold(
            "checks that could not do all of their job",
            [
                (part.path, f"{run.name}: {run.note}")
                for part in parts
                for run in order.limited(part)
            ],
        ),
        _fold("things to know", [(part.path, fact) for part in parts for fact in part.facts]),
        _fold("parts not compared", [(p.path, p.base_note) for p in parts if p.base_note]),
        _fold("parts that were moved", [(p.path, f"was {p.was}") for p in parts if p.was]),
        _fold("remarks", _troubles(order.remarks(report))),
        _fold(
            "parts not covered by any rule file",
            [(path, "") for path in sorted(report.not_covered)],
        ),
        _fold("parts not looked at", [(path, "") for path in sorted(report.unseen)]),
        _fold("removed parts", [(path, "") for path in sorted(report.removed)]),
    ]


def _fold(title: str, lines: Sequence[tuple[str, str]]) -> Fold:
    shown = lines[:_MOST_LINES]
    return Fold(f"{title}: {len(lines)}", shown, len(lines) - len(shown))


def _gone(parts: Iterable[PartReport], *, lost: bool) -> list[tuple[str, str]]:
    return [
        (part.path, "; ".join(filter(None, (group.first.message, order.alike(group)))))
        for part in parts
        for group in groups(order.ranked(part.lost if lost else part.fixed))
    ]


def _troubles(troubles: Iterable[Trouble]) -> list[tuple[str, str]]:
    return [(trouble.path, without_path(trouble.path, trouble.message)) for trouble in troubles]


def _choices(values: Iterable[str]) -> list[tuple[str, str]]:
    return [(value, value) for value in sorted({*values})]


def _data(
    report: Report, items: Sequence[Item], parts: Sequence[PartReport], viewer: Viewer
) -> dict[str, object]:
    """What the script shows: parts and places, no text from files."""
    with_shape = [part for part in parts if part.views and part.views.shape]
    shaped = {id(part) for part in with_shape[:MOST_SHAPES]}
    # One file against several rule files has one surface.
    surfaces: list[dict[str, object]] = []
    known: dict[tuple[object, ...], int] = {}
    made: list[dict[str, object]] = []
    for part in parts:
        shape = part.views.shape if part.views and id(part) in shaped else None
        if shape is None:
            made.append({"why": "bare" if part.views and part.views.shape else "none"})
            continue
        key = shape.low, shape.high, shape.vertices, shape.triangles
        if key not in known:
            known[key] = len(surfaces)
            surfaces.append(_surface(shape))
        made.append(
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
    number = {id(part): at for at, part in enumerate(parts)}
    return {
        "surfaces": surfaces,
        "parts": made,
        "findings": [_place(item, number.get(id(item.part), -1)) for item in items],
        "outcomes": [
            {"name": shown, "colour": PLACES[_KEYS.get(shown, shown)].colour} for shown in OUTCOMES
        ],
        "cividis": viewer.colours,
        "most": MOST_SHAPES,
    }


def _place(item: Item, part: int) -> dict[str, object]:
    finding = item.finding
    members = item.group.findings[:_MOST_PLACES]
    shape = item.part.views.shape if item.part.views else None
    up = shape.up if shape else (0.0, 0.0, 1.0)
    places = [_top(member, up) for member in members if member.location] if len(members) > 1 else []
    return {
        "part": part,
        "kind": finding.check,
        "at": finding.location,
        "box": finding.box,
        "places": places,
    }


def _top(finding: Finding, up: tuple[float, float, float]) -> list[float]:
    """Where a mark of a place is seen from above: at its point, raised to the top of its box."""
    at, box = finding.location or (0.0, 0.0, 0.0), finding.box
    if box is None:
        return [*at]
    raised = sum(
        max(u * (low - x), u * (high - x)) for u, x, low, high in zip(up, at, *box, strict=True)
    )
    return [round(x + raised * u, 4) for x, u in zip(at, up, strict=True)]


def _surface(shape: Shape) -> dict[str, object]:
    return {
        "low": shape.low,
        "high": shape.high,
        "vertices": _packed(shape.vertices),
        "triangles": _packed(shape.triangles),
    }


def _packed(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def _encoded(svg: str) -> str:
    return _packed(svg.encode("utf-8", "backslashreplace"))


def _clauses(report: Report) -> str:
    counts = grouped(report)
    said = order.results(counts)
    if order.severities(report):
        said.append(f"findings: {order.severities(report)}")
    if report.head_commit:
        said.append(f"checked at {report.head_commit[:10]}")
    if order.against(report, counts):
        said.append(order.against(report, counts))
        if report.gate == "new" and counts.unchanged:
            said.append("only new findings fail")
    if counts.waived:
        said.append(f"{counts.waived} waived")
    said += aside(report)
    return "; ".join(said or ["there was no part to check"]) + "."


def _state(finding: Finding) -> str:
    if waived_now(finding):
        return "waived by this change"
    if finding.waived:
        return "waived"
    if by_rules(finding):
        return "new, by the rules"
    return "worse" if finding.worse else finding.state


def _bare(finding: Finding, part: PartReport) -> str:
    if finding.location is None:
        return "It concerns the part as a whole, so no section is drawn."
    if part.views and part.views.left_out:
        return "The part has so many findings that not each got a section."
    return "No section could be drawn there."


def _walls(part: PartReport) -> str:
    if not part.walls:
        return ""
    thinnest = min(wall.thickness.min for wall in part.walls)
    return f"{len(part.walls)}, from {mm(thinnest)} mm"


def _named(part: PartReport, report: Report) -> str:
    several = sum(other.path == part.path for other in report.parts) > 1
    rules = f" ({part.rules})" if several else ""
    return f"{part.path}{rules}: {part.status}"


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


def _policy(library: str, script: str) -> str:
    """Only these two scripts run, and nothing is fetched."""
    hashes = " ".join(f"'{_hash(text)}'" for text in (library, script))
    return (
        f"default-src 'none'; script-src {hashes}; "
        "style-src 'unsafe-inline'; img-src data: blob:; base-uri 'none'; form-action 'none'"
    )


def _hash(script: str) -> str:
    digest = hashlib.sha256(script.encode("utf-8", "surrogatepass")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"
