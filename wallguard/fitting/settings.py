"""Bead settings that explain what was read of a coupon, and how far they could be otherwise.

Many settings are tried: points that fill the box of possible ones evenly (an additive recurrence;
M. Roberts' generalised golden ratio, from memory), then points about the best of them. Each is
scored by its likelihood: the printed thickness within what its reading and the model are good for,
and a fixed price for every step whose fill comes out otherwise. Kept is whatever scores within
CLOSE of the best: by Wilks' theorem 2 ln L falls by k^2 where one setting is k standard deviations
off, so a difference of 2 in ln L is the range of k = 2, and 3.4 that of 99 %.

The model is that of `bands.beads`, for many settings at once. What neighbouring beads share of
their width is taken from the base, as callipers hardly tell it. The offset is no setting that is
tried: each gets the one that suits it best, the mean of what walls that stand on their outlines
come out thicker (least squares; such walls tell nothing else).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from wallguard.bands.beads import BETWEEN, FILLS, Laid, Settings, lay, shared
from wallguard.fitting.recovery import Known, Recovered
from wallguard.fitting.steps import Scatter, Step
from wallguard.fitting.uncertainty import Component
from wallguard.rules.model import Beads, Fill, Rules

Array = NDArray[np.float64]

CLOSE, SAME = 3.4, 2.0
_FIRST, _ROUND, _ROUNDS, _PARENTS = 60_000, 20_000, 3, 40
_HOPELESS = 12.0
_KEPT = 1500
_MOST_CONTOURS = 5
# What a fill that comes out otherwise costs, in ln L: as much as 3.5 standard deviations.
_FILL_PRICE = 6.0
# How well the model foresees a printed thickness, mm (common practice, no published source), and
# the most that one step can cost, so that one slip does not outweigh the rest.
_MODEL, _MOST = 0.03, 8.0
# Settings explain a table if they give all but this share of the fills, and printed thicknesses
# this well on the whole, mm.
_WRONG, _ROUGH = 0.15, 0.15
_LEAST_UNCERTAINTY = 0.02
# A wall is off by a slip, not by the offset of all, if it is off by more than this, mm.
_SLIP = 0.3
# Columns of settings as numbers: the fields of `Settings`, of which those up to `_VARIES` and
# `_SINGLE` are tried, one dimension each.
_A, _B, _N, _SMALLEST, _BETWEEN, _SQUEEZE, _FILL, _VARIES, _SHARED, _OVERLAP, _SINGLE, _OFFSET = (
    range(12)
)
_TRIED = (_A, _B, _N, _SMALLEST, _BETWEEN, _SQUEEZE, _FILL, _VARIES, _SINGLE)
# The share of settings tried that never lay a single bead.
_PAIRS_ONLY = 0.2
# The columns of numbers by their keys; how many values are tried of one alone.
_COLUMNS = {
    "width": _A,
    "contours": _N,
    "smallest_wall": _SMALLEST,
    "squeeze": _SQUEEZE,
    "smallest_fill": _FILL,
}
_GRID = 400
_YES_NO = ("false", "true")


@dataclass(frozen=True)
class Range:
    """A number, and from where to where it explains the readings as well (k = 2)."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Estimate:
    """Bead settings that explain a table.

    beads      the best of them
    ranges     by key of the rule file's `beads`, those that are numbers
    choices    the same for words: all that explain the readings as well
    unlike     nominal thickness (mm) and fill of the steps that come out otherwise
    contours_taken  whether `contours` is the base's, which the readings do not contradict
    every      settings that explain the readings at 99 %: (n, 12) numbers, for `laid`
    kept       those of them with the base's contours, where these are taken
    """

    beads: Beads
    ranges: dict[str, Range]
    choices: dict[str, tuple[str, ...]]
    unlike: tuple[tuple[float, Fill], ...]
    contours_taken: bool
    kept: Array
    every: Array


