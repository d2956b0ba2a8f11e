"""One rule of the printed thickness where one of several holds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

# More (mm) no rule file can say.
MOST_UNCERTAINTY = 5.0


@dataclass(frozen=True)
class Rule:
    """printed = offset + slope * nominal, within U. mm."""

    offset: float
    slope: float
    uncertainty: float

    def at(self, nominal: float) -> float:
        return self.offset + self.slope * nominal


def cover(rules: Sequence[Rule], lower: float, upper: float) -> Rule:
    """One rule that covers all of `rules` between two thicknesses (mm)."""
    if not rules:
        return Rule(0.0, 1.0, min(MOST_UNCERTAINTY, rounded_up(max(upper, 0.1))))
    ends = (lower, upper)
    slope = math.fsum(rule.slope for rule in rules) / len(rules)
    # About a common slope, from the lowest to the highest that any of them reaches.
    reach = [
        rule.at(end) - slope * end + sign * rule.uncertainty
        for rule in rules
        for end in ends
        for sign in (-1, 1)
    ]
    offset = (min(reach) + max(reach)) / 2
    half = (max(reach) - min(reach)) / 2
    if offset + min(slope * end for end in ends) < 0:
        slope, offset = 0.0, max(0.0, offset + slope * (lower + upper) / 2)
        half = max(abs(rule.at(end) - offset) + rule.uncertainty for rule in rules for end in ends)
    return Rule(round(offset, 3), round(slope, 4), min(MOST_UNCERTAINTY, rounded_up(half)))


def rounded_up(value: float) -> float:
    """Rounded up to thousandths."""
    return math.ceil(value * 1000 - 1e-6) / 1000
