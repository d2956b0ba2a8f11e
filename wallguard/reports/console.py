"""The report on a terminal: one line a part, what is wrong with it, and the verdict last.

Parts with nothing to say come first, so that what has to be read stands next to the verdict.
"""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
import time
from collections.abc import Callable, Iterable, Iterator
from types import TracebackType
from typing import TextIO

from wallguard.base.plain import clipped, counted, lines, one_line, plain, without_path
from wallguard.findings.counts import grouped
from wallguard.findings.groups import Group, groups
from wallguard.findings.model import Finding, PartReport, Report, Status, Trouble, in_force
from wallguard.findings.outcomes import doubtful, is_cause
from wallguard.reports import order
from wallguard.reports.first import aside, by_rules, notices, unmeasured, waived_now

# Nobody reads hundreds of findings or names on a terminal; the worst come first.
_SHOWN = 10
_FEW = 3
_BRIEF = 8
# Seconds after which the time left can be told.
_GUESS = 2.0
_NARROWEST = 40
_INDENT = " " * 4
_FINDING = " " * 10
_ARROW = f"{_FINDING}-> "
_WAIVED = f"{_INDENT}waived  "

_STATUS: dict[Status, str] = {
    "passed": "+ passed",
    "failed": "x failed",
    "indeterminate": "? indeterminate",
    "error": "! error",
}
# The nearest of the 256 terminal colours to M. Okabe and K. Ito's set (Color Universal Design,
# 2008; values from memory): bluish green, vermilion, sky blue, reddish purple, orange.
_COLOURS = {
    "passed": 36,
    "failed": 166,
    "fail": 166,
    "indeterminate": 74,
    "error": 175,
    "warn": 214,
}

Paint = Callable[[str, str], str]


def text(report: Report, *, width: int = 80, colour: bool = False) -> str:
    """The report for a terminal of `width` columns (40 at least); ends with a line break.

    Names are neither cut nor wrapped, so that they can be copied. With `colour` the words for
    outcomes are coloured too; they stay words.
    """
    paint = painter(colour)
    width = max(width, _NARROWEST)
    parts = sorted(order.parts(report), key=_speaks)
    for_one_cause = _unchecked(parts)
    out = [
        line
        for part in parts
        if (part.rules, _cause(part)) not in for_one_cause
        for line in _part(part, report, width, paint)
    ]
    for (rules, cause), names in for_one_cause.items():
        out.append(f"{paint(_STATUS['error'], 'error')}  {len(names)} parts  ({plain(rules)})")
        more = f" and {len(names) - _BRIEF} more" if len(names) > _BRIEF else ""
        out += wrapped(f"{', '.join(names[:_BRIEF])}{more}: {cause}", _INDENT, width)
    out += _not_covered(sorted(report.not_covered))
    out += _troubles(report, width, paint)
    for remark in order.remarks(report):
        out += wrapped(f"- to mend  {one_line(remark.message)}", "", width)
    return _closed(report, out, width, paint)


def brief(report: Report, *, width: int = 80, colour: bool = False) -> str:
    """The same in a score of lines, however many parts there are: for a hook, which prints it at
    each commit. Where nothing is to be said it is the verdict alone."""
    paint = painter(colour)
    width = max(width, _NARROWEST)
    out = [line for trouble in order.unusable(report)[:2] for line in _trouble(trouble, paint)]
    pairs = order.by_part(
        report, lambda finding: in_force(finding, report.gate) and finding.severity != "note"
    )
    firsts: dict[int, order.Pair] = {}
    for part, group in pairs:
        firsts.setdefault(id(part), (part, group))
    shown = list(firsts.values())[:_BRIEF]
    for part, group in shown:
        more = sum(shown is part for shown, _ in pairs) - 1
        said = f"{plain(part.path)}: {one_line(group.first.message)}"
        places = len(group.findings)
        extra = [f"{places} alike"] * (places > 1) + [f"and {more} more"] * (more > 0)
        said += f" ({', '.join(extra)})" if extra else ""
        first, *_ = wrapped(said, "", 10**6)
        out.append(f"{paint(group.first.severity, group.first.severity)}  {clipped(first, 300)}")
    if len(firsts) > len(shown):
        out.append(f"and {counted(len(firsts) - len(shown), 'more part')} with findings")
    return _closed(report, out, width, paint, most=3)


