import math
import random
import re

import pytest

from wallguard.bands.advice import Drawn, advise, describe, range_text
from wallguard.bands.calculated import calculated
from wallguard.bands.table import Band, BandTable
from wallguard.base.units import in_unit
from wallguard.rules.model import Beads

BOTH = (0.15, 0.15)
WIDE = calculated(
    Beads(width=0.575, contours=2, smallest_wall=0.5, squeeze=0.075, smallest_fill=0.575)
)


def one_band(fill, uncertainty=0.0):
    return BandTable((Band(0, math.inf, fill, 0, 1, uncertainty, "declared"),))


@pytest.mark.parametrize(
    ("thickness", "said"),
    [
        (0.4, "will not be printed"),
        (0.8, "will come out about 1.15 mm thick (drawn 0.80)"),
        (1.2, "will come out as drawn, about 1.20 mm thick"),
        (1.5, "will print hollow, with about 0.35 mm of air"),
    ],
)
def test_describe(thickness, said):
    assert describe(WIDE.outcome(thickness)) == said


def test_describe_says_no_amount_of_air_that_nobody_knows():
    assert describe(one_band("hollow").outcome(1)) == "will print hollow"


def test_describe_owns_up_where_nobody_found_out():
    assert "nobody found out" in describe(one_band("uncertain").outcome(1))


@pytest.mark.parametrize(
    ("thickness", "minimum", "said"),
    [
        (1.5, 0.0, "draw 1.05-1.22 or 1.73-2.37 mm"),
        (1.5, 1.3, "draw 1.73-2.37 mm"),
        (1.5, 1.2, "draw 1.20-1.22 or 1.73-2.37 mm"),
        (2.6, 0.0, "draw 1.73-2.37 or ≥ 2.88 mm"),
        (0.4, 0.0, "draw 0.50-0.57 mm"),
        (0.8, 0.0, "draw 0.50-0.57 or 1.05-1.22 mm"),
        (0.8, 0.6, "draw 1.05-1.22 mm"),
        (2.0, 0.0, "2.00 mm is good to draw"),
        (2.0, 2.5, "draw ≥ 2.88 mm"),
    ],
)
def test_advise(thickness, minimum, said):
    assert advise(WIDE, thickness, BOTH, minimum) == said


@pytest.mark.parametrize(
    ("thickness", "scale", "unit", "said"),
    [
        (
            0.8,
            1 / 500,
            "mm",
            "draw 250 to 285 mm (0.50-0.57 mm printed) or 525 to 610 mm (1.05-1.22 mm printed)",
        ),
        (
            2.6,
            1 / 5000,
            "mm",
            "draw 8650 to 11850 mm (1.73-2.37 mm printed) or ≥ 14400 mm (2.88 mm printed)",
        ),
        (
            2.6,
            1 / 200,
            "m",
            "draw 0.346 to 0.474 m (1.73-2.37 mm printed) or ≥ 0.576 m (2.88 mm printed)",
        ),
        (2.0, 2, "inch", "0.03937 in (2.00 mm printed) is good to draw"),
    ],
)
def test_of_a_scaled_model_the_drawn_thickness_is_advised(thickness, scale, unit, said):
    assert advise(WIDE, thickness, BOTH, drawn=Drawn(scale, unit)) == said


@pytest.mark.parametrize("factor", [2, 87, 160, 500, 5000])
def test_following_the_advice_for_a_scaled_model_is_good(factor):
    for hundredths in range(1, 400):
        said = advise(WIDE, hundredths / 100, BOTH, drawn=Drawn(1 / factor))
        for number in re.findall(r"([\d.]+) (?:to ([\d.]+) )?mm \(", said):
            for drawn in filter(None, number):
                assert WIDE.classify(float(drawn) / factor, BOTH) == "solid", said


def test_a_length_is_written_without_a_power_of_ten():
    assert [in_unit(11170, unit) for unit in ("mm", "cm", "m")] == ["11170", "1117", "11.17"]
    assert in_unit(0.00123, "mm") == "0.00123" and in_unit(0.00001, "m") == "0"
    assert in_unit(4075.2, "mm") == "4075" and in_unit(999.96, "mm") == "1000"


def test_advise_only_thinner_where_all_that_is_thicker_is_hollow():
    table = BandTable(
        (
            Band(0, 1.225, "solid", 0, 1, 0, "declared"),
            Band(1.225, math.inf, "hollow", 0, 1, 0, "declared"),
        )
    )
    assert advise(table, 3, BOTH) == "draw ≤ 1.22 mm"


def test_advise_where_nothing_is_good():
    assert advise(one_band("hollow"), 1, BOTH) == (
        "no thickness comes out solid and within the tolerance: change the process or its settings"
    )
    assert "from 0.80 mm up" in advise(one_band("solid", 0.2), 1, BOTH, 0.8)


def test_range_text():
    assert range_text(0.9, 1.0) == "0.90-1.00"
    assert range_text(1.0, 1.0) == "1.00"
    assert range_text(1.73, math.inf) == "≥ 1.73"


@pytest.mark.parametrize("seed", range(40))
def test_every_number_advised_is_itself_good(seed):
    rng = random.Random(seed)
    table = calculated(
        Beads(
            width=rng.uniform(0.2, 0.9),
            contours=rng.randint(1, 4),
            smallest_wall=rng.uniform(0, 0.8),
            squeeze=rng.uniform(0, 0.1),
            smallest_fill=rng.uniform(0.1, 0.9),
        )
    )
    for _ in range(60):
        thickness = rng.uniform(0, 6)
        text = advise(table, thickness, BOTH)
        numbers = [float(number) for number in re.findall(r"\d+\.\d\d", text)]
        assert numbers
        assert {table.classify(number, BOTH) for number in numbers} == {"solid"}, text
        assert ("is good" in text) == (table.classify(thickness, BOTH) == "solid")


def test_what_is_off_alike_everywhere_is_not_for_the_drawing_to_mend():
    grown = BandTable((Band(0, math.inf, "solid", 0.2, 1, 0, "declared"),))
    mend = (
        "every wall comes out 0.20 mm thicker, out of tolerance: compensate that in the process's "
        "settings, or widen `tolerance`"
    )
    assert advise(grown, 1.0, BOTH) == mend
    assert advise(grown, 1.0, BOTH, 0.8) == mend
    assert advise(grown, 0.5, BOTH, 0.8) == f"draw ≥ 0.80 mm; {mend}"
