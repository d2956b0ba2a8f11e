import math
import random
from itertools import pairwise

import pytest

from wallguard.bands.calculated import calculated
from wallguard.bands.table import Band, BandTable, merged, reading
from wallguard.rules.model import Beads


def band(lower, upper, fill="solid", offset=0.0, slope=1.0, uncertainty=0.0, solid_width=0.0):
    return Band(lower, upper, fill, offset, slope, uncertainty, "declared", solid_width)


def table(*bands):
    return BandTable(tuple(bands))


THREE = table(
    band(0, 0.8, "missing", slope=0),
    band(0.8, 1.2),
    band(1.2, math.inf, "hollow", solid_width=1.0),
)


@pytest.mark.parametrize(
    ("bands", "said"),
    [
        ((), "at least one band"),
        ((band(0.1, math.inf),), "first band begins at 0.1 mm, not at 0"),
        ((band(0, 1),), "last band ends at 1 mm"),
        ((band(0, 1), band(1.1, math.inf)), "from 1.1 mm leaves a hole after"),
        ((band(0, 1), band(0.9, math.inf)), "from 0.9 mm overlaps the band from 0 to 1 mm"),
        ((band(0, 0), band(0, math.inf)), "ends at 0 mm"),
        ((band(0, math.nan),), "not finite"),
        ((band(0, math.inf, offset=math.nan),), "not finite"),
        ((band(0, math.inf, slope=math.inf),), "not finite"),
        ((band(0, math.inf, uncertainty=-0.1),), "negative uncertainty"),
        ((band(0, math.inf, solid_width=-0.1),), "negative uncertainty or solid width"),
        ((band(0, math.inf, offset=-0.1),), "thinner than nothing"),
        ((band(0, math.inf, offset=3, slope=-1),), "thinner than nothing"),
        ((band(0, 4, offset=3, slope=-1), band(4, math.inf)), "thinner than nothing"),
    ],
)
def test_a_table_that_breaks_the_invariant_cannot_be_made(bands, said):
    with pytest.raises(ValueError, match=said):
        BandTable(tuple(bands))


@pytest.mark.parametrize("thickness", [0.8, 0.7999, 0.8001, 0.7951, 0.8049])
def test_a_wall_that_reads_080_is_in_the_band_from_080(thickness):
    assert THREE.outcome(thickness).fill == "solid"


def test_a_wall_that_reads_079_is_below_the_band_from_080():
    assert THREE.outcome(0.7949).fill == "missing"


def test_a_band_between_two_readings_is_never_looked_up():
    odd = table(band(0, 1.001), band(1.001, 1.009, "hollow"), band(1.009, math.inf))
    assert odd.bands[1].readings is None
    assert {odd.outcome(1 + step / 10_000).fill for step in range(100)} == {"solid"}
    assert odd.edges == (pytest.approx(1.005),)


def test_readings_of_a_band_are_its_first_and_last_hundredth():
    assert band(0.8, 1.2).readings == (0.8, 1.19)
    assert band(0.801, 1.205).readings == (0.81, 1.2)
    assert band(0.801, math.inf).readings == (0.81, math.inf)


def test_an_edge_from_an_inexact_sum_counts_as_the_number_it_means():
    three_times = 3 * 0.27  # 0.8100000000000001
    assert table(band(0, three_times, "missing"), band(three_times, math.inf)).outcome(
        0.81
    ).fill == ("solid")


def test_the_outcome_of_a_hollow_wall():
    outcome = THREE.outcome(1.5)
    assert (outcome.fill, outcome.printed, outcome.air) == ("hollow", 1.5, 0.5)
    assert outcome.deviation == 0


def test_the_outcome_of_a_missing_wall_has_no_thickness():
    outcome = THREE.outcome(0.3)
    assert (outcome.printed, outcome.deviation, outcome.air) == (None, None, 0)


def test_air_is_not_made_up_where_nobody_knows_the_skins():
    assert table(band(0, math.inf, "hollow")).outcome(1.5).air == 0


def test_air_is_never_below_zero():
    assert table(band(0, math.inf, "hollow", solid_width=2)).outcome(1.5).air == 0


@pytest.mark.parametrize("thickness", [-0.01, math.nan, math.inf])
def test_what_is_no_thickness_is_refused(thickness):
    with pytest.raises(ValueError, match="not a thickness"):
        THREE.outcome(thickness)


@pytest.mark.parametrize(
    ("offset", "uncertainty", "verdict"),
    [
        (0.10, 0.05, "solid"),  # up to +0.15 and no more
        (0.11, 0.05, "indeterminate"),
        (0.20, 0.05, "indeterminate"),  # from +0.15 on
        (0.21, 0.05, "thickened"),
        (-0.05, 0.05, "solid"),  # down to -0.10 and no more
        (-0.06, 0.05, "indeterminate"),
        (-0.15, 0.05, "indeterminate"),
        (-0.16, 0.05, "thinned"),
        (0.0, 0.2, "indeterminate"),
        (0.15, 0.0, "solid"),
        (0.16, 0.0, "thickened"),
        (-0.11, 0.0, "thinned"),
    ],
)
def test_the_uncertainty_counts_against_whoever_makes_the_claim(offset, uncertainty, verdict):
    one = table(band(0, 1, "missing"), band(1, math.inf, offset=offset, uncertainty=uncertainty))
    assert one.classify(2, (0.10, 0.15)) == verdict


def test_other_fills_are_classified_by_name_and_uncertain_as_indeterminate():
    some = table(
        band(0, 1, "missing"), band(1, 2, "hollow"), band(2, 3, "uncertain"), band(3, math.inf)
    )
    verdicts = [some.classify(at, (0, 0)) for at in (0.5, 1.5, 2.5, 3.5)]
    assert verdicts == ["missing", "hollow", "indeterminate", "solid"]