def of_part(part: PartReport, *, width: int = 80) -> str:
    """What is said of one part, without a verdict; ends with a line break."""
    return "\n".join(_part(part, Report((part,)), width, _unpainted)) + "\n"


def _closed(report: Report, out: list[str], width: int, paint: Paint, most: int = _SHOWN) -> str:
    """The lines, then what stands next to the verdict, the verdict and the caution."""
    for notice in notices(report):
        out += ["", f"{notice.title}:"] if out else [f"{notice.title}:"]
        for path, message in notice.lines[:most]:
            said = ": ".join(filter(None, (plain(path), one_line(message))))
            out += wrapped(said, _INDENT, width)
        if len(notice.lines) > most:
            out.append(f"{_INDENT}and {len(notice.lines) - most} more")
    if out:
        out.append("")
    word, _, counts = verdict(report).partition(":")
    first, *more = wrapped(f"{word}:{counts}", "", width)
    outcome = {0: "passed", 1: "failed", 2: "error"}[report.exit_code]
    out += [paint(word, outcome) + first.removeprefix(word), *more]
    for notice in unmeasured(report):
        named = ", ".join(plain(path) or message for path, message in notice.lines)
        out += wrapped(f"{notice.title}: {named}.", "", width)
    return "\n".join([*out, *wrapped(report.caution, "", width)]) + "\n"


def verdict(report: Report) -> str:
    """The closing line: the verdict with its counts."""
    counts = grouped(report)
    clauses = []
    undone = order.undone(counts)
    if undone:
        clauses.append(f"{undone} could not be checked")
    statuses = (
        (counts.failed, "failed"),
        (counts.indeterminate, "indeterminate"),
        (counts.passed, "passed"),
    )
    outcomes = [(number, status) for number, status in statuses if number]
    if outcomes:
        (number, status), *rest = outcomes
        clause = [f"{number} of {order.checked(counts)} {status}"]
        clause += [f"{number} {status}" for number, status in rest]
        severities = order.severities(report)
        clauses.append(", ".join(clause) + (f" ({severities})" if severities else ""))
    against = order.against(report, counts)
    if against:
        clauses.append(against)
        if report.gate == "new" and counts.unchanged:
            clauses.append("only new findings fail")
    if counts.waived:
        clauses.append(f"{counts.waived} waived")
    clauses += aside(report)
    if report.removed:
        clauses.append(f"{counted(len(report.removed), 'part')} removed")
    word = {0: "PASSED", 1: "FAILED", 2: "NOT DONE"}[report.exit_code]
    if word == "PASSED" and not counts.parts:
        word = "NOTHING CHECKED"
    said = "; ".join(clauses) or "there was no part to check"
    head = f" at {report.head_commit[:10]}" if report.head_commit else ""
    return f"{word}{head}: {said}"


def _troubles(report: Report, width: int, paint: Paint) -> Iterator[str]:
    for trouble in order.troubles(report):
        yield f"{paint(_STATUS['error'], 'error')}  {plain(trouble.path)}"
        yield from wrapped(without_path(trouble.path, trouble.message), _INDENT, width)


def _trouble(trouble: Trouble, paint: Paint) -> Iterator[str]:
    said = one_line(without_path(trouble.path, trouble.message))
    yield f"{paint(_STATUS['error'], 'error')}  {plain(trouble.path)}: {clipped(said, 300)}"


def _cause(part: PartReport) -> str:
    return without_path(part.path, part.error) if part.status == "error" else ""


def _unchecked(parts: Iterable[PartReport]) -> dict[tuple[str, str], list[str]]:
    """The names of parts that were not checked for one cause and under the same rules, where they
    are many: the cause is what has to be read."""
    alike: dict[tuple[str, str], list[str]] = {}
    for part in parts:
        if _cause(part):
            alike.setdefault((part.rules, _cause(part)), []).append(plain(part.path))
    return {cause: names for cause, names in alike.items() if len(names) > _FEW}


