"""Bead settings read off a toolpath: what was laid across walls of known thickness tells them
without any print, and each with how well it is known.

Across a wall of drawn thickness t lie k strands, in the layers all alike, and filling or none:

      |<------------- t ------------->|     w    width of a strand
      .-------.-------.  air  .-------.     d    between the middles of strands of one side
      |   1   |   2   |       |   2   | ..  m    pairs, k = 2 m
      '-------'-------'       '-------'     g    left-over: t - what 2 m beads take together

What is read directly, and what lies between two walls that came out otherwise:

    | setting             | what tells it                                                       |
    |---------------------|---------------------------------------------------------------------|
    | width               | w of walls with air or filling, which nothing squeezes              |
    | width_varies        | strands of unlike walls are unlike: from the narrowest to the widest|
    | shared width o      | w - d (conservation of volume: `bands.beads`); spacing = width - o  |
    | contours            | m where there is filling, or room for another pair that is not used |
    | smallest_wall       | between the thickest of the thinnest walls missing, and the next    |
    | single_bead         | whether k = 1 of walls up to a bead thick                           |
    | between_one_and_two | k of walls thicker than a bead and thinner than two: 2, 1 or none   |
    | squeeze             | between the largest g without air or filling, and the smallest air  |
    | smallest_fill       | between the largest g without filling, and the smallest with        |
    | offset              | how far the outer edges of two strands or more lie outside of t     |

How well a setting is known is half of the range in which it may lie (all of it is as likely as
any), or how far readings of it differ. The model is that of `bands.beads`.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from statistics import median

from wallguard.bands.section import round_ends
from wallguard.coupon.laid import LaidAcross
from wallguard.rules.model import BetweenOneAndTwo, Rules, Spacing

# What a toolpath's numbers are rounded to, and its place is fitted to, mm.
_READ = 0.005
# Widths that differ by less are one width, mm.
_SAME = 0.015
# Of varying beads at least this share is not as wide as most.
_VARIES = 0.05
# Two beads that lie on each other by more than this share of their width are forced into a wall.
_FORCED = 0.25


@dataclass(frozen=True)
class Known:
    """A number, and how far it may be off either way (all that is left open, not k = 2)."""

    value: float
    uncertainty: float

    @property
    def low(self) -> float:
        return self.value - self.uncertainty

    @property
    def high(self) -> float:
        return self.value + self.uncertainty

    @classmethod
    def between(cls, low: float, high: float) -> Known:
        low, high = min(low, high), max(low, high)
        return cls((low + high) / 2, (high - low) / 2)


@dataclass(frozen=True)
class Recovered:
    """Bead settings as a toolpath shows them, lengths in mm. None: it does not tell.

    width         of a bead where it is fixed; where it varies, the middle of narrowest and widest
    narrowest, widest  where the width varies, else None
    shared        how much neighbouring beads share of their widths
    contours      on each side of a wall
    smallest_fill the left-over from which on there is filling, as if filling overlapped nothing
    """

    width: Known
    narrowest: Known | None
    widest: Known | None
    shared: Known | None
    contours: int | None
    smallest_wall: Known | None
    single_bead: bool | None
    between_one_and_two: BetweenOneAndTwo | None
    squeeze: Known | None
    smallest_fill: Known | None
    offset: Known | None

    @property
    def spacing(self) -> Known | None:
        """From the middle of a bead of `width` to the middle of the next."""
        if self.shared is None:
            return None
        apart = math.hypot(self.width.uncertainty, self.shared.uncertainty)
        return Known(self.width.value - self.shared.value, apart)

    def numbers(self) -> dict[str, Known]:
        """The settings that are lengths and that the toolpath tells, by their names."""
        names = ("width", "narrowest", "widest", "spacing", "smallest_wall", "squeeze")
        known = {name: getattr(self, name) for name in (*names, "smallest_fill", "offset")}
        return {name: value for name, value in known.items() if value is not None}

    def spacing_of(self, rules: Rules) -> float | Spacing:
        """As a rule file writes it: in words where they fit, as in `rules` where it is not told."""
        if self.shared is None or self.spacing is None:
            return (rules.beads and rules.beads.spacing) or "width"
        shared = self.shared.value
        words: tuple[tuple[Spacing, float], ...] = (
            ("width", 0.0),
            ("from volume", round_ends(rules.layer_height)),
        )
        word, share = min(words, key=lambda choice: abs(choice[1] - shared))
        near = abs(share - shared) <= max(_SAME, self.shared.uncertainty)
        return word if near else round(self.spacing.value, 3)


def _stays(walls: Sequence[LaidAcross]) -> bool:
    """Whether beads as wide as in all of these walls do not get wider with the wall: of two walls
    of as many beads each bead's share differs by more than is read."""
    return any(
        len(one.strands) == len(other.strands)
        and abs(one.nominal - other.nominal) > 2 * _READ * len(one.strands)
        for one, other in combinations(walls, 2)
    )


