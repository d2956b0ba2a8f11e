"""The model of how beads fill a wall, against counting beads in whole hundredths."""

import math
import random
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from wallguard.bands.beads import BETWEEN, FILLS, Settings, edges, lay, shared
from wallguard.rules.model import Beads


def random_beads(rng, varies):
    """Settings in hundredths, from likely to odd, so that no edge hangs on a rounding."""
    width = rng.randint(20, 90) / 100
    spread = (rng.randint(10, round(width * 100)) / 100, width + rng.randint(1, 40) / 100)
    squeeze = rng.randint(0, 30) / 100
    single = rng.random() < 0.8
    return Beads(
        width=width,
        width_varies=spread if varies else None,
        contours=rng.randint(1, 5),
        smallest_wall=rng.randint(0, 120) / 100,
        squeeze=squeeze,
        smallest_fill=squeeze + rng.randint(0, 100) / 100,
        between_one_and_two=rng.choice(("two beads", "dropped", "one bead")[: 2 + single]),
        uncertainty=0.05,
        single_bead=single,
        offset=rng.randint(-5, 5) / 100,
    )


def hundredths(length):
    return round(length * 100)


def expected_fixed(beads, t):
    """Fill, printed and air of a wall of t hundredths, counted in whole hundredths."""
    w, squeeze, fill = (hundredths(x) for x in (beads.width, beads.squeeze, beads.smallest_fill))
    if t < hundredths(beads.smallest_wall):
        return "missing", None, 0
    if t <= w and beads.single_bead:
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
    if t < a and beads.single_bead:
        return "solid", a, 0
    if t <= b and t < 2 * a and beads.single_bead:
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
        printed = [np.nan if one is None else one / 100 + beads.offset for one in printed]
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
        drawn = laid.printed - beads.offset
        assert beside[hollow] + laid.air[hollow] == pytest.approx(drawn[hollow])
        # What beads do not take of a solid wall is squeezed shut, or filling; one more bead as
        # filling may have to do with less room than a contour.
        left_over = (drawn - beside)[~hollow & ~missing & (laid.number % 2 == 0)]
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


def by_volume(beads, **changes):
    return replace(beads, spacing="from volume", **changes)


USUAL = Beads(width=0.45, contours=2, smallest_wall=0.4, squeeze=0.05, smallest_fill=0.3)


def test_beads_spaced_by_volume_leave_out_no_material():
    """The area of a bead is a rectangle with half-round ends; so much fills spacing x height."""
    for width, height in ((0.45, 0.2), (0.52, 0.2), (0.68, 0.3), (0.4, 0.4)):
        area = height * (width - height) + math.pi * height**2 / 4
        beads = by_volume(USUAL, width=width)
        assert (width - shared(beads, height)) * height == pytest.approx(area)
    assert 0.45 - shared(by_volume(USUAL), 0.2) == pytest.approx(0.407, abs=5e-4)


def test_a_left_over_begins_where_beads_that_overlap_end():
    settings = Settings.of(by_volume(USUAL, squeeze=0), 0.2)
    assert settings.together(4, settings.widest) == pytest.approx(1.671, abs=5e-4)
    laid = lay(np.array([0.85, 1.10, 1.20, 1.67, 1.68, 1.80, 1.96, 1.98]), settings)
    assert [FILLS[code] for code in laid.fill] == [
        *("solid", "hollow", "solid", "solid", "hollow", "hollow", "hollow", "solid")
    ]
    assert laid.air[5] == pytest.approx(1.80 - 1.671, abs=5e-4)


@pytest.mark.parametrize("varies", [False, True])
def test_closer_beads_fill_a_wall_as_narrower_ones_fill_a_narrower_wall(varies):
    """k beads that share o are as thick as k beads narrower by o, and o: from two beads on the
    one model at t is the other at t - o."""
    for seed in range(60):
        wide = random_beads(random.Random(seed), varies)
        o = 0.04
        a, b = wide.width_varies or (wide.width, wide.width)
        spread = (a - o, b - o) if varies else None
        slim = replace(wide, width=wide.width - o, width_varies=spread, smallest_wall=0)
        close = replace(wide, spacing=wide.width - o, smallest_wall=0)
        at = np.arange(round(200 * a) + 1, 1200) / 100
        one, other = lay(at, Settings.of(close)), lay(at - o, Settings.of(slim))
        assert np.array_equal(one.fill, other.fill), close
        assert np.array_equal(one.number, other.number), close
        assert one.air == pytest.approx(other.air), close
        assert one.width == pytest.approx(other.width + o, abs=1e-4), close


def test_filling_that_reaches_into_contours_takes_smaller_left_overs():
    at = np.arange(90, 400) / 100
    for seed in range(30):
        beads = random_beads(random.Random(seed), varies=bool(seed % 2))
        over = replace(beads, fill_overlap=0.05)
        easier = replace(beads, smallest_fill=beads.smallest_fill - 0.1)
        given, meant = (lay(at, Settings.of(one)) for one in (over, easier))
        assert np.array_equal(given.fill, meant.fill)


def test_spacing_by_width_is_what_holds_where_none_is_given():
    at = np.arange(600) / 100
    for seed in range(20):
        beads = random_beads(random.Random(seed), varies=bool(seed % 2))
        one, other = (
            lay(at, Settings.of(replace(beads, spacing=said), 0.2)) for said in (None, "width")
        )
        assert np.array_equal(one.fill, other.fill)
        assert np.array_equal(one.width, other.width)


def test_spacing_by_volume_needs_the_layer_height():
    with pytest.raises(ValueError, match="layer height"):
        Settings.of(by_volume(USUAL))