def _speaks(part: PartReport) -> bool:
    """Whether there is more to say of a part than that it passed."""
    loud = any(finding.severity != "note" for finding in part.findings)
    more = part.fixed or part.lost or part.base_note or order.limited(part) or part.facts
    return part.status != "passed" or loud or bool(more)


def painter(colour: bool) -> Paint:
    """Puts the colour of an outcome (a status or a severity) round a word, or leaves it plain."""
    return _painted if colour else _unpainted


def _painted(what: str, outcome: str) -> str:
    return f"\x1b[38;5;{_COLOURS[outcome]}m{what}\x1b[0m"


def _unpainted(what: str, outcome: str) -> str:
    return what


def _part(part: PartReport, report: Report, width: int, paint: Paint) -> Iterator[str]:
    yield f"{paint(_STATUS[part.status], part.status)}  {plain(part.path)}  ({plain(part.rules)})"
    if part.was:
        yield f"{_INDENT}was {plain(part.was)}"
    for said in (without_path(part.path, part.error), part.base_note):
        if said:
            yield from wrapped(said, _INDENT, width)
    held = [
        finding
        for finding in part.findings
        if in_force(finding, report.gate) and finding.severity != "note"
    ]
    unsure = doubtful(part.findings)
    following = [finding for finding in held if unsure and not is_cause(finding)]
    loud = groups(order.ranked(finding for finding in held if not unsure or is_cause(finding)))
    for group in loud[:_SHOWN]:
        yield from _finding(group, width, paint)
    if len(loud) > _SHOWN:
        more = [group.first for group in loud[_SHOWN:]]
        yield f"{_INDENT}and {len(more)} more ({order.kinds(more)}); the JSON report has them all"
    if following:
        said = f"{len(following)} more ({order.kinds(following)}), which mean nothing before the "
        yield from wrapped(f"{said}unit is settled; the JSON report has them all", _INDENT, width)
    yield from _waived(part, width)
    quiet = [
        finding
        for finding in part.findings
        if not finding.waived and not in_force(finding, report.gate)
    ]
    if quiet:
        yield f"{_INDENT}{plain(report.base)} has these too: {_kinds(quiet)}"
    if part.fixed:
        yield f"{_INDENT}fixed since {plain(report.base)}: {_kinds(part.fixed)}"
    if part.lost:
        yield f"{_INDENT}gone only because less is asked: {_kinds(part.lost)}"
        for group in groups(order.ranked(part.lost))[:_FEW]:
            yield from wrapped(one_line(group.first.message), _FINDING, width)
    for run in order.limited(part):
        yield from wrapped(f"{run.name}: {run.note}", _INDENT, width)
    for fact in part.facts:
        yield from wrapped(fact, _INDENT, width)


def _waived(part: PartReport, width: int) -> Iterator[str]:
    waived = groups(order.ranked(finding for finding in part.findings if finding.waived))
    waived.sort(key=lambda group: not waived_now(group.first))
    for group in waived[:_SHOWN]:
        said = f"{one_line(group.first.message)} (by {one_line(group.first.waived)})"
        also = "; this change brings it and accepts it" if waived_now(group.first) else ""
        alike = f"; {order.alike(group)}" if order.alike(group) else ""
        first, *more = wrapped(f"{said}{also}{alike}", " " * len(_WAIVED), width)
        yield _WAIVED + first.lstrip()
        yield from more
    if len(waived) > _SHOWN:
        yield f"{_INDENT}and {len(waived) - _SHOWN} more that are waived"


def _kinds(findings: Iterable[Finding]) -> str:
    return order.kinds([group.first for group in groups(findings)])


