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
    | uncertain, and all settings read off the toolpath say the same  | as they say                |
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
from typing import Literal, NamedTuple

import numpy as np

from wallguard.bands.beads import FILLS
from wallguard.bands.calculated import calculated
from wallguard.bands.declared import band_table, believed
from wallguard.bands.edges import cut
from wallguard.bands.table import PER_MM, Band, BandTable, Outcome, merged
from wallguard.base.text import SHOWN
from wallguard.fitting.fit import Fit
from wallguard.fitting.settings import laid
from wallguard.fitting.tables import declared
from wallguard.rules.model import Rules

# How far apart (mm) two edges may lie that are calculated and count as one: settings are recovered
# no better.
SLACK = 0.02
_SLACK = round(SLACK * PER_MM)
# Beyond the last edge of both tables nothing changes any more.
_BEYOND = 10

# `printed`: as fitted, but of the same fill; `settled`: as all settings say.
_Verdict = Literal["stands", "printed", "fitted", "settled", "open"]


@dataclass(frozen=True)
class Evidence:
    """The rules as a toolpath would have them.

    rules   complete, with bands for all thicknesses
    before, after  the band tables of the rules as they are, and of these
    read    thicknesses of the coupon's walls that were found, mm
    possible  for each hundredth of a millimetre from 1 on: the fills by all settings that explain
            the toolpath
    """

    rules: Rules
    before: BandTable
    after: BandTable
    read: tuple[float, ...]
    possible: tuple[frozenset[str], ...] = ()

    def reach(self, edge: float) -> tuple[float, float] | None:
        """Between which thicknesses an edge of the rules at `edge` mm may have moved unseen: the
        nearest to either side of which the fill is known; None where that ends nowhere."""
        at, read = round(edge * PER_MM), {round(step * PER_MM) for step in self.read}
        known = [
            number
            for number, fills in enumerate(self.possible, 1)
            if number in read or len(fills) == 1
        ]
        below = [number for number in known if number < at]
        above = [number for number in known if number >= at]
        return (below[-1] / PER_MM, above[0] / PER_MM) if below and above else None

    def stretches(self) -> Iterator[tuple[int, float]]:
        """First and last hundredth of a millimetre of each stretch that comes out otherwise by one
        pair of bands; the last is inf where there is none."""
        last = _last(self.before, self.after)

        def pair(at: int) -> tuple[str, str] | None:
            before, after = (table.outcome(at / PER_MM) for table in (self.before, self.after))
            return None if same(before, after) else (before.fill, after.fill)

        for key, run in groupby(range(1, last + 1), key=pair):
            numbers = list(run)
            if key is not None:
                yield numbers[0], math.inf if numbers[-1] == last else numbers[-1]


def evidence(fitted: Fit, made: Rules, base: Rules) -> Evidence:
    """What the toolpath that `fitted` rests on, and of which `made` are the rules, says of `base`;
    its edges are taken to lie where they are calculated.

    Raises InputError where no band table follows from `base`.
    """
    before, new = band_table(believed(base)), band_table(made)
    read = tuple(sorted({step.nominal for steps in fitted.measured.values() for step in steps}))
    told = _told(fitted, _last(before, new))
    possible = tuple(each.fills for each in told)
    verdicts = _verdicts((before, new), told, {round(step * PER_MM) for step in read})
    settings = None
    if fitted.recovered is not None and fitted.beads is not None:
        settings = calculated(fitted.beads, base.layer_height)
        verdicts = list(_settled(verdicts, possible, settings))
    after = BandTable(tuple(merged(_patched(before, new, settings or new, verdicts))))
    bands = tuple(declared(band, _source(band)) for band in after.bands)
    return Evidence(replace(base, bands=bands, axes={}), before, after, read, possible)


def same(old: Outcome, new: Outcome, read: bool = True) -> bool:
    """Whether two outcomes of one thickness are the same, by all that is known of them; `read`:
    whether a wall of it was."""
    if old.fill != new.fill:
        return False
    if old.printed is None or new.printed is None:
        return True
    us = old.uncertainty, new.uncertainty
    return abs(old.printed - new.printed) <= max(math.hypot(*us) if read else sum(us), SHOWN)


def _last(*tables: BandTable) -> int:
    """The hundredth from which on nothing changes in any of the tables."""
    return max(math.ceil(table.bands[-1].lower * PER_MM) for table in tables) + _BEYOND


