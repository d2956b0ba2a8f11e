"""What can become of a place, and what is worse: one table for all who order or compare."""

from __future__ import annotations

from typing import Final

from wallguard.findings.model import Severity

# The worst first.
SEVERITIES: Final[tuple[Severity, ...]] = ("fail", "warn", "note")
