"""The report as code-quality JSON: a list of what is wrong, for forges that show that in a merge.

The keys and severities of that format are from memory of its documentation. Such a forge compares
two reports by fingerprint itself, so the state against a base is not in it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

from wallguard.base.plain import plain
from wallguard.findings.model import Finding, Report, Severity
from wallguard.reports import order
from wallguard.reports.formats import Setting
from wallguard.reports.json_text import Json, listed
from wallguard.reports.sentence import from_top, mark, reason, sentence

Grade = Literal["info", "minor", "major", "critical", "blocker"]

_GRADES: dict[Severity, Grade] = {"fail": "major", "warn": "minor", "note": "info"}


def show_report(report: Report, setting: Setting) -> Iterator[str]:
    """See `text`, in pieces."""
    yield from listed(_entries(report, setting.folder), 0)
    yield "\n"


def text(report: Report, *, folder: str = "") -> str:
    """A JSON list, worst first; waived findings are left out. `folder` is where the report's paths
    begin, seen from the top of the git repository."""
    return "".join(show_report(report, Setting(Path(), folder)))


def _entries(report: Report, folder: str) -> Iterator[Json]:
    for trouble in order.unusable(report):
        yield _entry(
            reason(trouble.path, trouble.message),
            "usable",
            hashlib.blake2b(
                trouble.path.encode("utf-8", "surrogateescape"), digest_size=5, person=b"usable"
            ).hexdigest(),
            "blocker",
            from_top(folder, trouble.path),
        )
    for part, finding in order.every(report):
        if not finding.waived:
            yield _entry(
                sentence(finding),
                finding.check,
                mark(part, finding),
                _grade(finding),
                from_top(folder, part.path),
            )


def _grade(finding: Finding) -> Grade:
    lost = finding.severity == "fail" and finding.fill == "missing"
    return "critical" if lost else _GRADES[finding.severity]


def _entry(description: str, check: str, fingerprint: str, grade: Grade, path: str) -> Json:
    return {
        "description": description,
        "check_name": check,
        "fingerprint": fingerprint,
        "severity": grade,
        "location": {"path": plain(path), "lines": {"begin": 1}},
    }