def _verdicts(
    tables: tuple[BandTable, BandTable], told: Sequence[_Told], read: set[int]
) -> list[_Verdict]:
    """For each hundredth from 1 on; `tables`: of the rules, and as fitted."""
    (before, new), last = tables, len(told)
    possible = [each.fills for each in told]
    thicknesses = [at / PER_MM for at in range(1, last + 1)]
    outcomes = list(
        zip(map(before.outcome, thicknesses), map(new.outcome, thicknesses), strict=True)
    )
    fills = [old.fill for old, _ in outcomes]
    verdicts = [
        _known(*pair, None if at in read else reach)
        for at, (pair, reach) in enumerate(zip(outcomes, told, strict=True), 1)
    ]
    # Edges that differ by no more than settings are known by.
    runs = [
        (verdict, old.fill, new.fill)
        for verdict, (old, new) in zip(verdicts, outcomes, strict=True)
    ]
    for (verdict, *_), run in groupby(range(last), key=runs.__getitem__):
        numbers = list(run)
        short = len(numbers) <= _SLACK and not read.intersection(at + 1 for at in numbers)
        if verdict == "fitted" and short:
            verdicts[numbers[0] : numbers[-1] + 1] = ["stands"] * len(numbers)
    for at in range(last):
        if verdicts[at] == "open" and fills[at] in ("uncertain", *_only(possible[at])):
            verdicts[at] = "stands"
    for is_open, run in groupby(
        range(last), key=[verdict == "open" for verdict in verdicts].__getitem__
    ):
        numbers = list(run)
        ends = [verdicts[at] for at in (numbers[0] - 1, numbers[-1] + 1) if 0 <= at < last]
        if not is_open or "fitted" in ends:
            continue
        if all(_may(possible, at, fills[at]) for at in numbers):
            verdicts[numbers[0] : numbers[-1] + 1] = ["stands"] * len(numbers)
    return verdicts


def _known(old: Outcome, new: Outcome, told: _Told | None) -> _Verdict:
    """`told`: by all settings, where no wall was read."""
    untold = told is not None and told.fills == _ANY.fills and new.band.source == "calculated"
    if new.fill == "uncertain" or untold:
        return "open"
    if old.fill != new.fill:
        return "fitted"
    if same(old, new, told is None):
        return "stands"
    if told is not None and old.printed is not None:
        u = old.uncertainty + new.uncertainty
        if told.least - u <= old.printed <= told.most + u:
            return "stands"
    return "printed"


def _settled(
    verdicts: Sequence[_Verdict], possible: Sequence[frozenset[str]], settings: BandTable
) -> Iterator[_Verdict]:
    """The verdicts, settled where all settings agree with the best of them."""
    for at, (verdict, fills) in enumerate(zip(verdicts, possible, strict=True), 1):
        agreed = verdict == "open" and fills == {settings.outcome(at / PER_MM).fill}
        yield "settled" if agreed else verdict


def _only(fills: frozenset[str]) -> tuple[str, ...]:
    """The one fill, if there is only one."""
    return tuple(fills) if len(fills) == 1 else ()


class _Told(NamedTuple):
    """What all settings that explain the toolpath say of one thickness: the fills, and the least
    and greatest printed thickness (mm; inf and -inf where nothing is printed)."""

    fills: frozenset[str]
    least: float = math.inf
    most: float = -math.inf


_ANY = _Told(frozenset(FILLS), -math.inf, math.inf)


def _told(fitted: Fit, last: int) -> list[_Told]:
    """For each hundredth from 1 on; where no such settings are known well, anything."""
    seen = fitted.recovered
    # Where the width varies few walls do not show how narrow and how wide a bead can be.
    if fitted.found is None or (seen is not None and seen.narrowest is not None):
        return [_ANY] * last
    by_settings = laid(np.arange(1, last + 1) / PER_MM, fitted.found.kept)
    return [
        _Told(
            frozenset(FILLS[number] for number in np.unique(fills)),
            float(np.nanmin(printed, initial=math.inf)),
            float(np.nanmax(printed, initial=-math.inf)),
        )
        for fills, printed in zip(by_settings.fill.T, by_settings.printed.T, strict=True)
    ]


def _may(possible: Sequence[frozenset[str]], at: int, fill: str) -> bool:
    near = possible[max(at - _SLACK, 0) : at + _SLACK + 1]
    return fill == "uncertain" or any(fill in fills for fills in near)


def _patched(
    before: BandTable, new: BandTable, settings: BandTable, verdicts: Sequence[_Verdict]
) -> Iterator[Band]:
    """The bands of the rules where they stand, of settings where these settle it, else of the
    fit."""
    tables = [{"stands": before, "settled": settings}.get(verdict, new) for verdict in verdicts]
    lower = 0.0
    for _, run in groupby(range(len(tables)), key=lambda at: id(tables[at])):
        last = list(run)[-1]
        upper = math.inf if last + 1 == len(tables) else (last + 2) / PER_MM
        yield from cut(tables[last].bands, lower, upper)
        lower = upper


def _source(band: Band) -> Literal["declared", "measured", "calculated"]:
    return "declared" if band.source == "assumed" else band.source
