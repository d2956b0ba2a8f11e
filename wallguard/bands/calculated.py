"""The band table of a process from its bead settings.

The model, for a wall of nominal thickness t. A bead is between `a` and `b` wide; where its width is
fixed, a = b = w. Two things are known of every contour: it is laid along the outline with its outer
edge on it, and it comes in pairs, one for each face of the wall. From that follows:

**Below the smallest wall** nothing is printed: missing.

**One bead** serves up to its own width. It comes out as wide as it is: a fixed one w, whatever was
drawn; a varying one as drawn between a and b, and a where the wall is thinner than that. Squeezing
closes air between two beads; it does not make one bead serve a wall that is wider than the bead.

**Between one bead and two** (b < t < 2 a) the wall is too thick for one and too thin for two. The
process may lay two beads all the same: their material has to go somewhere, they push each other
outward and come out 2 a wide, thicker than drawn. Or it lays one, as wide as it gets: b, thinner
than drawn. Or it drops the wall: missing.

**From two beads on** (t >= 2 a) there are m pairs, as many as fit at their narrowest, at most n:
m = min(n, floor(t / 2 a)). The outermost two stand on the outlines, so the wall comes out as drawn,
whatever its middle looks like. In its middle:

- t <= 2 m b + squeeze: the pairs, as wide as need be, meet, or nearly so and the rest is closed by
  squeezing: solid;
- t >= 2 m a + smallest_fill: the pairs, as narrow as need be, leave room for filling: solid;
- between: hollow, the pairs as wide as they get, and air = t - 2 m b.

With a fixed width both are about one left-over, g = t - 2 m w. There the filling takes all of it,
from smallest_fill up to where the next pair fits. Where the width varies the filling is one more
bead of at most b: past (2 m + 1) b + squeeze, and before the next pair fits, the wall is hollow
again, with air = t - (2 m + 1) b. So it is hollow where no whole number of beads fits, and nowhere
if the widest bead is wide enough.

**Beyond n pairs** a raster or filling beads take what is left, however much that is, once it is
smallest_fill: sparse on purpose or not, that is not a wall's void and never a finding.

`width` itself says nothing where the width varies, nor does `nozzle`. The model is for long
straight walls, away from the seam and the first layers; `uncertainty` is for what it leaves out.
How beads behave is common practice, no published source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from wallguard.bands.table import Band, BandTable, merged
from wallguard.rules.model import Beads, Fill

# Edges are computed to the nanometre, so that equal edges from unlike sums are equal numbers.
_DECIMALS = 6

# A band ends below its upper end. Where a limit is itself allowed the band ends this much (mm)
# above it: a wall as thick as one bead gets one bead, a left-over equal to `squeeze` is closed.
_INCLUDED = 1e-5

# (fill, offset, slope, solid width): the rule of a band, see `Band`.
_Rule = tuple[Fill, float, float, float]

_AS_DRAWN: _Rule = ("solid", 0.0, 1.0, 0.0)
_MISSING: _Rule = ("missing", 0.0, 0.0, 0.0)


def calculated(beads: Beads) -> BandTable:
    """The band table that follows from bead settings, by the model above.

    Raises ValueError for settings from which no table follows (no contour, numbers not finite).
    """
    if beads.contours < 1:
        raise ValueError(f"{beads.contours} contours on each side of a wall: there must be one")
    bands = []
    lower = 0.0
    for end, rule in _ends(beads):
        upper = round(end, _DECIMALS)
        if upper <= lower:
            continue
        band = _band(lower, upper, rule, beads.uncertainty)
        # A band between two readings is never looked up: it would only part its neighbours.
        if band.readings is not None:
            bands.append(band)
            lower = upper
    return BandTable(merged(bands))


def _ends(beads: Beads) -> Iterator[tuple[float, _Rule]]:
    """Rules in order of thickness, each with where it ends; one that ends too early is void."""
    narrowest, widest = beads.width_varies or (beads.width, beads.width)
    yield beads.smallest_wall, _MISSING
    yield narrowest + _INCLUDED, _as_wide_as(narrowest)
    yield min(widest + _INCLUDED, 2 * narrowest), _AS_DRAWN
    yield 2 * narrowest, _between(beads, narrowest, widest)
    squeezed = beads.squeeze + _INCLUDED
    for count in range(2, 2 * beads.contours + 1, 2):
        following = (count + 2) * narrowest if count < 2 * beads.contours else math.inf
        filled = count * narrowest + beads.smallest_fill
        yield min(count * widest + squeezed, following), _AS_DRAWN
        yield min(filled, following), _hollow(count * widest)
        if beads.width_varies and following < math.inf:
            filling = (count + 1) * widest
            yield min(filling + squeezed, following), _AS_DRAWN
            yield following, _hollow(filling)
        yield following, _AS_DRAWN


def _between(beads: Beads, narrowest: float, widest: float) -> _Rule:
    match beads.between_one_and_two:
        case "two beads":
            return _as_wide_as(2 * narrowest)
        case "one bead":
            return _as_wide_as(widest)
        case "dropped":
            return _MISSING


def _as_wide_as(width: float) -> _Rule:
    return ("solid", width, 0.0, 0.0)


def _hollow(solid_width: float) -> _Rule:
    return ("hollow", 0.0, 1.0, solid_width)


def _band(lower: float, upper: float, rule: _Rule, uncertainty: float) -> Band:
    fill, offset, slope, solid_width = rule
    return Band(
        lower=lower,
        upper=upper,
        fill=fill,
        offset=round(offset, _DECIMALS),
        slope=slope,
        uncertainty=0.0 if fill == "missing" else uncertainty,
        source="calculated",
        solid_width=round(solid_width, _DECIMALS),
    )
