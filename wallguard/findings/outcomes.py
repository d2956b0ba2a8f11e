"""What can become of a place, and what is worse: one table for all who order or compare."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from wallguard.findings.model import Breach, Finding, Severity, Status
from wallguard.rules.features import cost_rank, larger_is_worse

# The worst first.
SEVERITIES: Final[tuple[Severity, ...]] = ("fail", "warn", "note")

# How much of a wall is lost, under whatever name it is told: a fill, a verdict of the band table,
# or what a toolpath lays. Equal numbers are equally bad.
_LOSS: Final[Mapping[str, int]] = {
    "solid": 0,
    "sparse": 0,  # filled by a raster on purpose
    "porous": 1,  # hollow but for its lean
    "uncertain": 2,
    "indeterminate": 2,
    "thickened": 3,
    "thinned": 3,
    "hollow": 4,
    "broken": 5,  # a toolpath that leaves gaps along a wall
    "missing": 6,
}
# A void along its middle, of which more is worse though the outcome has the same name.
_WITH_AIR: Final = frozenset({"hollow", "porous"})
_STATUS: Final[Mapping[Status, int]] = {"passed": 0, "indeterminate": 1, "failed": 2, "error": 3}

# What is wrong with a part as such. Its walls and gaps may follow from it, not the other way.
CAUSES: Final = ("unit", "build_volume", "mesh")


def severity_rank(severity: Severity) -> int:
    """Larger is worse."""
    return len(SEVERITIES) - 1 - SEVERITIES.index(severity)


def loss(outcome: str | None) -> int:
    """How much of a wall an outcome costs, larger is worse; nothing where it has no name."""
    return _LOSS.get(outcome or "", 0)


def has_air(outcome: str | None) -> bool:
    """Whether a wall that comes out so has a void, so that more air is worse."""
    return outcome in _WITH_AIR


def status_rank(status: Status) -> int:
    """Larger is worse."""
    return _STATUS[status]


def is_cause(finding: Finding) -> bool:
    """Whether others may follow from it: the unit, the build volume, a broken mesh."""
    return finding.check in CAUSES and finding.severity != "note"


def doubtful(findings: Iterable[Finding]) -> bool:
    """Whether a part with these findings is probably drawn in another unit than its file says: all
    but causes then means nothing yet."""
    return any(
        finding.check == "unit" and is_cause(finding) and not finding.waived for finding in findings
    )


def causes_first(finding: Finding) -> tuple[object, ...]:
    """A key that sorts findings of one part: causes before what may follow from them."""
    return CAUSES.index(finding.check) if is_cause(finding) else len(CAUSES), worst_first(finding)


def worst_first(finding: Finding) -> tuple[object, ...]:
    """A key that sorts findings, no two alike: what fails before what warns, and what costs the
    whole wall or the print before what costs less; of one check what breaks its limit furthest."""
    measured = round(finding.measured or 0.0, 3)  # computing error does not decide
    return (
        SEVERITIES.index(finding.severity),
        finding.indeterminate,
        -loss(finding.fill),
        cost_rank(finding.check),
        finding.check,
        finding.measured is None,
        -measured if larger_is_worse(finding.check) else measured,
        finding.location or (),
        finding.message,
        finding.id,
    )


def breach_of(finding: Finding, check: str) -> Breach | None:
    """The worst limit of a check that a finding breaks."""
    return next((breach for breach in finding.breaches if breach.check == check), None)


def least_of(check: str) -> str:
    """What a limit is about: a wall with a free edge answers to the minimum for walls where there
    is none of its own, so that these two stand in each other's place."""
    return "wall" if check == "free_wall" else check
