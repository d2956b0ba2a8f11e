"""The report as SARIF 2.1.0 (OASIS, errata 01), for services that show findings beside the code.

Numbers of paragraphs are those of that standard.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from typing import Literal
from urllib.parse import quote

from wallguard.base.plain import capital, counted, one_line, plain
from wallguard.findings.model import Finding, PartReport, Report, Severity
from wallguard.reports import order
from wallguard.reports.first import notes, unmeasured
from wallguard.reports.formats import Setting
from wallguard.reports.json_text import Json, listed
from wallguard.reports.markdown_text import prose
from wallguard.reports.sentence import from_top, mark, sentence

Level = Literal["error", "warning", "note"]

SCHEMA = (
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
)
# Code-scanning services show so many results of a run and refuse one of more than 25,000 (their
# documentation, from memory).
MOST_RESULTS = 5000
FINGERPRINT = "wallguardFinding/v2"
_LEVELS: dict[Severity, Level] = {"fail": "error", "warn": "warning", "note": "note"}


def show_report(report: Report, setting: Setting) -> Iterator[str]:
    """See `text`, in pieces."""
    return _pieces(report, setting.folder)


def text(report: Report, *, folder: str = "") -> str:
    """The report as SARIF, the worst MOST_RESULTS findings of it; a notification says how many
    more there are. `folder` is where its paths begin, seen from the top of the git repository.

    Findings that the base had and that are gone are not in it: services close what a run no longer
    names, and would show a result of state `absent` as one that is there.
    """
    return "".join(_pieces(report, folder))


def _pieces(report: Report, folder: str) -> Iterator[str]:
    findings = order.every(report)
    shown = findings[:MOST_RESULTS]
    rules = _rules(shown)
    numbers = {rule["id"]: number for number, rule in enumerate(rules)}
    # 3.27.23: either all results of a run have `suppressions`, or none.
    waived = any(finding.waived for _, finding in shown)
    driver: Json = {"name": "wallguard", "rules": rules}
    if report.version:
        driver["version"] = plain(report.version)
    run = {
        "tool": {"driver": driver},
        "automationDetails": {"id": "wallguard/"},
        "properties": {"caution": report.caution, "commit": plain(report.head_commit)},
        "invocations": [
            {
                "executionSuccessful": report.exit_code != 2,
                "exitCode": report.exit_code,
                "toolExecutionNotifications": _notifications(report, len(findings), folder),
            }
        ],
        "results": [],
    }
    whole = {"$schema": SCHEMA, "version": "2.1.0", "runs": [run]}
    # There may be thousands of results: each is text at once, in the place of the empty list.
    before, after = json.dumps(whole, indent=1, allow_nan=False).rsplit("[]", 1)
    yield before
    yield from listed((_result(*pair, report, numbers, waived, folder) for pair in shown), 3)
    yield after + "\n"


def _rules(shown: Sequence[tuple[PartReport, Finding]]) -> list[Json]:
    """Our checks with their meaning, then any other that a finding names."""
    # Here, because checks bring the geometry with them.
    from wallguard.checks.registry import CHECKS
    from wallguard.rules.features import FEATURES

    rules = []
    for feature in FEATURES:
        name, check = feature.id, CHECKS[feature.id]
        meaning = capital(feature.meaning)
        # `python -OO` leaves out what modules say of themselves.
        about = _escaped((check.__doc__ or meaning).strip())
        rules.append(
            {
                "id": name,
                "shortDescription": {"text": _escaped(meaning)},
                "fullDescription": {"text": about},
                "help": {"text": about},
                "defaultConfiguration": {"level": "error"},
            }
        )
    others = sorted({finding.check for _, finding in shown} - set(CHECKS))
    return rules + [{"id": name} for name in others]


def _result(
    part: PartReport,
    finding: Finding,
    report: Report,
    numbers: dict[str, int],
    waived: bool,
    folder: str,
) -> Json:
    what = sentence(finding)
    result: Json = {
        "ruleId": finding.check,
        "ruleIndex": numbers[finding.check],
        "level": _LEVELS[finding.severity],
        "message": {"text": _escaped(what), "markdown": _braced(prose(what))},
        "locations": [_location(part.path, folder)],
        "partialFingerprints": {FINGERPRINT: plain(mark(part, finding))},
        "properties": _facts(part, finding),
    }
    if report.base and finding.state:
        result["baselineState"] = finding.state
    if waived:
        result["suppressions"] = (
            [{"kind": "external", "justification": one_line(finding.waived)}]
            if finding.waived
            else []
        )
    return result


def _location(path: str, folder: str) -> Json:
    # Quoted as bytes: a name that is not UTF-8 keeps its own.
    name = quote(from_top(folder, path).encode("utf-8", "surrogateescape"))
    # A mesh has no lines, but services show no result without one.
    return {"physicalLocation": {"artifactLocation": {"uri": name}, "region": {"startLine": 1}}}


def _facts(part: PartReport, finding: Finding) -> Json:
    facts: Json = {
        "rules": plain(part.rules),
        "process": plain(part.rules_name),
        "unit": plain(finding.unit),
        "fill": finding.fill,
        "indeterminate": finding.indeterminate,
    }
    for key, value in (("measured", finding.measured), ("limit", finding.limit)):
        if value is not None and math.isfinite(value):
            facts[key] = round(value, 4)
    if finding.location is not None and all(map(math.isfinite, finding.location)):
        facts["location"] = [round(value, 3) + 0.0 for value in finding.location]
    return facts


def _notifications(report: Report, count: int, folder: str) -> list[Json]:
    made = [_notification(note.level, note.message, note.path, folder) for note in notes(report)]
    made += [
        _notification("note", notice.title, path or ".", folder)
        for notice in unmeasured(report)
        for path, _ in notice.lines
    ]
    made += [
        _notification("note", "not checked: no rule file answers for this part", path, folder)
        for path in sorted(report.not_covered)
    ]
    if count > MOST_RESULTS:
        left = counted(count - MOST_RESULTS, "finding")
        made.append(
            {
                "level": "warning",
                "message": {
                    "text": f"{left} of {count} left out, the least bad: services show no more "
                    f"than {MOST_RESULTS} results. The JSON report has them all."
                },
            }
        )
    return made


def _notification(level: Level, message: str, path: str, folder: str) -> Json:
    return {
        "level": level,
        "message": {"text": _escaped(message)},
        "locations": [_location(path, folder)],
    }


def _escaped(message: str) -> str:
    """Plain text as 3.11 has it: no placeholder (3.11.5), no embedded link (3.11.6)."""
    escaped = _braced(message.replace("\\", "\\\\"))
    return escaped.replace("[", "\\[").replace("]", "\\]")


def _braced(message: str) -> str:
    return message.replace("{", "{{").replace("}", "}}")
