import math
import random
from itertools import pairwise

import numpy as np
import pytest
from test_bands_beads import random_beads

from wallguard.bands.advice import nearest_drawn
from wallguard.bands.beads import FILLS, Settings, lay
from wallguard.bands.calculated import calculated
from wallguard.rules.model import Beads

# Facts of the trade: common practice, no published source. Both with a 0.4 mm nozzle:
# nominal thickness, what callipers read on the print (mm), and what is inside.
READ_ON_A = [
    (2.0, 2.01, "solid"),
    (1.5, 1.5, "hollow"),
    (1.0, 1.2, "solid"),
    (0.8, 1.2, "solid"),
    (0.6, 1.1, "solid"),
    (0.4, None, "missing"),
]
READ_ON_D = [
    (2.0, 1.95, "solid"),
    (1.5, 1.56, "solid"),
    (1.0, 0.94, "hollow"),
    (0.8, 0.84, "solid"),
    (0.6, 0.67, "solid"),
    (0.4, 0.36, "solid"),
]
# A lays wide beads of one width, 1.44 nozzle diameters.
A = Beads(
    nozzle=0.4, width=0.575, contours=2, smallest_wall=0.5, squeeze=0.075, smallest_fill=0.575
)
# D varies its beads from 0.9 to 1.15 nozzle diameters.
D = Beads(
    nozzle=0.4,
    width=0.41,
    width_varies=(0.36, 0.46),
    contours=2,
    smallest_wall=0.3,
    squeeze=0.05,
    smallest_fill=0.36,
)
BY_HAND = Beads(width=0.4, contours=2, smallest_wall=0.3, squeeze=0.1, smallest_fill=0.3)


def rows(beads):
    return [(row.lower, row.upper, row.fill) for row in calculated(beads).bands]


@pytest.mark.parametrize(
    ("beads", "nominal", "read", "fill"),
    [(A, *row) for row in READ_ON_A] + [(D, *row) for row in READ_ON_D],
)
def test_what_callipers_read_on_two_machines(beads, nominal, read, fill):
    outcome = calculated(beads).outcome(nominal)
    assert outcome.fill == fill
    if read is None:
        assert outcome.printed is None
    else:
        assert outcome.printed == pytest.approx(read, abs=0.15)


@pytest.mark.parametrize(
    ("beads", "nominal", "fill"),
    [(A, at, fill) for at, _, fill in READ_ON_A] + [(D, at, fill) for at, _, fill in READ_ON_D],
)
def test_no_fill_of_the_two_machines_hangs_on_a_hundredth(beads, nominal, fill):
    table = calculated(beads)
    assert {table.outcome(nominal + off).fill for off in (-0.02, 0.02)} == {fill}


def test_the_bands_of_a_fixed_width_by_hand():
    expected = [
        (0, 0.3, "missing"),
        (0.3, 0.4, "solid"),  # one bead
        (0.4, 0.8, "solid"),  # two beads forced
        (0.8, 0.9, "solid"),  # two beads, squeezed
        (0.9, 1.1, "hollow"),
        (1.1, 1.7, "solid"),  # filled, then four beads, squeezed
        (1.7, 1.9, "hollow"),
        (1.9, math.inf, "solid"),
    ]
    found = rows(BY_HAND)
    assert [row[2] for row in found] == [row[2] for row in expected]
    for row, (lower, upper, _) in zip(found, expected, strict=True):
        assert row[:2] == pytest.approx((lower, upper), abs=2e-5)


@pytest.mark.parametrize(
    ("nominal", "printed"), [(0.3, 0.4), (0.4, 0.4), (0.41, 0.8), (0.79, 0.8), (0.85, 0.85)]
)
def test_the_printed_thickness_of_thin_walls_by_hand(nominal, printed):
    outcome = calculated(BY_HAND).outcome(nominal)
    assert outcome.printed == pytest.approx(printed)
    assert outcome.uncertainty == 0.05


@pytest.mark.parametrize(
    ("choice", "printed"), [("two beads", 0.8), ("one bead", 0.4), ("dropped", None)]
)
def test_between_one_bead_and_two(choice, printed):
    beads = Beads(
        width=0.4,
        contours=2,
        smallest_wall=0.3,
        squeeze=0.1,
        smallest_fill=0.3,
        between_one_and_two=choice,
    )
    assert calculated(beads).outcome(0.6).printed == printed


def test_dropped_walls_join_those_below_the_smallest():
    beads = Beads(
        width=0.4,
        contours=1,
        smallest_wall=0.6,
        squeeze=0.3,
        smallest_fill=0.3,
        between_one_and_two="dropped",
    )
    assert rows(beads) == [(0, 0.8, "missing"), (0.8, math.inf, "solid")]