def recover(walls: Sequence[LaidAcross]) -> Recovered | None:
    """The settings that laid these walls, of all axes; None where too few of them are of beads."""
    laid = [wall for wall in walls if wall.fill != "missing" and wall.strands]
    if not any(_unforced(wall) for wall in laid):
        return None
    return _Reader(tuple(walls), tuple(laid)).settings()


class _Reader:
    """Reads settings one after the other, as one needs those before it.

    walls  all of them; laid: those of which anything is laid
    a, b   narrowest and widest bead, shared: of their widths (mm)
    """

    def __init__(self, walls: tuple[LaidAcross, ...], laid: tuple[LaidAcross, ...]) -> None:
        self.walls, self.laid = walls, laid
        self.unforced = [wall for wall in laid if _unforced(wall)]
        self.free = [wall for wall in self.unforced if _filled(wall) or wall.fill == "hollow"]
        shared = self._shared()
        self.shared = shared.value if shared else 0.0
        every, free = ([_width(wall) for wall in walls] for walls in (self.unforced, self.free))
        usual = _usual(free or every, _SAME)
        width = _spread(
            [free_width for free_width in free or every if abs(free_width - usual) < _SAME]
        )
        self.ends: tuple[Known, Known] | None = None
        # What fixed beads lay beside air or filling is of one width, and none is ever narrower.
        narrower = sum(each < usual - _SAME for each in every)
        others = sum(abs(each - usual) >= _SAME for each in free)
        if narrower > _VARIES * len(every) or others > _VARIES * len(free):
            self.ends = self._narrowest(), self._widest()
            low, high = self.ends
            width = Known((low.value + high.value) / 2, (low.uncertainty + high.uncertainty) / 2)
        self.a, self.b = (end.value for end in self.ends or (width, width))
        self.width, self.known_share = width, shared

    def settings(self) -> Recovered:
        single = self._single()
        between = self._between(single)
        return Recovered(
            width=self.width,
            narrowest=self.ends and self.ends[0],
            widest=self.ends and self.ends[1],
            shared=self.known_share,
            contours=self._contours(),
            smallest_wall=self._smallest_wall(single),
            single_bead=single,
            between_one_and_two=between,
            squeeze=self._squeeze(),
            smallest_fill=self._smallest_fill(),
            offset=self._offset(),
        )

    def together(self, number: int, width: float) -> float:
        """How thick (mm) beads of one width are that lie side by side."""
        return number * width - (number - 1) * self.shared

    def _shared(self) -> Known | None:
        """Of the pairs of one side; where there is but one bead a side, of beads that meet."""
        sides = [
            side
            for wall in self.free or self.unforced
            for side in (wall.strands[: _pairs(wall)], wall.strands[-_pairs(wall) :])
        ]
        if all(len(side) < 2 for side in sides):
            # The thickest of them: in thinner ones beads may be forced on each other.
            closed = [wall for wall in self.unforced if wall not in self.free]
            thickest = max((wall.nominal for wall in closed), default=0.0)
            sides = [wall.strands for wall in closed if wall.nominal > thickest - _READ]
        overlaps = [
            (one.width + other.width) / 2 - (other.middle - one.middle)
            for side in sides
            for one, other in pairwise(side)
        ]
        if not overlaps:
            return None
        usual = _usual(overlaps, _READ)
        return _spread([overlap for overlap in overlaps if abs(overlap - usual) < 2 * _READ])

    def _narrowest(self) -> Known:
        """Of beads that vary: no wider than any that was laid, and that where they stay as wide in
        walls of other thickness; and where so few pairs lie in a wall, another would have had to be
        narrower than it can."""
        walls = [*self.unforced, *(wall for wall in self.laid if len(wall.strands) == 1)]
        least, most = min(map(_width, walls)), max(map(_pairs, self.laid))
        if _stays([wall for wall in walls if _width(wall) < least + _READ]):
            return Known(least, _READ)
        bounds = [
            (wall.nominal - self.shared) / (2 * _pairs(wall) + 2) + self.shared
            for wall in self.unforced
            if _pairs(wall) < most and wall.fill == "solid"
        ]
        return Known.between(min(least, max(bounds, default=least / 2)), least)

    def _widest(self) -> Known:
        """Of beads that vary: as wide as they are beside air. To close a left-over they get wider,
        but not beside filling or alone."""
        airy = [_width(wall) for wall in self.free if wall.fill == "hollow"]
        if airy:
            return _spread(airy)
        widths = [_width(wall) for wall in self.free] + self._alone()
        most = max(widths, default=max(map(_width, self.unforced)))
        if sum(width > most - _READ for width in widths) > 1:
            return Known(most, _READ)
        return Known.between(most, 1.25 * most)

    def _alone(self) -> list[float]:
        return [wall.strands[0].width for wall in self.laid if len(wall.strands) == 1]

    def _contours(self) -> int | None:
        """As many as there are where there would be room for another pair."""
        most = max(map(_pairs, self.laid))
        room = self.together(2 * most + 2, self.a) + _SAME
        return most if any(wall.nominal > room for wall in self.laid) else None

    def _single(self) -> bool | None:
        narrowest = [wall for wall in self.laid if wall.nominal <= self.b + _READ]
        if not narrowest:
            return None
        return any(len(wall.strands) == 1 for wall in narrowest)

    def _between(self, single: bool | None) -> BetweenOneAndTwo | None:
        """What became of most of the walls that are too thick for one bead and too thin for two."""
        low = 0.0 if single is False else self.b + _SAME
        first = min((wall.nominal for wall in self.laid), default=math.inf)
        counts: Counter[BetweenOneAndTwo] = Counter()
        for wall in self.walls:
            if not max(low, first) < wall.nominal < self.together(2, self.a) - _SAME:
                continue
            if wall.fill == "missing":
                counts["dropped"] += 1
            elif wall.strands:
                counts["one bead" if len(wall.strands) == 1 else "two beads"] += 1
        return counts.most_common(1)[0][0] if counts else None

    def _smallest_wall(self, single: bool | None) -> Known | None:
        first = min(wall.nominal for wall in self.laid)
        thinner = [wall.nominal for wall in self.walls if wall.nominal < first]
        if not thinner:
            return None
        if single is None and first >= self.together(2, self.a) - _SAME:
            # Thinner walls are missing, but perhaps because they are too thin for two beads.
            return None
        return Known.between(max(thinner), first)

    def _left_over(self, wall: LaidAcross, width: float) -> float:
        return wall.nominal - self.together(2 * _pairs(wall), width)

    def _squeeze(self) -> Known | None:
        """Between the largest left-over that is closed, and the smallest air."""
        pairs = [wall for wall in self.unforced if not _filled(wall)]
        closed = [self._left_over(wall, self.b) for wall in pairs if wall.fill == "solid"]
        open_ = [self._left_over(wall, self.b) for wall in pairs if wall.fill == "hollow"]
        if not open_:
            return None
        most = max(0.0, min(open_))
        least = max([0.0, *(room for room in closed if room <= most)])
        return self._with_ends(Known.between(least, most), 1)

    def _smallest_fill(self) -> Known | None:
        """Between the largest left-over without filling, and the smallest with."""
        filled = [self._left_over(wall, self.a) for wall in self.unforced if _filled(wall)]
        if not filled:
            return None
        # Beads of one width leave air beyond what is squeezed; others may fill it by themselves.
        unfilled = [
            self._left_over(wall, self.a)
            for wall in self.unforced
            if not _filled(wall) and (self.ends is None or wall.fill == "hollow")
        ]
        least = min(filled)
        most = max([0.0, *(room for room in unfilled if room < least)])
        return self._with_ends(Known.between(most, least), 0)

    def _with_ends(self, known: Known, end: int) -> Known:
        """A left-over, of beads that vary: their narrowest (0) or widest (1) may be otherwise."""
        if self.ends is None:
            return known
        beads = 2 * max(map(_pairs, self.laid))
        more = beads * max(0.0, self.ends[end].uncertainty - _READ)
        return Known(known.value, known.uncertainty + more)

    def _offset(self) -> Known | None:
        return _spread(
            [
                (last.middle - first.middle) + (first.width + last.width) / 2 - wall.nominal
                for wall in self.unforced
                for first, last in ((wall.strands[0], wall.strands[-1]),)
            ]
        )


