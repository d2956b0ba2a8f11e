"""Waivers against findings: which finding each one accepts, and whether it still holds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

from wallguard.findings.model import Breach, Finding, PartReport, Trouble
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
        for at in _its_parts(waiver, parts, gone):
            found = _find(waiver, parts[at].findings)
            if not found:
                continue
            run.matched.add(number)
            known = run.findings[at]
            for one in found:
                known[one] = _judged(waiver, known[one], terms)
            _tell_excess(waiver, known, found)
            if waiver.part not in ("", parts[at].path, parts[at].was):
                why = f"is for {waiver.part}, which is {parts[at].path} now: name it so"
                run.remarks.append(_remark(waiver, why))
        why = "" if number in run.matched else _idle(waiver, parts, gone, complete)
        if why:
            run.remarks.append(_remark(waiver, why))
    pairs = zip(parts, run.findings, strict=True)
    made = [replace(one, findings=tuple(map(_in_part, found))) for one, found in pairs]
    return made, run.remarks


def stem(name: str) -> str:
    """A finding's id without the number that tells those apart that are alike but for place."""
    return name.partition("-")[0]


def _its_parts(
    waiver: Waiver, parts: Sequence[PartReport], gone: Callable[[str], bool]
) -> list[int]:
    """The numbers of the reports that a waiver is for."""
    asked = [at for at, one in enumerate(parts) if waiver.rules in ("", one.rules)]
    named = [at for at in asked if waiver.part in ("", parts[at].path, parts[at].was)]
    if named or not (waiver.finding and waiver.place and gone(waiver.part)):
        return named
    # Renamed, converted or divided, and no base to tell: the very finding at the very place.
    exact = [at for at in asked if _here(waiver, parts[at].findings) is not None]
    return exact if len({parts[at].path for at in exact}) == 1 else []


def _here(waiver: Waiver, findings: Sequence[Finding]) -> int | None:
    """The finding of a waiver's name that is at its place."""
    from wallguard.findings.places import nearest  # with numpy, which costs time to load

    family = [at for at, one in enumerate(findings) if stem(one.id) == stem(waiver.finding)]
    return None if waiver.place is None else nearest(waiver.place, findings, family)


def _find(waiver: Waiver, findings: Sequence[Finding]) -> list[int]:
    """The numbers of the findings that a waiver accepts.

    By its id, where it is at the place too. Where alike findings have come or gone their numbers
    have shifted, so that the place decides; where the file's origin has moved their number is
    the same as it was, and the id decides. Or all of one shape, as many as it says.
    """
    from wallguard.findings.places import nearest

    if waiver.shape:
        alike = [at for at, one in enumerate(findings) if one.shape == waiver.shape]
        # Those that a base knows first: what is new is not what was accepted.
        return sorted(alike, key=lambda at: findings[at].state == "new")[: waiver.alike]
    if waiver.finding:
        family = [at for at, one in enumerate(findings) if stem(one.id) == stem(waiver.finding)]
        named = [at for at in family if findings[at].id == waiver.finding]
        if waiver.place is None or (named and findings[named[0]].location is None):
            return named[:1]
        here = nearest(waiver.place, findings, family)
        if here is not None:
            return [here]
        if named and len(family) == waiver.alike and findings[named[0]].state != "new":
            return named[:1]
    if waiver.place is not None:
        rivals = [
            at
            for at, one in enumerate(findings)
            if any(breach.check in waiver.limits for breach in one.breaches)
        ]
        here = nearest(waiver.place, findings, rivals)
        return [] if here is None else [here]
    return []


def _tell_excess(waiver: Waiver, findings: list[Finding], accepted: Sequence[int]) -> None:
    """Of findings of an accepted shape beyond what was accepted, say so."""
    for at, one in enumerate(findings):
        if waiver.shape and one.shape == waiver.shape and at not in accepted:
            findings[at] = _remarked(waiver, one, f"accepts {waiver.alike} such, and this is more")


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
    left = dict.fromkeys(one.check for one in finding.breaches if not one.waived)
    if not left or not any(one.waived for one in finding.breaches) or finding.remark:
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
    accepted = [one for check in waiver.limits if (one := breach_of(finding, check))]
    values = [one.measured for one in accepted if one.measured is not None]
    if values and not waiver.measures:
        lacks.append(f"`measures: [{', '.join(f'{value:.4g}' for value in values)}]`")
    if waiver.fill is None and finding.fill and any(one.check == "fill" for one in accepted):
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