def _finding(group: Group, width: int, paint: Paint) -> Iterator[str]:
    finding = group.first
    message = finding.message + (" (indeterminate)" if finding.indeterminate else "")
    # What the base has too says so in its remark where it got worse.
    if finding.state and not finding.worse:
        by = ", by the rules" if by_rules(finding) else ""
        message += f" ({finding.state}{by})"
    message += f" [{finding.id}]"
    first, *more = wrapped(message, _FINDING, width)
    yield f"{_INDENT}{paint(finding.severity, finding.severity)}  {first.lstrip()}"
    yield from more
    if order.alike(group):
        yield f"{_FINDING}{order.alike(group)}"
    if finding.remark:
        yield from wrapped(finding.remark, _FINDING, width)
    if finding.advice:
        first, *more = wrapped(finding.advice, " " * len(_ARROW), width)
        yield f"{_ARROW}{first.lstrip()}"
        yield from more


def _not_covered(paths: list[str]) -> Iterator[str]:
    for path in paths[:_SHOWN]:
        yield f"- not covered  {plain(path)}  (no rule file answers for it)"
    if len(paths) > _SHOWN:
        yield f"- not covered  {len(paths) - _SHOWN} more; the JSON report names them all"


def wrapped(message: str, indent: str, width: int) -> list[str]:
    """A message in lines of at most `width` columns, its own line breaks kept; at least one."""
    return [
        wrapped
        for line in lines(message)
        for wrapped in textwrap.wrap(
            line,
            width,
            initial_indent=indent,
            subsequent_indent=indent,
            break_long_words=False,
            break_on_hyphens=False,
        )
        or [indent]
    ]


class Progress:
    """How far a run has come: a bar on a terminal, else a plain line every now and then.

    total   how many parts there are
    stream  where to; standard error if None
    every   seconds between plain lines
    clock   seconds, rising

    Use as `with Progress(len(tasks)) as progress: ... progress.step(path)`. The bar is gone when
    the block is left, however it is left.
    """

    def __init__(
        self,
        total: int,
        stream: TextIO | None = None,
        *,
        every: float = 10.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.total = total
        self.done = 0
        self._stream = sys.stderr if stream is None else stream
        self._every = every
        self._clock = clock
        self._terminal = self._stream.isatty() and os.environ.get("TERM") != "dumb"
        self._begun = self._last = clock()

    def __enter__(self) -> Progress:
        if self._terminal and self.total:
            self._draw("")
        return self

    def step(self, path: str, share: float | None = None) -> None:
        """One more part is done; `path` names it. share: of all work that is done now, by a rough
        estimate; None: as much as each other part."""
        self.done += 1
        if self._terminal:
            share = self.done / max(self.total, 1) if share is None else share
            self._draw(path, self._left(share))
        elif self._clock() - self._last >= self._every:
            self._last = self._clock()
            print(f"{self._count()}, last {plain(path)}", file=self._stream, flush=True)

    def note(self, line: str) -> None:
        """A line to read, which stays."""
        start = "\r\x1b[K" if self._terminal else ""
        print(f"{start}{plain(line)}", file=self._stream, flush=True)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._terminal:
            self._stream.write("\r\x1b[K")
            self._stream.flush()

    def _left(self, share: float) -> str:
        """How long it will take yet, in words; empty as long as that is a mere guess."""
        past = self._clock() - self._begun
        if past < _GUESS or not 0 < share < 1:
            return ""
        left = past * (1 - share) / share
        return f", about {left / 60:.0f} min left" if left > 90 else f", about {left:.0f} s left"

    def _count(self) -> str:
        return f"checked {self.done} of {counted(self.total, 'part')}"

    def _draw(self, path: str, left: str = "") -> None:
        length = 20
        filled = length * self.done // max(self.total, 1)
        bar = f"[{'#' * filled}{'-' * (length - filled)}] {self._count()}{left}"
        # One column stays free: a full line would wrap and no longer be overwritten.
        room = shutil.get_terminal_size().columns - 1
        free = room - len(bar) - 2
        name = f"  {clipped(plain(path), free)}" if free >= len("a...b") else ""
        self._stream.write(f"\r{(bar + name)[:room]}\x1b[K")
        self._stream.flush()
