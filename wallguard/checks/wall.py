"""No wall is thinner than the rules allow.

Passes: 0.80 mm against a minimum of 0.80 mm. Fails: 0.79 mm.
Where a minimum for walls with a free edge is given, it stands in for this one on walls that other
material holds on fewer than two sides.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wallguard.base.text import limit_text, mm, place
from wallguard.checks.case import Case, Draft, extent
from wallguard.rules.model import Limit
from wallguard.walls.stretch import Stretch, joined

ID = "wall"


def applies(case: Case) -> str:
    """An empty string, or why the check has nothing to do."""
    return "" if "wall" in case.rules.minimum else "the rules ask for no minimum wall"


def findings(case: Case) -> Iterator[Draft]:
    """One finding for each wall below the minimum."""
    free = "free_wall" in case.rules.minimum
    walls = [wall for wall in case.pieces if not free or wall.sides >= 2]
    yield from below_minimum(case, walls, case.rules.minimum.get("wall"), ID, "wall")


def below_minimum(
    case: Case, walls: Sequence[Stretch], limit: Limit | None, check: str, name: str
) -> Iterator[Draft]:
    """Findings for the walls below `limit`; pieces of one wall in neighbouring ranges of
    thickness are one finding."""
    broken = [wall for wall in walls if case.severity(wall.minimum, limit)]
    for wall in joined(broken, lambda piece: case.severity(piece.minimum, limit)):
        severity = case.severity(wall.minimum, limit)
        if severity is None:
            continue
        point, box = case.place(wall.point, wall.box)
        yield Draft(
            check=check,
            severity=severity[0],
            message=(
                f"{name} {mm(wall.minimum)} mm thick at {place(point)}, "
                f"{extent(wall)}, is below the minimum of "
                f"{limit_text(severity[1])} mm"
            ),
            advice=case.advice(wall.minimum, severity[1]),
            measured=wall.minimum,
            limit=severity[1],
            fill=case.table.outcome(wall.typical).fill,
            location=point,
            box=box,
            size=(wall.length, wall.high - wall.low),
        )
