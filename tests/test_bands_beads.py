"""The model of how beads fill a wall, against counting beads in whole hundredths."""

import random
from itertools import pairwise

import numpy as np
import pytest

from wallguard.bands.beads import BETWEEN, FILLS, Settings, edges, lay
from wallguard.rules.model import Beads


def random_beads(rng, varies):
    """Settings in hundredths, from likely to odd, so that no edge hangs on a rounding."""
    width = rng.randint(20, 90) / 100
    spread = (rng.randint(10, round(width * 100)) / 100, width + rng.randint(1, 40) / 100)
    squeeze = rng.randint(0, 30) / 100
    return Beads(
        width=width,
        width_varies=spread if varies else None,
        contours=rng.randint(1, 5),
        smallest_wall=rng.randint(0, 120) / 100,
        squeeze=squeeze,
        smallest_fill=squeeze + rng.randint(0, 100) / 100,
        between_one_and_two=rng.choice(("two beads", "one bead", "dropped")),
        uncertainty=0.05,
    )


def hundredths(length):
    return round(length * 100)


def expected_fixed(beads, t):
    """Fill, printed and air of a wall of t hundredths, counted in whole hundredths."""
    w, squeeze, fill = (hundredths(x) for x in (beads.width, beads.squeeze, beads.smallest_fill))
    if t < hundredths(beads.smallest_wall):
        return "missing", None, 0
    if t <= w:
        return "solid", w, 0
    if t < 2 * w:
        forced = {"two beads": 2 * w, "one bead": w, "dropped": None}[beads.between_one_and_two]
        return ("missing" if forced is None else "solid"), forced, 0
    m = max(m for m in range(1, beads.contours + 1) if 2 * m * w <= t)
    g = t - 2 * m * w
    return ("hollow", t, g) if squeeze < g < fill else ("solid", t, 0)


def expected_varying(beads, t):
    """The same by asking each number of beads whether it fits."""
    assert beads.width_varies is not None
    a, b = map(hundredths, beads.width_varies)
    squeeze, fill = hundredths(beads.squeeze), hundredths(beads.smallest_fill)
    if t < hundredths(beads.smallest_wall):
        return "missing", None, 0
    if t < a:
        return "solid", a, 0
    if t <= b and t < 2 * a:
        return "solid", t, 0
    if t < 2 * a:
        forced = {"two beads": 2 * a, "one bead": b, "dropped": None}[beads.between_one_and_two]
        return ("missing" if forced is None else "solid"), forced, 0
    n = beads.contours
    beads_at_most = 2 * min(n, t // (2 * a))
    starts = {beads_at_most: beads_at_most * a}
    starts[beads_at_most + 1] = beads_at_most * a + fill
    counts = [count for count, start in starts.items() if start <= t]
    if any(t <= count * b + squeeze for count in counts):
        return "solid", t, 0
    if beads_at_most == 2 * n and beads_at_most + 1 in counts:
        return "solid", t, 0  # the raster takes whatever is left
    return "hollow", t, t - max(counts) * b


@pytest.mark.parametrize("varies", [False, True])
def test_random_settings_give_what_counting_beads_gives(varies):
    expected = expected_varying if varies else expected_fixed
    for seed in range(60):
        beads = random_beads(random.Random(seed), varies)
        laid = lay(np.arange(1200) / 100, Settings.of(beads))
        fills, printed, air = zip(*(expected(beads, t) for t in range(1200)), strict=True)
        assert [FILLS[code] for code in laid.fill] == list(fills), beads
        printed = [np.nan if one is None else one / 100 for one in printed]
        assert laid.printed == pytest.approx(printed, nan_ok=True, abs=1e-4), beads
        assert laid.air == pytest.approx(np.array(air) / 100), beads


@pytest.mark.parametrize("varies", [False, True])
def test_beads_and_air_fill_the_wall_and_no_bead_is_wider_than_it_can_be(varies):
    for seed in range(60):
        beads = random_beads(random.Random(seed), varies)
        laid = lay(np.arange(1200) / 100, Settings.of(beads))
        low, high = beads.width_varies or (beads.width, beads.width)
        assert (laid.width >= low).all()
        assert (laid.width <= high).all()
        missing, hollow, _ = (laid.fill == code for code in range(3))
        assert (missing == (laid.number == 0)).all()
        beside = laid.number * laid.width
        assert beside[hollow] + laid.air[hollow] == pytest.approx(laid.printed[hollow])
        # What beads do not take of a solid wall is squeezed shut, or filling; one more bead as
        # filling may have to do with less room than a contour.
        left_over = (laid.printed - beside)[~hollow & ~missing & (laid.number % 2 == 0)]
        assert (left_over > -1e-4).all()


def test_many_settings_at_once_give_what_one_by_one_gives():
    every = [random_beads(random.Random(seed), bool(seed % 2)) for seed in range(50)]
    at = np.arange(900) / 100
    columns = np.array([[float(number) for number in Settings.of(beads)] for beads in every])
    together = lay(at, Settings(*columns.T[:, :, None]))
    for row, beads in enumerate(every):
        alone = lay(at, Settings.of(beads))
        for name in ("fill", "number", "width", "printed", "air"):
            found = getattr(together, name)[row]
            assert np.array_equal(found, getattr(alone, name), equal_nan=name == "printed")


def test_between_two_edges_one_rule_holds():
    for seed in range(60):
        beads = random_beads(random.Random(seed), bool(seed % 2))
        ends = [0.0, *edges(beads), edges(beads)[-1] + 2]
        inside = np.linspace(0.01, 0.99, 7)
        for low, high in pairwise(ends):
            if high - low > 1e-3:
                laid = lay(low + (high - low) * inside, Settings.of(beads))
                assert len(set(zip(laid.fill.tolist(), laid.number.tolist(), strict=True))) == 1


def test_the_choices_between_one_bead_and_two_are_those_of_a_rule_file():
    for choice in BETWEEN:
        beads = Beads(0.4, 2, 0.3, 0.1, 0.3, between_one_and_two=choice)
        (number,) = lay(np.array([0.6]), Settings.of(beads)).number
        assert number == {"two beads": 2, "one bead": 1, "dropped": 0}[choice]
