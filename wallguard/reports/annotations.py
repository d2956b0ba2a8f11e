"""The report as workflow commands: lines on standard output that a CI service shows beside files.

`::error file=…,line=…,title=…::message`, an open convention that several services read. Its
escapes, and that services show no more than ten of a kind for each step, are from memory of their
documentation.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from wallguard.base.plain import counted, plain
from wallguard.findings.model import Report, Severity, in_force
from wallguard.reports import order
from wallguard.reports.first import notes
from wallguard.reports.formats import Setting
from wallguard.reports.sentence import from_top, sentence

Kind = Literal["error", "warning", "notice"]

MOST = 10
_KINDS: dict[Severity, Kind] = {"fail": "error", "warn": "warning", "note": "notice"}

_DATA = {"%": "%25", "\r": "%0D", "\n": "%0A"}


def show_report(report: Report, setting: Setting) -> str:
    """See `text`."""
    return text(report, folder=setting.folder)


def text(report: Report, *, folder: str = "") -> str:
    """One line for each finding, worst first, at most MOST of each kind; the last of a kind says
    how many more there are. Of a part whose unit is doubtful only that is told, and what else may
    be a cause of the rest. Findings that do not gate because the base has them too are notices;
    waived ones are left out. `folder` is where the report's paths begin, seen from the top of the
    git repository.
    """
    kinds: dict[Kind, list[str]] = {"error": [], "warning": [], "notice": []}
    for kind, line in _lines(report, folder):
        kinds[kind].append(line)
    return "".join(f"{line}\n" for kind, lines in kinds.items() for line in _capped(kind, lines))


def _lines(report: Report, folder: str) -> Iterator[tuple[Kind, str]]:
    for note in notes(report):
        title = f"walls: {note.title}" if note.title else "walls"
        yield note.level, _command(note.level, from_top(folder, note.path), title, note.message)
    pairs = order.by_part(report, lambda finding: not finding.waived)
    for (part, group), follows in zip(pairs, order.following(pairs), strict=True):
        if follows:
            continue
        finding = group.first
        kind = _KINDS[finding.severity] if in_force(finding, report.gate) else "notice"
        known = " (not new)" if finding.state == "unchanged" else ""
        title = f"walls: {finding.check}{known}, {part.rules_name or part.rules}"
        said = "; ".join(filter(None, (sentence(finding), order.alike(group))))
        yield kind, _command(kind, from_top(folder, part.path), title, said)


def _capped(kind: Kind, lines: list[str]) -> list[str]:
    if len(lines) <= MOST:
        return lines
    more = counted(len(lines) - MOST + 1, "more " + kind)
    return [*lines[: MOST - 1], f"::{kind}::{more}; the report has them all"]


def _command(kind: Kind, path: str, title: str, message: str) -> str:
    properties = {"file": path, "line": "1", "title": title}
    listed = ",".join(f"{key}={_property(value)}" for key, value in properties.items())
    return f"::{kind} {listed}::{_data(message)}"


def _data(value: str) -> str:
    return "".join(_DATA.get(char) or plain(char) for char in value)


def _property(value: str) -> str:
    return _data(value).replace(":", "%3A").replace(",", "%2C")
