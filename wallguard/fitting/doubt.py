"""What of measured bands stands, and what lies between them, once bead settings have their say.

Each hundredth of a millimetre gets one of four verdicts, the first that holds:

    | where                                                   | verdict                         |
    |---------------------------------------------------------|---------------------------------|
    | a step, or a measured band that is uncertain anyway     | stands                          |
    | a measured band, and a toolpath shows settings that all | settled: between two steps they |
    | say another thickness, by more than its U               | know of forced beads, a line not|
    | the same, and some of them say so                       | wide: one fill, and a thickness |
    |                                                         | that covers what all say        |
    | a measured band, as all settings at 99 % say            | stands                          |
    | a measured band, which none of them says                | settled: the rule file's `beads`|
    | a measured band, which some of them do not say          | open                            |
    | no band, and all settings at k = 2 say the same         | settled                         |
    | no band, and they do not                                | open                            |

Where it is settled nothing is written, so that `beads` hold; what is open becomes a band that is
`uncertain` and `calculated`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from enum import Enum, auto
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from wallguard.bands.beads import FILLS
from wallguard.bands.cover import Rule
from wallguard.bands.table import PER_MM, BandTable
from wallguard.fitting.settings import Array, Estimate, laid
from wallguard.fitting.steps import INCLUDED, Step
from wallguard.fitting.tables import band_of, free, held_at
from wallguard.rules.model import DeclaredBand, Fill

_SAME = 1e-6


class _Verdict(Enum):
    STANDS = auto()
    SETTLED = auto()
    OPEN = auto()
    WIDE = auto()


def with_settings(
    bands: Sequence[DeclaredBand],
    found: Estimate,
    steps: Sequence[Step],
    table: BandTable,
    *,
    shown: bool = False,
) -> tuple[DeclaredBand, ...]:
    """The bands, made uncertain or taken out where the settings that explain the steps say so.

    table  calculated from these settings
    shown  whether a toolpath shows them
    """
    kept = found.kept
    farthest = max(2 * row[2] * row[1] + row[5] + row[6] for row in kept.tolist())
    farthest = max(farthest, *(step.nominal for step in steps)) + 0.1
    hundredths = np.arange(1, math.ceil(farthest * PER_MM) + 1)
    verdicts = _verdicts(hundredths, bands, found, (table, steps), shown=shown)
    deviations = laid(hundredths / PER_MM, kept).printed - hundredths / PER_MM
    result = [cut for band in bands for cut in _left(band, verdicts)]

    def add(run: tuple[int, int], fill: Fill, said: Array, more: Sequence[Rule] = ()) -> None:
        """A band of a run, of a thickness that covers what settings say (deviations, mm)."""
        first, last = run
        lower = 0.0 if first == 1 else (first - 1) / PER_MM + INCLUDED
        upper = (last + 1) / PER_MM
        near = [band for band in result if band.lower < upper and (band.upper or 0) > lower]
        there = said[:, first - 1 : last]
        there = there[np.isfinite(there)]
        ends = (float(there.min()), float(there.max())) if there.size else ()
        rules = [*more, *(Rule(end, 1.0, found.beads.uncertainty) for end in ends)]
        for low, high in free(lower, upper, near):
            made = band_of(low, high, fill, rules, None)
            result.append(replace(made, source="calculated"))

    for run in _runs(verdicts, _Verdict.OPEN):
        add(run, "uncertain", deviations)
    said = laid(hundredths / PER_MM, found.every).printed - hundredths / PER_MM
    for run in _runs(verdicts, _Verdict.WIDE):
        band = held_at(bands, run[0] / PER_MM + _SAME)
        if band is not None and band.printed is not None:
            rule = Rule(band.printed, band.slope, band.uncertainty or 0.0)
            add(run, band.fill, said, (rule,))
    return tuple(sorted(result, key=lambda band: band.lower))


def _verdicts(
    hundredths: Array,
    bands: Sequence[DeclaredBand],
    found: Estimate,
    known: tuple[BandTable, Sequence[Step]],
    *,
    shown: bool,
) -> list[_Verdict]:
    table, steps = known
    best = [FILLS.index(table.outcome(at / PER_MM).fill) for at in hundredths.tolist()]
    agree = (laid(hundredths / PER_MM, found.kept).fill == np.array(best)).all(axis=0)
    inner = hundredths[hundredths <= math.ceil(steps[-1].nominal * PER_MM)]
    all_of = laid(inner / PER_MM, found.every)
    every, printed = all_of.fill, all_of.printed
    measured = {round(step.lower * PER_MM) for step in steps}
    measured |= {math.floor(step.upper * PER_MM) for step in steps}
    verdicts = []
    for index, at in enumerate(hundredths.tolist()):
        band = held_at(bands, at / PER_MM + _SAME)
        if band is None:
            verdicts.append(_Verdict.SETTLED if agree[index] else _Verdict.OPEN)
        elif band.fill == "uncertain" or at in measured:
            verdicts.append(_Verdict.STANDS)
        else:
            same = every[:, index] == FILLS.index(band.fill)
            off = _elsewhere(band, at / PER_MM, printed[:, index]) if shown else same[:0]
            if same.all() and off.any():
                verdicts.append(_Verdict.SETTLED if off.all() else _Verdict.WIDE)
                continue
            doubted = _Verdict.OPEN if same.any() else _Verdict.SETTLED
            verdicts.append(_Verdict.STANDS if same.all() else doubted)
    return verdicts


def _elsewhere(band: DeclaredBand, nominal: float, printed: Array) -> NDArray[np.bool_]:
    """Which settings print another thickness (mm) than a band says, by more than its U."""
    if band.printed is None:
        return np.zeros(len(printed), bool)
    off: NDArray[np.bool_] = np.abs(printed - (band.printed + band.slope * nominal)) > (
        band.uncertainty or 0.0
    )
    return off


def _left(band: DeclaredBand, verdicts: Sequence[_Verdict]) -> Iterator[DeclaredBand]:
    """What of a measured band the settings leave standing: whole, or the parts about its steps."""
    if band.upper is None or band.fill == "uncertain":
        yield band
        return
    first = max(1, math.ceil(band.lower * PER_MM - 1e-4))
    last = min(len(verdicts), math.ceil(band.upper * PER_MM - 1e-4) - 1)
    if all(verdict is _Verdict.STANDS for verdict in verdicts[first - 1 : last]):
        yield band
        return
    for low, high in _runs(verdicts[first - 1 : last], _Verdict.STANDS, first):
        yield replace(
            band,
            lower=band.lower if low == first else low / PER_MM,
            upper=band.upper if high == last else round(high / PER_MM + INCLUDED, 4),
        )


def _runs(
    verdicts: Sequence[_Verdict], wanted: _Verdict, first: int = 1
) -> Iterator[tuple[int, int]]:
    """First and last hundredth of each stretch of one verdict; `first` is that of the first."""
    for verdict, run in groupby(enumerate(verdicts, first), key=lambda each: each[1]):
        if verdict is wanted:
            numbers = [number for number, _ in run]
            yield numbers[0], numbers[-1]