def estimate(
    steps: Sequence[Step], scatter: Scatter, base: Rules, seen: Recovered | None = None
) -> Estimate | None:
    """Settings that explain the steps (of all axes); None where none do.

    base  gives the nozzle, and the number of contours where the readings leave it open
    seen  of a toolpath, what it shows: only settings in the range that it leaves are tried
    """
    known = [step for step in steps if step.fill != "uncertain"]
    printed = [step for step in known if step.readings]
    if len(printed) < 2:
        return None
    target = _Target.of(known, scatter)
    limits = _limits(base, seen)
    tried, scores = _search(target, _box(known, printed, base), limits)
    best = float(scores.max())
    taken, every = False, _thin(tried, scores)
    if base.beads is not None:
        of_base = tried[:, _N] == base.beads.contours
        open_ = len(np.unique(tried[scores >= best - SAME, _N])) > 1
        if open_ and (of_base & (scores >= best - SAME)).any():
            tried, scores, taken = tried[of_base], scores[of_base], True
    same = tried[scores >= best - SAME]
    chosen = _representative(tried, scores, target)
    # What a toolpath shows is known better than any fit tells.
    told = np.isfinite(limits).all(axis=0)
    chosen[told] = _rounded(limits.mean(axis=0))[told]
    chosen[_FILL] = max(chosen[_FILL], chosen[_SQUEEZE])
    misfit = target.misfit(chosen)
    if len(misfit.wrong) > max(1, _WRONG * len(known)) or misfit.rough > _ROUGH:
        return None
    beads = replace(
        _beads(chosen, base, seen),
        nozzle=base.beads.nozzle if base.beads else None,
        uncertainty=_up(max(_LEAST_UNCERTAINTY, scatter.expanded(*misfit.parts))),
    )
    return Estimate(
        beads=beads,
        ranges=_ranges(chosen, same) | _spacing(seen),
        choices=_choices(same),
        unlike=tuple((known[at].nominal, known[at].fill) for at in misfit.wrong),
        contours_taken=taken,
        kept=_thin(tried, scores),
        every=every,
    )


def _search(target: _Target, box: Array, limits: Array) -> tuple[Array, Array]:
    """Settings that explain it at 99 % of the best, and their scores."""
    tried = _spread(_FIRST, box, limits)
    scores = target.scores(tried)
    for round_ in range(_ROUNDS):
        parents = tried[_best_of_each(tried, scores)]
        more = _about(parents, (box, limits), shrink=0.15 * 0.5**round_, seed=round_)
        tried, scores = np.vstack([tried, more]), np.concatenate([scores, target.scores(more)])
    close = scores >= float(scores.max()) - CLOSE
    return tried[close], scores[close]


def _choices(same: Array) -> dict[str, tuple[str, ...]]:
    """The words that explain the readings as well, by the key they stand under."""
    columns: tuple[tuple[str, int, tuple[str, ...]], ...] = (
        ("between_one_and_two", _BETWEEN, BETWEEN),
        ("width_varies", _VARIES, _YES_NO),
        ("single_bead", _SINGLE, _YES_NO),
    )
    return {
        key: tuple(name for code, name in enumerate(names) if (same[:, column] == code).any())
        for key, column, names in columns
    }


