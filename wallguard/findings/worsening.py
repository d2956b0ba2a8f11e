"""Whether a finding got worse: since a base revision, or since somebody waived it."""

from __future__ import annotations

from dataclasses import dataclass

from wallguard.base.text import SHOWN, mm
from wallguard.findings.model import Finding, Severity

_SEVERITY = {"note": 0, "warn": 1, "fail": 2}
# How much of the wall is lost.
_LOSS = {"solid": 0, "uncertain": 1, "hollow": 2, "missing": 3}
# Two measures of one wall differ by twice the error of one: 0.005 mm, or 0.5 % where it is curved.
_ERROR, _SHARE = 2 * SHOWN, 0.005
# A place has grown where it is longer or higher by more than both.
_GROWTH, _GROWTH_SHARE = 1.0, 0.1


@dataclass(frozen=True)
class Before:
    """What is known of a finding as it was; None where it is not known."""

    measured: float | None = None
    fill: str | None = None
    size: tuple[float, ...] = ()
    indeterminate: bool = False
    severity: Severity | None = None
    limited: bool | None = None


def before(finding: Finding) -> Before:
    """A finding as it was."""
    return Before(
        measured=finding.measured,
        fill=finding.fill,
        size=finding.size,
        indeterminate=finding.indeterminate,
        severity=finding.severity,
        limited=finding.limit is not None,
    )


def worsening(was: Before, now: Finding) -> str:
    """How the finding got worse, in words such as "0.60 mm now, 0.70 mm before"; empty if not.

    Worse is: it does more to the gate, it is certain and was not, more of the wall is lost, it
    lies further beyond its limit, a hollow wall is thicker (more air), or the place has grown; each
    by more than two measures of the same place may differ.
    """
    if was.severity is not None and _SEVERITY[now.severity] > _SEVERITY[was.severity]:
        return f"{now.severity} now, {was.severity} before"
    if was.indeterminate and not now.indeterminate:
        return "certain now, indeterminate before"
    if was.fill in _LOSS and now.fill in _LOSS and _LOSS[now.fill] > _LOSS[was.fill]:
        return f"{now.fill} now, {was.fill} before"
    if _is_further(was, now):
        assert was.measured is not None
        assert now.measured is not None
        if now.unit == "mm":
            return f"{mm(now.measured)} mm now, {mm(was.measured)} mm before"
        return f"{now.measured:g} now, {was.measured:g} before"
    # Sizes of different kinds do not compare.
    if len(was.size) == len(now.size):
        for side, name, old in zip(now.size, ("long", "high"), was.size, strict=False):
            if side > old + max(_GROWTH, _GROWTH_SHARE * old):
                return f"{mm(side)} mm {name} now, {mm(old)} mm before"
    return ""


def _is_further(was: Before, now: Finding) -> bool:
    if was.measured is None or now.measured is None:
        return False
    if was.fill is not None and was.fill != now.fill:
        return False  # what is measured may not be the same
    if was.limited is not None and was.limited != (now.limit is not None):
        return False
    step = now.measured - was.measured
    if now.limit is None:
        further = step if now.fill == "hollow" else 0.0
    else:
        further = -step if now.measured < now.limit else step
    allowed = max(_ERROR, _SHARE * abs(was.measured)) if now.unit == "mm" else 0.0
    return further > allowed + 1e-9
