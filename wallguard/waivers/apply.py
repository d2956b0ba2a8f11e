"""Waivers against findings: which finding each one accepts, and whether it still holds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

from wallguard.findings.model import Body, Breach, Finding, PartReport, Point, Trouble
from wallguard.findings.outcomes import breach_of
from wallguard.findings.worsening import Before, Was, growth, worse_limit
from wallguard.waivers.load import FILE_NAME, Waiver

# How many days a waiver may run from today on, where `wallguard.yaml` says nothing else.
LONGEST = 365


@dataclass(frozen=True)
class _Terms:
    """On which day waivers have to hold, and how many days they may still run."""

    today: date
    longest: int


@dataclass
class _Run:
    """What is known while waivers are applied: the findings of each report, which waivers matched
    something, and what to tell of them."""

    parts: Sequence[PartReport]
    findings: list[list[Finding]] = field(default_factory=list)
    matched: set[int] = field(default_factory=set)
    remarks: list[Trouble] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.findings = [list(report.findings) for report in self.parts]


def apply(
    parts: Sequence[PartReport],
    waivers: Sequence[Waiver],
    today: date,
    *,
    gone: Callable[[str], bool] = lambda part: False,
    complete: bool = False,
    longest: int = LONGEST,
) -> tuple[list[PartReport], list[Trouble]]:
    """The reports with accepted limits of findings marked, and what to mend in `waivers.yaml`.

    A waiver holds through its last day, for the limits that it names, each as long as it is not
    broken further than it was when accepted; of what does not hold the finding's remark tells why.
    One whose last day is more than `longest` days from today does not hold at all: it would never
    run out. A waiver is also for a part that was moved, renamed or converted since (see
    `PartReport.was`), and one for a part that is `gone` for the one that has its very finding.
    A waiver that matches no finding is named where the part it is for was checked, or is `gone`;
    one that names no part where the run was `complete`.
    """
    run = _Run(parts)
    terms = _Terms(today, longest)
    for number, waiver in enumerate(waivers):
        if (waiver.until - today).days > longest:
            run.remarks.append(_remark(waiver, _too_long(waiver, terms)))
        accepted = _accepted(waiver, parts, gone)
        if isinstance(accepted, str):
            run.matched.add(number)
            run.remarks.append(_remark(waiver, accepted))
            continue
        for at, places in accepted:
            run.matched.add(number)
            known = run.findings[at]
            for place in places:
                known[place] = _judged(waiver, known[place], terms)
            _tell_excess(waiver, known, places)
            if waiver.part not in ("", parts[at].path, parts[at].was):
                why = f"is for {waiver.part}, which is {parts[at].path} now: name it so"
                run.remarks.append(_remark(waiver, why))
        why = "" if number in run.matched else _idle(waiver, parts, gone, complete)
        if why:
            run.remarks.append(_remark(waiver, why))
    pairs = zip(parts, run.findings, strict=True)
    made = [replace(report, findings=tuple(map(_in_part, findings))) for report, findings in pairs]
    return made, run.remarks


def stem(name: str) -> str:
    """A finding's id without the number that tells those apart that are alike but for place."""
    return name.partition("-")[0]


def _accepted(
    waiver: Waiver, parts: Sequence[PartReport], gone: Callable[[str], bool]
) -> list[tuple[int, list[int]]] | str:
    """Of each report with findings that a waiver accepts its number and theirs; or why it accepts
    none, though some could be meant.

    A waiver is for the part that it names. Where that is not there any more, or has lost the body
    that the waiver is about, it follows the body, wherever that is now; but never to two parts,
    for it accepts no more than it did.
    """
    asked = [at for at, part in enumerate(parts) if waiver.rules in ("", part.rules)]
    named = [at for at in asked if waiver.part in ("", parts[at].path)]
    accepted = [(at, ours) for at in named if (ours := _find(waiver, parts[at]))]
    if accepted or not waiver.part:
        return accepted
    others = [at for at in asked if at not in named]
    was = [at for at in others if parts[at].was == waiver.part]
    accepted = [(at, ours) for at in was if (ours := _find(waiver, parts[at]))]
    if not accepted and (gone(waiver.part) or _has_left(waiver, [parts[at] for at in named])):
        accepted = [(at, ours) for at in others if (ours := _follow(waiver, parts[at]))]
    paths = dict.fromkeys(parts[at].path for at, _ in accepted)
    if len(paths) > 1 and not (waiver.shape and sum(len(o) for _, o in accepted) <= waiver.alike):
        return f"is for {waiver.part}, which may be {' or '.join(paths)} now: name it"
    return accepted