def _pairs(wall: LaidAcross) -> int:
    """An odd strand is in the middle: filling, or a bead alone."""
    return len(wall.strands) // 2


def _filled(wall: LaidAcross) -> bool:
    return wall.filled or (len(wall.strands) > 2 and len(wall.strands) % 2 == 1)


def _unforced(wall: LaidAcross) -> bool:
    """Whether the strands of both sides lie side by side, not on each other."""
    pairs, strands = _pairs(wall), wall.strands
    if not pairs:
        return False
    one, other = strands[pairs - 1], strands[-pairs]
    return other.middle - one.middle > (1 - _FORCED) * (one.width + other.width) / 2


def _width(wall: LaidAcross) -> float:
    """Usual width of the strands of pairs, mm."""
    pairs = _pairs(wall)
    return median(strand.width for strand in (*wall.strands[:pairs], *wall.strands[-pairs:]))


def _usual(values: Sequence[float], near: float) -> float:
    """The value that has most others near it."""
    return max(values, key=lambda value: sum(abs(value - other) < near for other in values))


def _spread(values: Sequence[float]) -> Known:
    """The median, and how far most of the values lie from it: all but a tenth on either side."""
    ordered, cut = sorted(values), len(values) // 10
    middle = median(ordered)
    inner = ordered[cut : len(ordered) - cut]
    return Known(middle, max(_READ, middle - inner[0], inner[-1] - middle))
