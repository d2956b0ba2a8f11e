"""The report as one page for a browser: opens without a network, and asks for none.

The page says in its first lines whether the change may be merged; then come the findings, part by
part, each with its section, beside the part to look at. It can be read without its scripts and on
paper: `web/page.js` only folds and filters, `web/view.js` shows parts in 3D. All that comes from
files is escaped by the template, `web/page.html`, and the page's policy lets only these two scripts
run and nothing be fetched.
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
from wallguard.base.text import mm
from wallguard.drawings import finding as drawing
from wallguard.drawings.svg import PLACES, patterns
from wallguard.findings.counts import grouped
from wallguard.findings.groups import groups
from wallguard.findings.impact import Impact
from wallguard.findings.model import PartReport, Report, Trouble
from wallguard.findings.outcomes import SEVERITIES
from wallguard.findings.rehearsal import Rehearsal
from wallguard.reports import cards, order, space
from wallguard.reports.cards import Item
from wallguard.reports.first import aside, notices, scope, unmeasured, word
from wallguard.reports.formats import Setting
from wallguard.reports.templates import encoded, render
from wallguard.views.model import OUTCOMES

# What one page holds: more makes no browser happy. The worst come first.
MOST_FINDINGS, MOST_PARTS, _MOST_LINES = 300, 2000, 200
# Of pictures so many characters, about 2,500 each; and with surfaces, so that all is under 3 MB.
MOST_DRAWN, MOST_SHOWN = 750_000, 2_350_000

_STATUS = {
    "passed": "✓ passed",
    "failed": "✗ failed",
    "indeterminate": "? indeterminate",
    "error": "! error",
}


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
    return html(report, charts)


def show_impact(impact: Impact, setting: Setting) -> str:
    """The page of an impact."""
    from wallguard.reports.update_page import impact_page

    return impact_page(impact)


def show_rehearsal(rehearsal: Rehearsal, setting: Setting) -> str:
    """The page of a rehearsal."""
    from wallguard.reports.update_page import rehearsal_page

    return rehearsal_page(rehearsal)


def html(report: Report, charts: Mapping[str, str] | None = None) -> str:
    """The page. `charts`: for each rule file, by path, its wall chart as SVG."""
    pairs = cards.pairs(report)
    blocks = cards.blocks(report, pairs[:MOST_FINDINGS])
    items = [item for block in blocks for kind in block.kinds for item in kind.items]
    parts = _parts(report, items)
    pictures = drawing.Pictures(MOST_DRAWN)
    sections = [pictures.section(item.view) if item.view else "" for item in items]
    scripts = _asset("view.js"), _asset("page.js")
    counts = grouped(report)
    kind = "bad" if report.exit_code else "good" if counts.parts else "none"
    total, number = counted(len(pairs), "finding"), len(items)
    cut = f"Only the {number} worst of {total} are on this page; the JSON report has them all."
    return render(
        "page.html",
        clip=clipped,
        drawing=drawing,
        pictures=pictures,
        sections=sections,
        walls=_walls,
        statuses=_STATUS,
        policy=_policy(scripts),
        style=_asset("page.css"),
        scripts=scripts,
        data=_json(space.data(items, parts, MOST_SHOWN - sum(map(len, sections)))),
        patterns=patterns(PLACES),
        word=word(report),
        scope=scope(report),
        kind=kind,
        clauses=_clauses(report),
        worst=next((item for item in items if not item.quiet), None) if report.exit_code else None,
        notices=[*notices(report), *unmeasured(report)],
        unusable=_fold("What could not be checked", _troubles(order.unusable(report))),
        blocks=blocks,
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
            (outcome, space.KEYS.get(outcome, outcome), space.WORDS[outcome])
            for outcome in OUTCOMES
        ],
        checked=order.checked(counts),
        parts=parts,
        more_parts=len(report.parts) - len(parts),
        charts=[(path, encoded(svg)) for path, svg in sorted((charts or {}).items())],
        folds=[fold for fold in _folds(report) if fold.lines],
        caution=report.caution,
        version=report.version,
        started=report.started,
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


def _policy(scripts: Iterable[str]) -> str:
    """Only these scripts run, and nothing is fetched."""
    hashes = " ".join(f"'{_hash(script)}'" for script in scripts)
    return (
        f"default-src 'none'; script-src {hashes}; "
        "style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
    )


def _hash(script: str) -> str:
    digest = hashlib.sha256(script.encode("utf-8", "surrogatepass")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"
