"""What of the rules of a process a toolpath of its coupon contradicts.

A coupon has few walls, and what lies between them a fit calls uncertain. Held against rules that
say more, that is no news: they stand wherever the toolpath does not contradict them. Each hundredth
of a millimetre gets the first of these:

    | where                                                           | then                       |
    |-----------------------------------------------------------------|----------------------------|
    | the fit knows the fill, and the rules say the same              | they stand                 |
    | it knows it, from a wall of the coupon, and they say another    | as it was laid             |
    | it calculates it, and they say another for more than SLACK      | as calculated              |
    | uncertain, and all settings that explain it say as the rules do | they stand                 |
    | uncertain, between thicknesses where the rules stand, and some  | they stand                 |
    |   such settings say as they do, all the way                     |                            |
    | uncertain otherwise                                             | uncertain                  |

The same fill is another outcome where both printed thicknesses differ by more than their
uncertainties together: sqrt(U1^2 + U2^2), the E_n number of ISO 13528 above 1 (from memory).
Between walls that were read the fit's U is a bound, within which anything may be, so U1 + U2.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Literal

import numpy as np

from wallguard.bands.beads import FILLS
from wallguard.bands.declared import band_table, cut
from wallguard.bands.table import Band, BandTable, Outcome, merged
from wallguard.base.text import SHOWN
from wallguard.fitting.fit import Fit
from wallguard.fitting.settings import laid
from wallguard.fitting.tables import declared
from wallguard.rules.model import Rules

# How far apart (mm) two edges may lie that are calculated and count as one: settings are recovered
# no better.
SLACK = 0.02
_PER_MM = 100
_SLACK = round(SLACK * _PER_MM)
# Beyond the last edge of both tables nothing changes any more.
_BEYOND = 10

# `printed`: as fitted, but of the same fill.
_Verdict = Literal["stands", "printed", "fitted", "open"]


@dataclass(frozen=True)
class Evidence:
    """The rules as a toolpath would have them.

    rules   complete, with bands for all thicknesses
    before, after  the band tables of the rules as they are, and of these
    read    thicknesses of the coupon's walls that were found, mm
    """

    rules: Rules
    before: BandTable
    after: BandTable
    read: tuple[float, ...]

    def stretches(self) -> Iterator[tuple[int, float]]:
        """First and last hundredth of a millimetre of each stretch that comes out otherwise by one
        pair of bands; the last is inf where there is none."""
        last = _last(self.before, self.after)

        def pair(at: int) -> tuple[str, str] | None:
            one, other = (table.outcome(at / _PER_MM) for table in (self.before, self.after))
            return None if same(one, other) else (one.fill, other.fill)

        for key, run in groupby(range(1, last + 1), key=pair):
            numbers = list(run)
            if key is not None:
                yield numbers[0], math.inf if numbers[-1] == last else numbers[-1]


def evidence(fitted: Fit, made: Rules, base: Rules) -> Evidence:
    """What the toolpath that `fitted` rests on, and of which `made` are the rules, says of `base`.

    Raises InputError where no band table follows from `base`.
    """
    before, new = band_table(base), band_table(made)
    read = tuple(sorted({step.nominal for steps in fitted.measured.values() for step in steps}))
    verdicts = _verdicts(before, new, fitted, {round(one * _PER_MM) for one in read})
    bands = tuple(merged(_patched(before, new, verdicts)))
    after = BandTable(bands)
    told = tuple(declared(band, _source(band)) for band in bands)
    return Evidence(replace(base, bands=told, axes={}), before, after, read)


def same(one: Outcome, other: Outcome, read: bool = True) -> bool:
    """Whether two outcomes of one thickness are the same, by all that is known of them; `read`:
    whether a wall of it was."""
    if one.fill != other.fill:
        return False
    if one.printed is None or other.printed is None:
        return True
    us = one.uncertainty, other.uncertainty
    return abs(one.printed - other.printed) <= max(math.hypot(*us) if read else sum(us), SHOWN)


def _last(*tables: BandTable) -> int:
    """The hundredth from which on nothing changes in any of the tables."""
    return max(math.ceil(table.bands[-1].lower * _PER_MM) for table in tables) + _BEYOND


def _verdicts(before: BandTable, new: BandTable, fitted: Fit, read: set[int]) -> list[_Verdict]:
    """For each hundredth from 1 on."""
    last = _last(before, new)
    old, found = ([one.outcome(at / _PER_MM) for at in range(1, last + 1)] for one in (before, new))
    fills = [one.fill for one in old]

    verdicts = [
        _known(one, new, at in read)
        for at, (one, new) in enumerate(zip(old, found, strict=True), 1)
    ]
    # Edges that differ by no more than settings are known by.
    pairs = [
        (verdict, one, new.fill) for verdict, one, new in zip(verdicts, fills, found, strict=True)
    ]
    for (verdict, *_), run in groupby(range(last), key=pairs.__getitem__):
        numbers = list(run)
        short = len(numbers) <= _SLACK and not read.intersection(at + 1 for at in numbers)
        if verdict == "fitted" and short:
            verdicts[numbers[0] : numbers[-1] + 1] = ["stands"] * len(numbers)
    possible = _possible(fitted, last)
    for at in range(last):
        if verdicts[at] == "open" and fills[at] in ("uncertain", *_only(possible[at])):
            verdicts[at] = "stands"
    for is_open, run in groupby(range(last), key=[one == "open" for one in verdicts].__getitem__):
        numbers = list(run)
        ends = [verdicts[at] for at in (numbers[0] - 1, numbers[-1] + 1) if 0 <= at < last]
        if not is_open or "fitted" in ends:
            continue
        if all(_may(possible, at, fills[at]) for at in numbers):
            verdicts[numbers[0] : numbers[-1] + 1] = ["stands"] * len(numbers)
    return verdicts


def _known(old: Outcome, new: Outcome, read: bool) -> _Verdict:
    if new.fill == "uncertain":
        return "open"
    if old.fill != new.fill:
        return "fitted"
    return "stands" if same(old, new, read) else "printed"


def _only(fills: set[str]) -> tuple[str, ...]:
    """The one fill, if there is only one."""
    return tuple(fills) if len(fills) == 1 else ()


def _possible(fitted: Fit, last: int) -> list[set[str]]:
    """The fills of each hundredth by all settings that explain the toolpath; where there are none,
    all fills."""
    if fitted.found is None:
        return [set(FILLS)] * last
    fill = laid(np.arange(1, last + 1) / _PER_MM, fitted.found.kept).fill
    return [{FILLS[number] for number in np.unique(column)} for column in fill.T]


def _may(possible: Sequence[set[str]], at: int, fill: str) -> bool:
    near = possible[max(at - _SLACK, 0) : at + _SLACK + 1]
    return fill == "uncertain" or any(fill in one for one in near)


def _patched(before: BandTable, new: BandTable, verdicts: Sequence[_Verdict]) -> Iterator[Band]:
    """The bands of the rules where they stand, else those of the fit."""
    lower = 0.0
    for stands, run in groupby(enumerate(verdicts, 1), key=lambda each: each[1] == "stands"):
        last = [at for at, _ in run][-1]
        upper = math.inf if last == len(verdicts) else (last + 1) / _PER_MM
        yield from cut((before if stands else new).bands, lower, upper)
        lower = upper


def _source(band: Band) -> Literal["declared", "measured", "calculated"]:
    return "declared" if band.source == "assumed" else band.source
