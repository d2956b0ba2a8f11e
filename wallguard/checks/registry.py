"""All checks, in the order in which they are reported."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from wallguard.checks import (
    build_volume,
    fill,
    floor,
    free_wall,
    gap,
    hole,
    mesh,
    pin,
    roof,
    unit,
    wall,
)
from wallguard.checks.case import Case, Draft


class Check(Protocol):
    """What a check module offers."""

    ID: str
    MEANING: str

    def applies(self, case: Case) -> str:
        """An empty string, or why the check has nothing to do."""

    def findings(self, case: Case) -> Iterator[Draft]:
        """What breaks a limit."""


CHECKS: dict[str, Check] = {
    "mesh": mesh,
    "unit": unit,
    "build_volume": build_volume,
    "fill": fill,
    "wall": wall,
    "free_wall": free_wall,
    "gap": gap,
    "hole": hole,
    "pin": pin,
    "floor": floor,
    "roof": roof,
}