def one_setting(steps: Sequence[Step], scatter: Scatter, base: Rules) -> tuple[str, Range] | None:
    """The one bead setting of the base which, changed alone, explains the steps best, with what it
    would have to be; None where none explains them clearly better than the base does."""
    known = [step for step in steps if step.fill != "uncertain"]
    printed = [step for step in known if step.readings]
    if base.beads is None or len(printed) < 2:
        return None
    target, box = _Target.of(known, scatter), _box(known, printed, base)
    own = np.array([float(number) for number in Settings.of(base.beads, base.layer_height)])
    best, chosen = float(target.scores(own[None, :].copy())[0]) + CLOSE, None
    for key, column in _COLUMNS.items():
        high = {_SQUEEZE: own[_A], _FILL: 2 * own[_A]}.get(column, float(box[1, column]))
        tried = np.tile(own, (_GRID, 1))
        tried[:, column] = np.linspace(float(box[0, column]), high, _GRID)
        if column == _A:
            tried[:, _B] = tried[:, _A] * own[_B] / own[_A]
        if column == _N:
            tried[:, column] = np.floor(tried[:, column])
        scores = target.scores(tried)
        if float(scores.max()) > best:
            best = float(scores.max())
            values = tried[scores >= best - SAME, column]
            value = float(tried[int(scores.argmax()), column])
            chosen = key, Range(value, float(values.min()), float(values.max()))
    return chosen


def number_of(key: str, beads: Beads, layer_height: float) -> float:
    """What beads say of a number, by its key among the ranges of an estimate."""
    if key in ("narrowest bead", "widest bead"):
        varies = beads.width_varies or (beads.width, beads.width)
        return varies[key == "widest bead"]
    if key == "spacing":
        return beads.width - shared(beads, layer_height)
    return float(getattr(beads, key))


def words_of(beads: Beads) -> dict[str, str]:
    """What beads say in words, by the keys that the choices of an estimate have."""
    return {
        "between_one_and_two": beads.between_one_and_two,
        "single_bead": _YES_NO[beads.single_bead],
    }


def laid(thicknesses: Array, settings: Array) -> Laid:
    """How walls of m thicknesses (mm) come out by each of n settings, (n, 12): arrays (n, m)."""
    return lay(thicknesses, Settings(*settings.T[:, :, None]))


@dataclass(frozen=True)
class _Misfit:
    """What settings leave unexplained.

    wrong  indices of the steps whose fill comes out otherwise
    rough  root mean square of what printed thickness is off elsewhere, mm
    parts  how well they give the printed thickness: what walls are off beyond the scatter of
           their means (method of moments, as in `fitting.lines`), and what that scatter leaves
    """

    wrong: list[int]
    rough: float
    parts: tuple[Component, Component]


@dataclass(frozen=True)
class _Target:
    """What is to be explained. Arrays by step, mm.

    printed  mean reading; nan where nothing was printed
    u        what a mean reading may be off by and the model as well, u_mean the reading alone
    """

    nominal: Array
    fill: NDArray[np.int8]
    printed: Array
    u: Array
    u_mean: Array

    @classmethod
    def of(cls, steps: Sequence[Step], scatter: Scatter) -> _Target:
        return cls(
            nominal=np.array([step.nominal for step in steps]),
            fill=np.array([FILLS.index(step.fill) for step in steps], dtype=np.int8),
            printed=np.array([step.mean if step.readings else math.nan for step in steps]),
            u=np.array(
                [
                    math.sqrt(
                        scatter.of(step.fill).u ** 2 / max(1, len(step.readings))
                        + scatter.limit**2 / 3
                        + _MODEL**2
                    )
                    for step in steps
                ]
            ),
            u_mean=np.array(
                [scatter.of_mean(step).u if step.readings else math.inf for step in steps]
            ),
        )

    def scores(self, settings: Array) -> Array:
        """How well each of the settings explains it; their offsets are written into them."""
        settings[:, _OFFSET] = 0.0
        made = laid(self.nominal, settings)
        unlike = made.fill != self.fill
        off = self.printed - made.printed
        # Where nothing is printed, here or there, `off` is no number.
        weight = np.where(made.as_drawn & ~unlike & (np.abs(off) < _SLIP), self.u**-2, 0.0)
        off = np.nan_to_num(off)
        total = np.maximum(weight.sum(axis=1), 1e-9)
        settings[:, _OFFSET] = (weight * off).sum(axis=1) / total
        residual = (off - settings[:, _OFFSET, None]) / self.u
        cost = np.minimum(residual**2 / 2, _MOST)
        # A hollow wall stands on its outlines, a solid one too: only a fill that is right counts.
        cost = np.where(unlike, _FILL_PRICE, cost)
        return np.asarray(-cost.sum(axis=1))

    def misfit(self, settings: Array) -> _Misfit:
        """What one of the settings leaves unexplained."""
        made = laid(self.nominal, settings[None, :])
        unlike = made.fill[0] != self.fill
        off = made.printed[0] - self.printed
        good = ~unlike & np.isfinite(off)
        wrong = [int(at) for at in np.flatnonzero(unlike)]
        if not good.any():
            return _Misfit(wrong, _ROUGH, (Component(_ROUGH, 1.0), Component(0.0)))
        squares, weight = off[good] ** 2, self.u_mean[good] ** -2
        # Two numbers were fitted to it: the width of the beads and the offset.
        spare = max(1, len(squares) - 2)
        beyond = float((squares * weight).sum()) - spare
        scale = float(weight.sum()) * spare / len(squares)
        between = Component(math.sqrt(max(0.0, beyond) / scale), float(spare))
        mean = Component(math.sqrt(2 / float(weight.sum())))
        return _Misfit(wrong, math.sqrt(float(squares.sum()) / spare), (between, mean))