def _has_left(waiver: Waiver, reports: Sequence[PartReport]) -> bool:
    """Whether the body that a waiver is about is in none of these reports on its part."""
    if waiver.body is None or not reports or any(report.status == "error" for report in reports):
        return False
    return not any(_bodies(waiver.body, report) for report in reports)


def _bodies(body: Body, report: PartReport) -> list[Body]:
    """The bodies of a part that are this one."""
    from wallguard.findings.bodies import same

    return [each for each in report.bodies if same(body, each)]


def _follow(waiver: Waiver, report: PartReport) -> list[int]:
    """The numbers of the findings of another part that a waiver accepts: where that has the very
    body, those at their place on it; else the very finding at the very place."""
    if waiver.shape:
        is_here = waiver.body is not None and _bodies(waiver.body, report)
        return _alike(waiver, report.findings) if is_here else []
    return _at_place(waiver, report, _family(waiver, report.findings)) if waiver.finding else []


def _on_body(waiver: Waiver, report: PartReport, family: Sequence[int]) -> list[int] | None:
    """Of `family` the finding at the place of a waiver on its body, wherever that is now; None
    where the part has no such body. Where several may be meant, the one of the waiver's name,
    unless alike ones have come or gone."""
    if waiver.body is None or waiver.place is None:
        return None
    import numpy as np

    from wallguard.findings.bodies import moves

    place = np.array([waiver.place])
    known = False
    carriers: list[int] = []
    for body in report.bodies:
        for move in moves(waiver.body, body):
            known = True
            x, y, z = move.apply(place)[0].tolist()
            here = _here((x, y, z), report.findings, family)
            if here is not None:
                if move.is_none:
                    return [here]
                carriers.append(here)
                break
    if len(set(carriers)) > 1:
        names = [at for at in carriers if report.findings[at].id == waiver.finding]
        return names[:1] if len(family) == waiver.alike else []
    return carriers[:1] if known else None


def _family(waiver: Waiver, findings: Sequence[Finding]) -> list[int]:
    """The numbers of the findings that are alike but for place, by their names."""
    return [at for at, finding in enumerate(findings) if stem(finding.id) == stem(waiver.finding)]


def _here(place: Point, findings: Sequence[Finding], family: Iterable[int]) -> int | None:
    """The number of the finding of `family` that is at a place."""
    from wallguard.findings.places import nearest  # with numpy, which costs time to load

    return nearest(place, findings, family)


def _alike(waiver: Waiver, findings: Sequence[Finding]) -> list[int]:
    """The numbers of the findings of the shape that a waiver accepts, as many as it says."""
    alike = [at for at, finding in enumerate(findings) if finding.shape == waiver.shape]
    # Those that a base knows first: what is new is not what was accepted.
    return sorted(alike, key=lambda at: findings[at].state == "new")[: waiver.alike]


def _find(waiver: Waiver, report: PartReport) -> list[int]:
    """The numbers of the findings of its own part that a waiver accepts.

    By the place: on its body, where the part has that, else in the frame of the file. Where alike
    findings have come or gone their numbers have shifted, so that ids alone decide nothing, but
    for waivers that know no body. Or all of one shape, as many as it says.
    """
    findings = report.findings
    if waiver.shape:
        return _alike(waiver, findings)
    rivals = [
        at
        for at, finding in enumerate(findings)
        if any(breach.check in waiver.limits for breach in finding.breaches)
    ]
    if not waiver.finding:
        return _at_place(waiver, report, rivals)
    family = _family(waiver, findings)
    named = [at for at in family if findings[at].id == waiver.finding]
    if waiver.place is None or (named and findings[named[0]].location is None):
        return named[:1]
    here = _at_place(waiver, report, family)
    # Older waivers know no body by which their place could be told: the name has to do.
    is_trusted = waiver.body is None and len(family) == waiver.alike
    if not here and is_trusted and named and findings[named[0]].state != "new":
        return named[:1]
    return here or _at_place(waiver, report, rivals)


def _at_place(waiver: Waiver, report: PartReport, among: Sequence[int]) -> list[int]:
    """The finding at the place of a waiver: on its body, where the part has that, else in the
    frame of the file."""
    if waiver.place is None:
        return []
    on_body = _on_body(waiver, report, among)
    if on_body is not None:
        return on_body
    here = _here(waiver.place, report.findings, among)
    return [] if here is None else [here]


def _tell_excess(waiver: Waiver, findings: list[Finding], accepted: Sequence[int]) -> None:
    """Of findings of an accepted shape beyond what was accepted, say so."""
    for at, finding in enumerate(findings):
        if waiver.shape and finding.shape == waiver.shape and at not in accepted:
            findings[at] = _remarked(
                waiver, finding, f"accepts {waiver.alike} such, and this is more"
            )


