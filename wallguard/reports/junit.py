"""The report as JUnit XML, for the pipelines that read it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wallguard.base import cautions
from wallguard.base.plain import counted, lines, one_line, plain
from wallguard.base.text import limit_text, mm, place
from wallguard.findings.groups import Group, groups
from wallguard.findings.impact import Change, Impact, PartImpact
from wallguard.findings.model import Finding, PartReport, Report, in_force
from wallguard.findings.rehearsal import Printer, Rehearsal, Rehearsed
from wallguard.reports import impact_order, order, rehearsal_words
from wallguard.reports.first import notices, unmeasured
from wallguard.reports.formats import Setting
from wallguard.reports.suites import Case, Suite, document, error, token


def show_report(report: Report, setting: Setting) -> Iterator[str]:
    """See `xml`; piece by piece."""
    return document(_suites(report), report.started)


def show_impact(impact: Impact, setting: Setting) -> str:
    """See `impact_xml`."""
    return impact_xml(impact)


def show_rehearsal(rehearsal: Rehearsal, setting: Setting) -> str:
    """See `rehearsal_xml`."""
    return rehearsal_xml(rehearsal)


def xml(report: Report) -> str:
    """The report as JUnit XML: one suite per part and rule file, one case per check, and one more,
    skipped with the reason, for each finding that is waived.

    Findings that fail are failures, one per check, with all places and advice in its text; warnings
    and notes stand in system-out, as does what the base has too where only new findings fail, and
    what is fixed. A file that could not be used is a suite with an error, a part
    that no rule file answers for a suite with a skipped case. The time is `started` in UTC.
    """
    return "".join(document(_suites(report), report.started))


def _suites(report: Report) -> Iterator[Suite]:
    for part in order.parts(report):
        yield _part(part, report)
    for trouble in order.troubles(report):
        case = error("usable", trouble.message)
        yield Suite(token(trouble.path), "wallguard", [case], error=lines(trouble.message))
    mend = [one_line(remark.message) for remark in order.remarks(report)]
    if mend:
        yield Suite("wallguard", "wallguard", [Case("to mend")], out=mend)
    said = [
        f"{notice.title}: {': '.join(filter(None, (plain(path), one_line(message))))}"
        for notice in (*notices(report), *unmeasured(report))
        for path, message in notice.lines
    ]
    if said:
        yield Suite("wallguard: what to know first", "wallguard", [Case("first")], out=said)
    for path in sorted(report.not_covered):
        case = Case("covered", "skipped", "no rule file answers for this part: it was not checked")
        yield Suite(token(path), "wallguard", [case])


def _part(part: PartReport, report: Report) -> Suite:
    findings = order.findings(part.findings)
    names = [run.name for run in part.checks]
    # A finding is never lost, even if its check is not listed as run.
    names += sorted({finding.check for finding in findings} - set(names))
    held = [finding for finding in findings if in_force(finding, report.gate)]
    failing = [finding for finding in held if finding.severity == "fail"]
    cases = [_case(name, part, failing) for name in names]
    cases += [_waived(finding) for finding in findings if finding.waived]
    if part.status == "error":
        cases.append(error("usable", part.error))
    quiet = [finding for finding in held if finding.severity != "fail"]
    # What the base has too, where only new findings fail.
    quiet += [
        finding for finding in findings if not finding.waived and not in_force(finding, report.gate)
    ]
    out = [line for group in groups(quiet) for line in _group_lines(group)]
    out += [f"fixed: {one_line(finding.message)}" for finding in order.findings(part.fixed)]
    lost = "gone only because less is asked"
    out += [f"{lost}: {one_line(finding.message)}" for finding in order.findings(part.lost)]
    out += [f"{plain(run.name)}: {one_line(run.note)}" for run in order.limited(part)]
    out += [one_line(fact) for fact in part.facts]
    if part.base_note:
        out.append(one_line(part.base_note))
    return Suite(
        name=token(f"{part.path} ({part.rules})"),
        package=token(part.path),
        cases=cases,
        properties=list(properties(part, report)),
        seconds=part.seconds,
        out=out,
        error=lines(part.error) if part.error else (),
    )


def _waived(finding: Finding) -> Case:
    name = f"{finding.check} (waived {finding.id})"
    return Case(
        name, "skipped", f"waived by {one_line(finding.waived)}", text="\n".join(_lines(finding))
    )


def _case(name: str, part: PartReport, fails: Sequence[Finding]) -> Case:
    failing = groups(finding for finding in fails if name in _failed(finding))
    run = next((run for run in part.checks if run.name == name), None)
    if failing:
        text = "\n".join(line for group in failing for line in _group_lines(group))
        return Case(name, "failure", one_line(failing[0].first.message), name, text)
    if run is None or run.status in ("passed", "warned", "indeterminate"):
        return Case(name)
    if run.status == "skipped":
        return Case(name, "skipped", one_line(run.note))
    if run.status == "error":
        return error(name, run.note)
    return Case(name, "failure", one_line(run.note), name)


def _failed(finding: Finding) -> set[str]:
    """The checks whose limits it breaks so that they fail."""
    return {
        breach.check
        for breach in finding.breaches
        if breach.severity == "fail" and not breach.waived
    }


def _group_lines(group: Group) -> Iterator[str]:
    yield from _lines(group.first)
    if order.alike(group):
        yield f"  {order.alike(group)}"


def _lines(finding: Finding) -> Iterator[str]:
    """A finding as text: what, where and what to draw instead."""
    unsure = ", indeterminate" if finding.indeterminate else ""
    # What the base has too says so in its remark where it got worse.
    state = f", {finding.state}" if finding.state and not finding.worse else ""
    yield f"{finding.severity}{unsure}{state}: {one_line(finding.message)}"
    if finding.remark:
        yield f"  {one_line(finding.remark)}"
    if finding.location is not None:
        heights = ""
        if finding.z is not None:
            heights = f", z {mm(finding.z[0])} to {mm(finding.z[1])}"
        yield f"  place: {place(finding.location)}{heights}, in mm in the part file's own frame"
    if finding.measured is not None and finding.limit is not None:
        lengths = finding.unit == "mm"
        measured = mm(finding.measured) if lengths else f"{finding.measured:g}"
        limit = limit_text(finding.limit) if lengths else f"{finding.limit:g}"
        unit = f" ({plain(finding.unit)})" if finding.unit else ""
        yield f"  measured: {measured}, limit: {limit}{unit}"
    if finding.advice:
        yield f"  instead: {one_line(finding.advice)}"
    yield f"  id: {plain(finding.id)}"


def properties(part: PartReport, report: Report) -> Iterator[tuple[str, str]]:
    """What is to be known of a part beside its cases."""
    yield "part", plain(part.path)
    yield "rules", plain(part.rules)
    yield "process", plain(part.rules_name)
    if part.mesh is not None:
        yield "triangles", str(part.mesh.triangles)
        yield "watertight", "yes" if part.mesh.watertight else "no"
        yield "extents in mm", " ".join(mm(length) for length in part.mesh.extents)
        yield "unit", plain(part.mesh.unit)
    yield "frame", "coordinates are in the part file's own frame, in mm"
    if report.base:
        yield "base", plain(report.base)
        yield "base commit", plain(report.base_commit)
        yield "gate", report.gate
    if report.head_commit:
        yield "commit", plain(report.head_commit)
    yield "caution", report.caution
    yield "wallguard", plain(report.version)


def impact_xml(impact: Impact) -> str:
    """The impact as JUnit XML: one suite per part, with three cases.

    `gate` fails where the part starts failing, `walls` where a wall comes out worse, `findings`
    where anything else is newly found. What gets better, or only other, stands in system-out.
    """
    return "".join(document(_impact_suites(impact), impact.started))


def _impact_suites(impact: Impact) -> Iterator[Suite]:
    for part in sorted(impact.parts, key=lambda part: part.path):
        yield _impact_part(impact, part)
    for trouble in impact_order.troubles(impact):
        case = error("usable", trouble.message)
        yield Suite(token(trouble.path), "wallguard", [case], error=lines(trouble.message))
    for path in sorted(impact.left_out):
        case = Case("compared", "skipped", f"not compared. {impact_order.left_out(1)}")
        yield Suite(token(path), "wallguard", [case])


def rehearsal_xml(rehearsal: Rehearsal) -> str:
    """The rehearsal as JUnit XML: for each rule file a suite whose case `update` says whether it
    may be rolled out; for each toolpath one whose case `before` is skipped where nobody knows
    whether the rules describe the toolpath of before; and one for each of its parts, as of an
    impact."""
    return "".join(document(_rehearsal_suites(rehearsal), rehearsal.started))


def _rehearsal_suites(rehearsal: Rehearsal) -> Iterator[Suite]:
    about = [("caution", rehearsal_words.CAUTION), ("wallguard", plain(rehearsal.version))]
    for printer in rehearsal.printers:
        name = token(f"update ({printer.rules.rules})")
        yield Suite(name, token(printer.rules.rules), [_update(printer)], about)
        for toolpath in printer.toolpaths:
            yield from _toolpath_suites(printer, toolpath, about)
    for path in rehearsal.unchanged:
        yield Suite(token(path), "wallguard", [Case("read", "skipped", "it is as it was")], about)
    for trouble in rehearsal.every_trouble:
        case = error("usable", trouble.message)
        path, said = token(trouble.path), lines(trouble.message)
        yield Suite(path, "wallguard", [case], about[1:], error=said)


def _update(printer: Printer) -> Case:
    """Whether the slicing software may be updated."""
    word = one_line(rehearsal_words.word(printer))
    if printer.verdict in ("not worse", "no change"):
        return Case("update")
    if printer.verdict == "not done":
        return error("update", word)
    if printer.verdict == "hold back":
        held = one_line(rehearsal_words.held_back(printer.hold_back))
        return Case("update", "failure", word, "update", held)
    return Case("update", "skipped", word)


def _toolpath_suites(
    printer: Printer, toolpath: Rehearsed, about: list[tuple[str, str]]
) -> Iterator[Suite]:
    said = [f"otherwise: {rehearsal_words.otherwise(each)}" for each in toolpath.otherwise]
    said += [f"edge: {rehearsal_words.edge(each)}" for each in toolpath.edges]
    said += [f"setting: {rehearsal_words.setting(each)}" for each in toolpath.settings]
    said += [one_line(note) for note in _lines_of(toolpath) if note]
    name = token(f"{toolpath.toolpath} ({printer.rules.rules})")
    cases = [Case("read"), _proof(toolpath)]
    yield Suite(name, token(toolpath.toolpath), cases, about, out=said)
    yield from _impact_suites(toolpath.impact)


def _lines_of(rehearsed: Rehearsed) -> tuple[str, ...]:
    stand = (f"stands: {rehearsal_words.stand(each)}" for each in rehearsed.stand)
    return (*stand, rehearsal_words.more(rehearsed), *rehearsed.notes)


def _proof(rehearsed: Rehearsed) -> Case:
    if rehearsed.before is None:
        return Case("before", "skipped", "no toolpath of before the update was named")
    if not rehearsed.before.unlike:
        return Case("before")
    text = "\n".join(rehearsal_words.unlike(wall) for wall in rehearsed.before.unlike)
    return Case("before", "skipped", one_line(rehearsal_words.proof(rehearsed.before)), text=text)


def _impact_part(impact: Impact, part: PartImpact) -> Suite:
    name = f"{part.path} ({impact.before.rules} -> {impact.after.rules})"
    quiet = [
        line
        for change in part.changes
        if change.direction != "worse"
        for line in _change_lines(change)
    ]
    quiet += [line for finding in part.gone for line in _finding_lines("no longer", finding)]
    return Suite(
        name=token(name),
        package=token(part.path),
        cases=[error("usable", part.error)] if part.error else list(_impact_cases(part)),
        properties=list(_impact_properties(impact, part)),
        seconds=part.seconds,
        out=quiet,
        error=lines(part.error) if part.error else (),
    )


def _impact_cases(part: PartImpact) -> Iterator[Case]:
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
        text = "\n".join(
            line for finding in part.appeared for line in _finding_lines("now", finding)
        )
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


def _impact_properties(impact: Impact, part: PartImpact) -> Iterator[tuple[str, str]]:
    yield "part", plain(part.path)
    yield "from", plain(impact.before.rules)
    yield "to", plain(impact.after.rules)
    yield "before", part.before
    yield "after", part.after
    yield "frame", "coordinates are in the part file's own frame, in mm"
    yield "caution", cautions.PARTS
    yield "wallguard", plain(impact.version)
