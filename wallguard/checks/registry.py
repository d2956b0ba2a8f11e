"""All checks, in the order in which they are reported."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module
from typing import Protocol, cast

from wallguard.checks.case import Broken, Case, Draft
from wallguard.rules.features import FEATURES


class Check(Protocol):
    """What a check module offers."""

    ID: str

    def applies(self, case: Case) -> str:
        """An empty string, or why the check has nothing to do."""

    def findings(self, case: Case) -> Iterator[Draft | Broken]:
        """What breaks a limit: findings on the part as a whole or its mesh, and places."""


CHECKS: dict[str, Check] = {
    feature.id: cast(Check, import_module(f"wallguard.checks.{feature.module}"))
    for feature in FEATURES
}