def _box(known: Sequence[Step], printed: Sequence[Step], base: Rules) -> Array:
    """Lowest and highest of each setting that is tried, (2, 9): wide bounds about the nozzle
    (common practice, no published source); squeeze and smallest fill in parts of the width."""
    if base.beads is not None and base.beads.nozzle is not None:
        nozzle = base.beads.nozzle
    elif base.beads is not None:
        nozzle = base.beads.width / 1.125
    else:
        nozzle = min(step.mean for step in printed)
    thinnest = printed[0].nominal
    low = [max(0.6 * nozzle, base.layer_height), 0.0, 1, 0, 0, 0, 0, 0, 0]
    high = [2.0 * nozzle, 1.0, _MOST_CONTOURS + 1, thinnest, 3, 0.6, 1.8, 2, 1]
    return np.array([low, high], dtype=float)


def _limits(base: Rules, seen: Recovered | None) -> Array:
    """Lowest and highest of each setting, (2, 12), where they are known beforehand; else nan."""
    found = np.full((2, len(Settings._fields)), math.nan)
    found[:, _SHARED] = 0.0 if base.beads is None else shared(base.beads, base.layer_height)
    found[:, _OVERLAP] = 0.0
    if seen is None:
        return found
    found[:, _VARIES] = seen.narrowest is not None
    narrowest, widest = seen.narrowest or seen.width, seen.widest or seen.width
    known: dict[int, Known | None] = {
        _A: narrowest,
        _B: widest,
        _SHARED: seen.shared,
        _SMALLEST: seen.smallest_wall,
        _SQUEEZE: seen.squeeze,
        _FILL: seen.smallest_fill,
    }
    for column, one in known.items():
        if one is not None:
            found[:, column] = max(0.0, one.low), max(0.0, one.high)
    if seen.contours is not None:
        found[:, _N] = seen.contours
    if seen.single_bead is not None:
        found[:, _SINGLE] = seen.single_bead
    if seen.between_one_and_two is not None:
        found[:, _BETWEEN] = BETWEEN.index(seen.between_one_and_two)
    return found


@lru_cache(maxsize=1)
def _ratios(dimensions: int) -> tuple[float, ...]:
    """The steps of the additive recurrence: powers of the root of x^(d+1) = x + 1."""
    root = 2.0
    for _ in range(60):
        root = (1 + root) ** (1 / (dimensions + 1))
    return tuple((1 / root) ** power % 1 for power in range(1, dimensions + 1))


def _even(count: int, start: int = 0) -> Array:
    numbers = np.arange(start + 1, start + count + 1, dtype=float)[:, None]
    return np.asarray((0.5 + numbers * np.array(_ratios(len(_TRIED)))) % 1)