def _judged(waiver: Waiver, finding: Finding, terms: _Terms) -> Finding:
    """The finding with the limits waived that the waiver accepts, and a remark on what of it does
    not hold, or is not accepted."""
    why_not = _unfit(waiver, finding, terms)
    if why_not:
        return _remarked(waiver, finding, why_not)
    issue = f" ({waiver.issue})" if waiver.issue else ""
    waived = f"{waiver.who}, until {waiver.until}: {waiver.why}{issue}"
    was = _before(waiver)
    grown = growth(was, finding)
    breaches: list[Breach] = []
    reasons: dict[str, str] = {}
    for breach in finding.breaches:
        if breach.waived or breach.check not in waiver.limits:
            breaches.append(breach)
            continue
        how = grown or worse_limit(was, finding, breach.check)
        if how:
            reasons[breach.check] = how
        breaches.append(breach if how else replace(breach, waived=waived))
    made = replace(finding, breaches=tuple(breaches))
    if not reasons:
        return made
    how = "; ".join(dict.fromkeys(reasons.values()))
    return _remarked(waiver, made, f"does not hold: it got worse since, {how}")


def _in_part(finding: Finding) -> Finding:
    """The finding; where only some of its limits are accepted, with which are not."""
    left = dict.fromkeys(breach.check for breach in finding.breaches if not breach.waived)
    if not left or not any(breach.waived for breach in finding.breaches) or finding.remark:
        return finding
    names = " and ".join(f"`{check}`" for check in left)
    return replace(finding, remark=f"accepted but for {names}")


def _before(waiver: Waiver) -> Before:
    measures = waiver.measures or (None,) * len(waiver.limits)
    # Of several limits it is the outcome that can be in doubt.
    unsure = {"fill"} & {*waiver.limits} or {*waiver.limits}
    limits = {
        check: Was(measured, indeterminate=not waiver.certain and check in unsure)
        for check, measured in zip(waiver.limits, measures, strict=False)
    }
    return Before(limits, waiver.fill, waiver.size)


def _unfit(waiver: Waiver, finding: Finding, terms: _Terms) -> str:
    """Why a waiver does not hold, whatever became of the finding."""
    if terms.today > waiver.until:
        return f"ran out on {waiver.until}"
    if (waiver.until - terms.today).days > terms.longest:
        return f"does not hold: {_too_long(waiver, terms)}"
    lacks = []
    if not waiver.limits:
        checks = dict.fromkeys(breach.check for breach in finding.breaches)
        lacks.append(f"`limits: [{', '.join(checks)}]`")
    accepted = [named for check in waiver.limits if (named := breach_of(finding, check))]
    values = [breach.measured for breach in accepted if breach.measured is not None]
    if values and not waiver.measures:
        lacks.append(f"`measures: [{', '.join(f'{value:.4g}' for value in values)}]`")
    if waiver.fill is None and finding.fill and any(breach.check == "fill" for breach in accepted):
        lacks.append(f"`fill: {finding.fill}`")
    if lacks:
        return f"does not hold: it lacks {' and '.join(lacks)}, so nobody can see if it got worse"
    return ""


def _too_long(waiver: Waiver, terms: _Terms) -> str:
    last = terms.today + timedelta(terms.longest)
    return f"runs until {waiver.until}, and {last} is the latest day allowed: name an earlier one"


def _remarked(waiver: Waiver, finding: Finding, why: str) -> Finding:
    said = (finding.remark, f"the waiver of {waiver.who} ({FILE_NAME}:{waiver.line}) {why}")
    return replace(finding, remark="; ".join(part for part in said if part))


def _idle(
    waiver: Waiver, parts: Sequence[PartReport], gone: Callable[[str], bool], complete: bool
) -> str:
    """Why a waiver that matches no finding should go; empty where that cannot be told."""
    if not waiver.part:
        return "matches no finding: remove it" if complete else ""
    checked = any(_checked(waiver, report) for report in parts)
    if checked:
        return f"matches no finding of {waiver.part} any more: remove it"
    if gone(waiver.part):
        return f"is for {waiver.part}, which is not there: remove it, or name the part anew"
    return ""


def _checked(waiver: Waiver, report: PartReport) -> bool:
    return (
        waiver.part in (report.path, report.was)
        and waiver.rules in ("", report.rules)
        and report.status != "error"
    )


def _remark(waiver: Waiver, why: str) -> Trouble:
    return Trouble(FILE_NAME, f"{FILE_NAME}:{waiver.line}: the waiver of {waiver.who} {why}.")
