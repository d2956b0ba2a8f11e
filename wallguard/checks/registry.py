"""All checks, in the order in which they are reported."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module
from typing import Protocol, cast

from wallguard.checks.case import Broken, Case, Draft, Needs
from wallguard.rules.features import FEATURES, asked_of


class Check(Protocol):
    """What a check module offers. Besides, where it looks at walls, gaps, holes, pins, floors or
    roofs, `needs(case)`, a `Needs`; and `applies(case)`, an empty string or why it has nothing to
    do, where that is not told by whether the rule file has its limit; and `unjudged(case)`, an
    empty string or what it could not judge on this part, and why."""

    ID: str

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


def skipped(name: str, case: Case) -> str:
    """Why a check has nothing to do; empty where it has."""
    check, limit = CHECKS[name], asked_of(name)
    if hasattr(check, "applies"):
        return str(check.applies(case))
    if limit is None or name in case.rules.minimum:
        return ""
    return f"the rules set no limit to the {limit.what}"


def unjudged(name: str, case: Case) -> str:
    """What a check that has something to do could not judge, and why; empty: nothing."""
    check = CHECKS[name]
    return str(check.unjudged(case)) if hasattr(check, "unjudged") else ""


def needs_of(case: Case) -> list[Needs]:
    """What each check that has something to do asks to be measured."""
    asking = [check for name, check in CHECKS.items() if not skipped(name, case)]
    return [check.needs(case) for check in asking if hasattr(check, "needs")]