def _spread(count: int, box: Array, limits: Array) -> Array:
    """`count` settings evenly over the box, and where their limits are known within these."""
    raw = np.zeros((count, len(Settings._fields)))
    place = _even(count)
    raw[:, _TRIED] = box[0] + place * (box[1] - box[0])
    raw[:, _SINGLE] = raw[:, _SINGLE] >= _PAIRS_ONLY
    # Of varying beads the widest is up to twice the narrowest.
    raw[:, _VARIES] = np.floor(raw[:, _VARIES])
    raw[:, _B] = raw[:, _A] * (1 + raw[:, _B] * raw[:, _VARIES])
    for column in (_N, _BETWEEN):
        raw[:, column] = np.floor(raw[:, column])
    raw[:, _SQUEEZE] *= raw[:, _A]
    raw[:, _FILL] *= raw[:, _A]
    for number, column in enumerate(_TRIED):
        low, high = limits[:, column].tolist()
        if math.isfinite(low):
            raw[:, column] = low + place[:, number] * (high - low)
    return _tidy(raw, box, limits)


def _best_of_each(settings: Array, scores: Array) -> list[int]:
    """The best of each kind, fixed or varying and by contours, if the kind is any good at all:
    unlike kinds may explain the same readings, and all are to be known."""
    order = np.argsort(-scores, kind="stable")
    good = order[scores[order] >= scores.max() - _HOPELESS]
    kind = settings[good][:, (_SINGLE, _VARIES, _N, _BETWEEN)] @ [1000, 100, 10, 1]
    found: list[int] = []
    for one in np.unique(kind):
        found += good[kind == one][:_PARENTS].tolist()
    return sorted(found)


def _about(parents: Array, bounds: tuple[Array, Array], shrink: float, seed: int) -> Array:
    """Settings about those of `parents`, in turn; words and contours sometimes change.

    bounds  the box, and the limits that are known
    """
    (box, limits), count = bounds, _ROUND
    place = _even(count, start=_FIRST * (seed + 1))
    made = parents[np.arange(count) % len(parents)].copy()
    width = made[:, _A].copy()
    for column in (_A, _B, _SQUEEZE, _FILL):
        made[:, column] += (2 * place[:, column] - 1) * shrink * width * 2
    size = box[1, _SMALLEST] - box[0, _SMALLEST]
    made[:, _SMALLEST] += (2 * place[:, _SMALLEST] - 1) * size * shrink * 2
    anew = place[:, _N] < 0.25
    other = 1 + np.floor(place[:, _N] * 4 * _MOST_CONTOURS)
    made[:, _N] = np.where(anew, other, made[:, _N])
    return _tidy(made, box, limits)


def _tidy(settings: Array, box: Array, limits: Array) -> Array:
    """Settings with what must hold between them, and within the limits that are known."""
    pairs_only = settings[:, _SINGLE] == 0
    one_bead = settings[:, _BETWEEN] == BETWEEN.index("one bead")
    settings[pairs_only & one_bead, _BETWEEN] = BETWEEN.index("two beads")
    settings[:, _A] = np.clip(settings[:, _A], box[0, _A], box[1, _A])
    settings[:, _B] = np.where(
        settings[:, _VARIES] > 0,
        np.clip(settings[:, _B], settings[:, _A] + 0.01, 2 * settings[:, _A]),
        settings[:, _A],
    )
    settings[:, _N] = np.clip(settings[:, _N], 1, _MOST_CONTOURS)
    settings[:, _SMALLEST] = np.clip(
        settings[:, _SMALLEST], box[0, _SMALLEST] + 1e-3, box[1, _SMALLEST]
    )
    settings[:, _SQUEEZE] = np.maximum(settings[:, _SQUEEZE], 0)
    known = np.isfinite(limits).all(axis=0)
    settings[:, known] = np.clip(settings[:, known], *limits[:, known])
    fixed = settings[:, _VARIES] == 0
    settings[fixed, _B] = settings[fixed, _A]
    settings[:, _FILL] = np.maximum(settings[:, _FILL], settings[:, _SQUEEZE])
    return settings


