"""An impact as JUnit XML: what gets worse is a failure."""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.base.plain import counted, lines, one_line, plain
from wallguard.base.text import mm, place
from wallguard.findings.impact import Change, Impact, PartImpact
from wallguard.findings.model import Finding
from wallguard.reports import impact_order as order
from wallguard.reports.suites import Case, Suite, document, error, token


def xml(impact: Impact) -> str:
    """The impact as JUnit XML: one suite per part, with three cases.

    `gate` fails where the part starts failing, `walls` where a wall comes out worse, `findings`
    where anything else is newly found. What gets better, or only other, stands in system-out.
    """
    return document(_suites(impact), impact.started)


def _suites(impact: Impact) -> Iterator[Suite]:
    for part in sorted(impact.parts, key=lambda part: part.path):
        yield _part(impact, part)
    for trouble in sorted(impact.troubles, key=lambda one: (one.path, one.message)):
        case = error("usable", trouble.message)
        yield Suite(token(trouble.path), "wallguard", [case], error=lines(trouble.message))
    for path in sorted(impact.left_out):
        case = Case("compared", "skipped", f"not compared: {order.LEFT_OUT}")
        yield Suite(token(path), "wallguard", [case])


def _part(impact: Impact, part: PartImpact) -> Suite:
    name = f"{part.path} ({impact.before.rules} -> {impact.after.rules})"
    quiet = [
        line for one in part.changes if one.direction != "worse" for line in _change_lines(one)
    ]
    quiet += [line for one in part.gone for line in _finding_lines("no longer", one)]
    return Suite(
        name=token(name),
        package=token(part.path),
        cases=[error("usable", part.error)] if part.error else list(_cases(part)),
        properties=list(_properties(impact, part)),
        seconds=part.seconds,
        out=quiet,
        error=lines(part.error) if part.error else (),
    )


def _cases(part: PartImpact) -> Iterator[Case]:
    if part.starts_failing:
        message = f"{part.before} before, {part.after} after"
        yield Case("gate", "failure", message, "gate", message)
    else:
        yield Case("gate")
    worse = [change for change in part.changes if change.direction == "worse"]
    if worse:
        text = "\n".join(line for change in worse for line in _change_lines(change))
        message = f"{counted(len(worse), 'wall')} worse: {one_line(worse[0].message)}"
        yield Case("walls", "failure", message, "walls", text)
    else:
        yield Case("walls")
    if part.appeared:
        text = "\n".join(line for one in part.appeared for line in _finding_lines("now", one))
        yield Case("findings", "failure", one_line(part.appeared[0].message), "findings", text)
    else:
        yield Case("findings")


def _change_lines(change: Change) -> Iterator[str]:
    yield f"{change.direction}: {one_line(change.message)}"
    heights = f"z {mm(change.z[0])} to {mm(change.z[1])}"
    yield f"  place: {place(change.location)}, {heights}, in mm in the part file's own frame"
    if change.advice:
        yield f"  instead: {one_line(change.advice)}"


def _finding_lines(word: str, finding: Finding) -> Iterator[str]:
    yield f"{word} {finding.severity} ({plain(finding.check)}): {one_line(finding.message)}"
    if finding.advice and word == "now":
        yield f"  instead: {one_line(finding.advice)}"


def _properties(impact: Impact, part: PartImpact) -> Iterator[tuple[str, str]]:
    yield "part", plain(part.path)
    yield "from", plain(impact.before.rules)
    yield "to", plain(impact.after.rules)
    yield "before", part.before
    yield "after", part.after
    yield "frame", "coordinates are in the part file's own frame, in mm"
    yield "wallguard", plain(impact.version)