def test_a_left_over_equal_to_the_limits_is_closed_and_filled():
    table = calculated(BY_HAND)
    fills = [table.outcome(at).fill for at in (0.9, 0.91, 1.09, 1.1)]
    assert fills == ["solid", "hollow", "hollow", "solid"]
    assert table.outcome(0.91).air == pytest.approx(0.11)


def test_hollow_bands_recur_once_a_pair_of_contours():
    beads = Beads(width=0.5, contours=4, smallest_wall=0.4, squeeze=0.1, smallest_fill=0.4)
    hollow = [row[:2] for row in rows(beads) if row[2] == "hollow"]
    assert len(hollow) == 4
    for m, (lower, upper) in enumerate(hollow, start=1):
        assert (lower, upper) == pytest.approx((m + 0.1, m + 0.4), abs=2e-5)


def test_a_pair_that_fits_ends_a_hollow_band():
    beads = Beads(width=0.4, contours=3, smallest_wall=0.3, squeeze=0.1, smallest_fill=1.0)
    table = calculated(beads)
    fills = [table.outcome(at).fill for at in (1.59, 1.6, 2.0, 2.4, 3.39, 3.4)]
    assert fills == ["hollow", "solid", "hollow", "solid", "hollow", "solid"]


def test_nothing_is_hollow_where_the_beads_vary_enough():
    beads = Beads(
        width=0.4,
        width_varies=(0.3, 0.6),
        contours=3,
        smallest_wall=0.2,
        squeeze=0.0,
        smallest_fill=0.3,
    )
    assert rows(beads) == [
        (0, 0.2, "missing"),
        (0.2, 0.30001, "solid"),
        (0.30001, math.inf, "solid"),
    ]
    assert calculated(beads).outcome(0.2).printed == 0.3
    assert calculated(beads).outcome(0.45).printed == 0.45


def test_varying_beads_leave_air_where_no_whole_number_of_them_fits():
    beads = Beads(
        width=0.4,
        width_varies=(0.38, 0.42),
        contours=2,
        smallest_wall=0.3,
        squeeze=0.0,
        smallest_fill=0.38,
    )
    table = calculated(beads)
    hollow = [row[:2] for row in rows(beads) if row[2] == "hollow"]
    expected = [(2 * 0.42, 3 * 0.38), (3 * 0.42, 4 * 0.38), (4 * 0.42, 5 * 0.38)]
    assert len(hollow) == 3
    for found, wanted in zip(hollow, expected, strict=True):
        assert found == pytest.approx(wanted, abs=2e-5)
    assert table.outcome(1.4).air == pytest.approx(1.4 - 3 * 0.42)
    assert table.outcome(0.6).printed == pytest.approx(0.76)


def test_a_hollow_between_two_hundredths_parts_no_bands():
    # Three beads reach to 1.43 mm, four begin at 1.44: no wall is read as thicker and thinner.
    assert [row for row in rows(D) if row[0] > 1.1] == []
    assert all(row.readings is not None for row in calculated(D).bands)


def test_settings_without_contours_are_refused():
    with pytest.raises(ValueError, match="0 contours"):
        calculated(Beads(width=0.4, contours=0, smallest_wall=0, squeeze=0, smallest_fill=0.3))


@pytest.mark.parametrize("varies", [False, True])
def test_random_settings_give_what_the_model_says_in_merged_bands(varies):
    at = np.arange(0, 1200) / 100
    for seed in range(60):
        beads = random_beads(random.Random(seed), varies)
        table, laid = calculated(beads), lay(at, Settings.of(beads))
        outcomes = [table.outcome(t) for t in at.tolist()]
        assert [outcome.fill for outcome in outcomes] == [FILLS[code] for code in laid.fill]
        printed = [math.nan if one.printed is None else one.printed for one in outcomes]
        assert printed == pytest.approx(laid.printed.tolist(), nan_ok=True)
        assert [outcome.air for outcome in outcomes] == pytest.approx(laid.air.tolist())
        rules = [(row.fill, row.offset, row.slope, row.solid_width) for row in table.bands]
        assert all(rule != after for rule, after in pairwise(rules))


@pytest.mark.parametrize("varies", [False, True])
def test_random_settings_give_good_advice(varies):
    for seed in range(60):
        rng = random.Random(seed)
        check_advice(calculated(random_beads(rng, varies)), rng)


def check_advice(table, rng):
    tolerance = (rng.uniform(0.05, 0.2), rng.uniform(0.05, 0.2))
    for _ in range(50):
        thickness = rng.uniform(0, 12)
        for good in nearest_drawn(table, thickness, tolerance, 0.0, (1.0, 1.0)):
            assert good is not None or table.classify(thickness, tolerance) != "solid"
            for end in good or ():
                if math.isfinite(end):
                    assert table.classify(end, tolerance) == "solid"
                    assert table.classify(float(f"{end:.2f}"), tolerance) == "solid"
