"""All checks, in the order in which they are reported."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module
from typing import Protocol, cast

from wallguard.checks.case import Broken, Case, Draft, Needs
from wallguard.rules.features import FEATURES


class Check(Protocol):
    """What a check module offers; and `needs(case)`, a `Needs`, where it looks at walls, gaps,
    holes, pins, floors or roofs."""

    ID: str

    def applies(self, case: Case) -> str:
        """An empty string, or why the check has nothing to do."""

    def findings(self, case: Case) -> Iterator[Draft | Broken]:
        """What breaks a limit: findings on the part as a whole or its mesh, and places."""


def registered() -> dict[str, Check]:
    """The module of each row. Raises ValueError where two rows have one name."""
    checks: dict[str, Check] = {}
    for feature in FEATURES:
        if feature.id in checks:
            raise ValueError(f"two rows of rules/features.py are called {feature.id}")
        checks[feature.id] = cast(Check, import_module(f"wallguard.checks.{feature.module}"))
    return checks


CHECKS = registered()


def needs_of(case: Case) -> list[Needs]:
    """What each check that has something to do asks to be measured."""
    asking = [check for check in CHECKS.values() if not check.applies(case)]
    return [check.needs(case) for check in asking if hasattr(check, "needs")]