def test_a_deviation_that_equals_the_tolerance_in_decimals_is_within_it():
    one = table(band(0, math.inf, offset=1.1, slope=0))
    assert 1.1 - 0.95 > 0.15  # in binary
    assert one.classify(0.95, (0.15, 0.15)) == "solid"
    assert one.classify(0.94, (0.15, 0.15)) == "thickened"


def test_good_ranges_end_where_the_deviation_leaves_the_tolerance():
    one = table(
        band(0, 0.5, "missing"),
        band(0.5, 1.1, offset=1.1, slope=0, uncertainty=0.05),
        band(1.1, 1.4, uncertainty=0.05),
        band(1.4, 1.7, "hollow"),
        band(1.7, math.inf, uncertainty=0.05),
    )
    assert one.good_ranges((0.15, 0.15)) == ((1.0, 1.39), (1.7, math.inf))
    assert one.good_ranges((0.15, 0.15), minimum=1.2) == ((1.2, 1.39), (1.7, math.inf))
    assert one.good_ranges((0.04, 0.15)) == ((1.0, 1.09),)
    assert one.good_ranges((0.04, 0.05)) == ()


def test_a_last_band_that_shrinks_in_proportion_is_good_up_to_a_point():
    assert table(band(0, math.inf, slope=0.9)).good_ranges((0.1, 0.1)) == ((0.01, 1.0),)


def test_neighbours_with_the_same_rule_are_merged():
    rows = (band(0, 1), band(1, 2), band(2, 3, "hollow"), band(3, math.inf, "hollow"))
    assert merged(rows) == (band(0, 2), band(2, math.inf, "hollow"))


def test_bands_are_not_merged_over_a_hole_or_an_overlap():
    hole = (band(0, 1), band(1.1, math.inf))
    overlap = (band(0, 1), band(0.9, math.inf))
    assert (merged(hole), merged(overlap)) == (hole, overlap)


def test_edges_stand_half_way_between_two_readings():
    assert [round(edge, 9) for edge in THREE.edges] == [0.795, 1.195]
    assert table(band(0, math.inf)).edges == ()


def test_an_edge_and_the_lookup_agree_to_the_last_bit():
    for half in (step / 1000 for step in range(5, 4000, 10)):
        start = reading(half + 0.004)
        two = table(band(0, start, "missing"), band(start, math.inf))
        (edge,) = two.edges
        assert two.outcome(edge).fill == "solid", half
        assert two.outcome(math.nextafter(edge, 0)).fill == "missing", half


def random_table(rng):
    """Contiguous bands with edges on and off the hundredths, some narrower than one."""
    ends = sorted({round(rng.uniform(0.001, 3), rng.choice((2, 3, 4))) for _ in range(8)})
    rows = []
    for lower, upper in zip([0, *ends], [*ends, math.inf], strict=True):
        fill = rng.choice(("solid", "solid", "hollow", "missing", "uncertain"))
        slope = rng.choice((0.0, 0.9, 1.0, 1.0, 1.1))
        offset = round(rng.uniform(0, 0.3), 3) + (lower if slope == 0 else 0)
        rows.append(band(lower, upper, fill, offset, slope, round(rng.uniform(0, 0.1), 3)))
    return table(*rows)


def test_good_ranges_hold_exactly_the_readings_that_classify_as_solid():
    for seed in range(40):
        rng = random.Random(seed)
        some = random_table(rng)
        tolerance = (round(rng.uniform(0, 0.3), 4), round(rng.uniform(0, 0.3), 4))
        ranges = some.good_ranges(tolerance)
        for step in range(1, 400):
            thickness = step / 100
            inside = any(first <= thickness <= last for first, last in ranges)
            assert inside == (some.classify(thickness, tolerance) == "solid"), (seed, thickness)
        assert all(before[1] + 0.015 < after[0] for before, after in pairwise(ranges)), seed


def test_every_thickness_has_the_outcome_of_the_one_band_that_holds_its_reading():
    for seed in range(40):
        rng = random.Random(seed)
        some = random_table(rng)
        edges = some.edges
        starts = [row for row in some.bands if row.readings is not None]
        for _ in range(300):
            thickness = rng.uniform(0, 4)
            nominal = reading(thickness)
            (held,) = [row for row in some.bands if row.lower - 1e-6 <= nominal < row.upper - 1e-6]
            assert some.outcome(thickness).band is held, seed
            assert starts[sum(thickness >= edge for edge in edges)] is held, seed


def test_verdict_edges_stand_where_the_band_or_the_verdict_changes_and_nowhere_else():
    for seed in range(20):
        draw = random.Random(seed)
        width = draw.uniform(0.3, 0.7)
        table = calculated(
            Beads(
                width=width,
                contours=draw.randint(1, 3),
                smallest_wall=draw.uniform(0.2, 0.4),
                squeeze=draw.uniform(0.02, 0.1),
                smallest_fill=draw.uniform(0.2, 0.5),
                uncertainty=draw.uniform(0, 0.1),
            )
        )
        tolerance = draw.uniform(0.05, 0.3), draw.uniform(0.05, 0.3)
        said = [
            (table.outcome(at / 100).band, table.classify(at / 100, tolerance)) for at in range(400)
        ]
        changes = [at for at in range(1, 400) if said[at] != said[at - 1]]
        edges = [edge for edge in table.verdict_edges(tolerance) if edge < 3.99]
        assert edges == pytest.approx([(at - 0.5) / 100 for at in changes]), seed
