"""Uncertainty arithmetic against the GUM's own example, an independent library, and chance."""

import math
import random
from statistics import stdev

import pytest
from uncertainties import ufloat

from wallguard.coupon.callipers import CALLIPER_ERRORS, UNKNOWN_INSTRUMENT
from wallguard.fitting.uncertainty import (
    COVERAGE,
    Component,
    combined,
    covered,
    expanded,
    rectangular,
    resolution,
    scatter,
    student,
)


def test_end_gauge_calibration_of_jcgm_100_annex_h_1():
    # JCGM 100:2008, H.1.6 and table H.1, nm, from memory: uc = 32, 16 degrees, U99 = 93.
    parts = [Component(25, 18), Component(9.7, 25.6), Component(2.9, 50), Component(16.6, 2)]
    found = combined(parts)
    assert round(found.u) == 32
    assert math.floor(found.freedom) == 16
    assert student(16, 0.99) == pytest.approx(2.92, abs=0.005)
    assert student(16, 0.99) * 32 == pytest.approx(93, abs=0.5)


def test_the_comparison_loop_of_h_1_from_its_own_parts():
    # H.1.3.2: d-bar from the pooled scatter of 25 readings (13/sqrt(5) = 5.8), the comparator's
    # random (3.9) and systematic (6.7) part: 9.7 nm with 25.6 degrees, from memory.
    found = combined([Component(5.8, 24), Component(3.9, 5), Component(6.7, 8)])
    assert found.u == pytest.approx(9.7, abs=0.05)
    assert found.freedom == pytest.approx(25.6, abs=0.3)


@pytest.mark.parametrize(
    ("freedom", "factor"), [(1, 13.97), (2, 4.53), (3, 3.31), (5, 2.65), (10, 2.28), (50, 2.05)]
)
def test_students_factors_of_table_g_2(freedom, factor):
    # JCGM 100:2008, table G.2, column 95.45 %, from memory.
    assert student(freedom) == pytest.approx(factor, abs=0.005)


def test_k_is_2_for_a_normal_distribution():
    assert student(math.inf) == pytest.approx(2, abs=1e-9)
    assert expanded(Component(0.01)) == pytest.approx(0.02)


def test_type_b_of_4_3_7_and_of_a_display():
    # JCGM 100:2008, 4.3.7 and F.2.2.1 ("0,29"), from memory.
    assert rectangular(1).u == pytest.approx(1 / math.sqrt(3))
    assert resolution(1).u == pytest.approx(0.29, abs=0.002)


def test_components_add_as_the_uncertainties_library_adds_them():
    parts = [0.011, 0.0173, 0.0029]
    total = sum(ufloat(1.2 / 3, u) for u in parts)
    assert combined(map(Component, parts)).u == pytest.approx(total.std_dev, rel=1e-12)


def test_scatter_is_the_standard_deviation_pooled():
    one, other = (1.19, 1.21, 1.23), (0.80, 0.84)
    found = scatter([one, other, (2.0,)])
    expected = math.sqrt((2 * stdev(one) ** 2 + stdev(other) ** 2) / 3)
    assert (found.u, found.freedom) == (pytest.approx(expected), 3)
    assert scatter([(1.0,), (2.0,)]) == Component(0.0, 0.0)


def test_a_rectangle_alone_needs_less_than_k_2():
    # 95.45 % of a rectangle: k = 0.9545 sqrt(3) = 1.65; 2 u would be more than all of it.
    assert expanded(Component(0.0), 0.02) == pytest.approx(COVERAGE * 0.02)
    assert 2 * rectangular(0.02).u > 0.02


@pytest.mark.parametrize(("u", "limit"), [(0.01, 0.02), (0.02, 0.02), (0.002, 0.02), (0.02, 0.005)])
def test_u_covers_what_it_claims(u, limit):
    rng = random.Random(1)
    half = expanded(Component(u), limit)
    count = 40_000
    hits = sum(abs(rng.gauss(0, u) + rng.uniform(-limit, limit)) <= half for _ in range(count))
    assert hits / count == pytest.approx(COVERAGE, abs=0.004)
    assert covered(half, u, limit) == pytest.approx(COVERAGE, abs=1e-6)


@pytest.mark.parametrize("freedom", [3, 6, 20])
def test_u_covers_what_it_claims_with_few_readings(freedom):
    rng = random.Random(2)
    hits, count = 0, 3_000
    for _ in range(count):
        readings = [rng.gauss(0, 0.02) for _ in range(freedom + 1)]
        bias = rng.uniform(-0.02, 0.02)
        mean = sum(readings) / len(readings)
        one = scatter([readings])
        half = expanded(Component(one.u / math.sqrt(len(readings)), one.freedom), 0.02)
        hits += abs(mean + bias) <= half
    assert 0.945 < hits / count < 0.985


def test_calliper_errors():
    # DIN 862, from memory: a digital calliper that shows 0.01 mm may be off by 0.02 up to 100 mm,
    # one with a vernier of 0.05 by 0.05. Unknown callipers are taken for the worst.
    assert CALLIPER_ERRORS[0.01] == 0.02
    assert CALLIPER_ERRORS[0.05] == 0.05
    assert UNKNOWN_INSTRUMENT == 0.05
