"""The part, as it is oriented and scaled, fits the build volume.

Passes: 220 x 100 x 50 mm in 220 x 220 x 250 mm, also turned by a quarter on the plate.
Fails: anything longer, wider or higher.
"""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.base.text import below, mm
from wallguard.checks.case import Case, Draft

ID = "build_volume"


def applies(case: Case) -> str:
    """An empty string, or why the check has nothing to do."""
    return "" if case.rules.build_volume else "the rules name no build volume"


def findings(case: Case) -> Iterator[Draft]:
    """One finding where the part does not fit."""
    volume, extents = case.rules.build_volume, case.geometry.extents
    if volume is None:
        return
    room, size = sorted(volume[:2]), sorted(extents[:2])
    pairs = [(room[0], size[0]), (room[1], size[1]), (volume[2], extents[2])]
    worst = max(pairs, key=lambda pair: pair[1] / pair[0])
    if not below(worst[0], worst[1]):
        return
    yield Draft(
        check=ID,
        severity="fail",
        message=(
            f"the part is {' × '.join(mm(value) for value in extents)} mm as printed and does not "
            f"fit the build volume of {' × '.join(mm(value) for value in volume)} mm"
        ),
        advice="turn it, divide it, or check its scale and unit",
        measured=worst[1],
        limit=worst[0],
    )
