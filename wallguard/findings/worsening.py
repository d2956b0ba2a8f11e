"""Whether a finding got worse: since a base revision, or since somebody waived it.

Each limit that the place breaks is compared with itself. It is worse where it

    is broken anew             the place did not break it before
    does more to the gate      fail now, warn before
    is certain                 and was indeterminate
    is broken further          a wall thinner, a gap narrower, a deviation or a count larger
    costs more of the wall     (`fill`) hollow now, solid before; hollow, with more air

and the whole finding where the place has grown; each by more than two measures of the same place
may differ.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from wallguard.base.text import SHOWN, mm
from wallguard.findings.model import Breach, Finding, Severity
from wallguard.findings.outcomes import breach_of, has_air, loss, severity_rank

# Two measures of one wall differ by twice the error of one: 0.005 mm, or 0.5 % where it is curved.
_ERROR, _SHARE = 2 * SHOWN, 0.005
# What is counted has no error; a ratio, an angle or an area has that of the lengths it is made of,
# of which the smallest that is measured is a few tenths of a millimetre (a bound of our own).
_COUNTED, _DERIVED_SHARE = ("count", "layers"), 0.03
# A place has grown where it is longer or higher by more than both.
_GROWTH, _GROWTH_SHARE = 1.0, 0.1
_WIDTHS = ("gap", "hole", "clearance", "upright_hole", "lying_hole", "escape", "raised", "sunken")


@dataclass(frozen=True)
class Was:
    """What is known of one limit as it was; None where it is not known.

    limited  whether there was a limit to what was measured, as for a deviation
    """

    measured: float | None = None
    severity: Severity | None = None
    indeterminate: bool = False
    limited: bool | None = None


@dataclass(frozen=True)
class Before:
    """What is known of a finding as it was; None, 0 and empty where it is not known.

    limits  that it broke, by check
    air     mm, in a hollow wall; thinnest, thickest: mm, where the wall is that
    """

    limits: Mapping[str, Was] = field(default_factory=dict)
    fill: str | None = None
    size: tuple[float, ...] = ()
    air: float = 0.0
    thinnest: float | None = None
    thickest: float | None = None


def before(finding: Finding) -> Before:
    """A finding as it was."""
    limits = {
        breach.check: Was(
            breach.measured, breach.severity, breach.indeterminate, breach.limit is not None
        )
        for breach in reversed(finding.breaches)  # of several of one check the worst counts
    }
    about = finding.subject
    if about is None:
        return Before(limits, finding.fill, finding.size)
    thick = about.thickness
    return Before(limits, finding.fill, finding.size, about.air, thick.min, thick.max)


def worsening(was: Before, now: Finding) -> str:
    """How the finding got worse, in words such as "thinner by 0.55 mm"; empty if not."""
    ways = (worse_limit(was, now, check) for check in dict.fromkeys(_checks(now)))
    return next(filter(None, ways), "") or growth(was, now)


def _checks(finding: Finding) -> list[str]:
    return [breach.check for breach in finding.breaches]


def growth(was: Before, now: Finding) -> str:
    """How the place has grown, in words; empty if it has not."""
    # Sizes of different kinds do not compare.
    if len(was.size) == len(now.size):
        for side, name, old in zip(now.size, ("long", "high"), was.size, strict=False):
            if side > old + max(_GROWTH, _GROWTH_SHARE * old):
                return f"{mm(side)} mm {name} now, {mm(old)} mm before"
    return ""


def worse_limit(was: Before, now: Finding, check: str) -> str:
    """How one limit that the finding breaks got worse, in words; empty if it did not."""
    old, new = was.limits.get(check), breach_of(now, check)
    if new is None:
        return ""
    if old is None and check == "wall":  # one that broke the minimum for free walls, which is gone
        old = was.limits.get("free_wall")
    if old is None:
        return f"it breaks `{check}` too, and did not before"
    if old.severity is not None and severity_rank(new.severity) > severity_rank(old.severity):
        return f"{new.severity} now, {old.severity} before"
    if old.indeterminate and not new.indeterminate:
        return "certain now, indeterminate before"
    if check == "fill" and was.fill is not None and was.fill != now.fill:
        if loss(now.fill) > loss(was.fill):
            return f"{now.fill} now, {was.fill} before"
        return ""  # what is measured may not be the same
    return _further(was, old, new, now)


def _further(was: Before, old: Was, new: Breach, now: Finding) -> str:
    """How a limit is broken further; empty where it is not."""
    if old.measured is None or new.measured is None:
        return ""
    if old.limited is not None and old.limited != (new.limit is not None):
        return ""
    step = new.measured - old.measured
    allowed = 1e-9
    if new.unit == "mm":
        allowed += max(_ERROR, _SHARE * abs(old.measured))
    elif new.unit not in _COUNTED:
        allowed += _DERIVED_SHARE * abs(old.measured)
    if new.limit is None:
        return _more_air(was, old, new, now) if step > allowed and has_air(now.fill) else ""
    below = new.measured < new.limit
    if (-step if below else step) <= allowed:
        return ""
    if new.unit != "mm":
        unit = f" {new.unit}" if new.unit not in ("", "count") else ""
        return f"{new.measured:g}{unit} now, {old.measured:g} before"
    values = f"({mm(new.measured)} now, {mm(old.measured)} before)"
    if not below or new.check == "fill":
        return f"further off by {mm(abs(step))} mm {values}"
    return f"{'narrower' if new.check in _WIDTHS else 'thinner'} by {mm(-step)} mm {values}"


def _more_air(was: Before, old: Was, new: Breach, now: Finding) -> str:
    """A hollow or porous wall is as thick as its beads and the air between them."""
    about = now.subject
    # Of a taper the typical thickness hangs on how its surface is divided; its end does not.
    if about and was.thickest is not None and about.thickness.max <= was.thickest + _ERROR:
        return ""
    # Nor, of one that comes out in several ways, how far beside its thin end it is followed.
    several = sum(each.check == new.check for each in now.breaches) > 1
    thin = was.thinnest
    if about and several and thin is not None and abs(about.thickness.min - thin) <= _ERROR:
        return ""
    air = about.air if about else 0.0
    if was.air > 0 and air > 0:
        more = f"more air: {mm(air)} mm now, {mm(was.air)} before"
        return more if air > was.air + _ERROR else ""
    return f"more air: {mm(new.measured or 0)} mm thick now, {mm(old.measured or 0)} before"