def _representative(settings: Array, scores: Array, target: _Target) -> Array:
    """Of the settings that explain the readings, the middle ones of the simplest kind."""
    best = float(scores.max())
    same = scores >= best - SAME
    kinds = settings[:, (_VARIES, _N, _BETWEEN, _SINGLE)]
    # Fixed beads before varying ones, such as may be single before pairs only, few contours before
    # many, among the equally good.
    order = np.lexsort((-scores, kinds[:, 1], -kinds[:, 3], kinds[:, 0]))
    chosen = next(at for at in order if scores[at] >= best - SAME / 2)
    alike = same & (kinds == kinds[chosen]).all(axis=1)
    middle = np.median(settings[alike], axis=0)
    middle[_FILL] = max(middle[_FILL], middle[_SQUEEZE])
    middle = _rounded(middle)
    if float(target.scores(middle[None, :])[0]) >= best - SAME:
        return middle
    # The middle of a hollow shape need not be in it: take the best of its kind.
    candidates = settings[alike]
    found = _rounded(candidates[int(np.argmax(scores[alike]))])
    better = float(target.scores(found[None, :])[0]) >= float(target.scores(middle[None, :])[0])
    return found if better else middle


def _rounded(settings: Array) -> Array:
    """Settings as they are written into a rule file, in thousandths."""
    return np.asarray(np.round(settings, 3))


def _thin(settings: Array, scores: Array) -> Array:
    """Some of the settings, among them the lowest and highest of each."""
    ends = {int(at) for column in settings.T for at in (column.argmin(), column.argmax())}
    ends.add(int(scores.argmax()))
    step = max(1, len(settings) // _KEPT)
    return np.asarray(settings[sorted(ends | set(range(0, len(settings), step)))])


def _ranges(chosen: Array, same: Array) -> dict[str, Range]:
    columns = {key: column for key, column in _COLUMNS.items() if column != _A}
    columns["offset"] = _OFFSET
    widths = {"narrowest bead": _A, "widest bead": _B} if chosen[_VARIES] else {"width": _A}
    alike = same[same[:, _VARIES] == chosen[_VARIES]]
    return {
        key: Range(
            float(chosen[column]),
            min(float(chosen[column]), float(alike[:, column].min())),
            max(float(chosen[column]), float(alike[:, column].max())),
        )
        for key, column in {**widths, **columns}.items()
    }


def _spacing(seen: Recovered | None) -> dict[str, Range]:
    """As a toolpath shows it; callipers do not tell it."""
    one = seen and seen.spacing
    return {"spacing": Range(one.value, one.low, one.high)} if one else {}


def _beads(settings: Array, base: Rules, seen: Recovered | None) -> Beads:
    a, b, n, smallest, between, squeeze, fill, varies, common, _, single, offset = settings.tolist()
    width, spacing = round((a + b) / 2, 3), base.beads.spacing if base.beads else None
    if seen is not None and seen.shared is not None:
        spacing = seen.spacing_of(base)
    elif spacing is not None and not isinstance(spacing, str):
        spacing = round(width - common, 4)
    return Beads(
        width=width,
        contours=int(n),
        smallest_wall=smallest,
        squeeze=squeeze,
        smallest_fill=fill,
        between_one_and_two=BETWEEN[int(between)],
        width_varies=(a, b) if varies else None,
        spacing=spacing or "width",
        single_bead=bool(single),
        offset=round(offset, 3),
        # Where settings that explain the readings differ, bands say so (`fitting.doubt`).
        edge_uncertainty=0.0,
    )


def _up(value: float) -> float:
    """Rounded up to thousandths."""
    return math.ceil(value * 1000 - 1e-6) / 1000
