import math
from dataclasses import replace

import pytest

from wallguard.bands.calculated import calculated
from wallguard.bands.declared import band_table
from wallguard.bands.table import Band
from wallguard.base.errors import InputError
from wallguard.rules.model import Beads, DeclaredBand, Rules

BEADS = Beads(
    width=0.4, contours=1, smallest_wall=0.3, squeeze=0.1, smallest_fill=0.3, edge_uncertainty=0
)


def rules(category="material extrusion", beads=None, bands=()):
    return Rules("rules/a.yaml", "a", category, 0.2, beads=beads, bands=tuple(bands))


def test_beads_alone_give_the_calculated_table():
    assert band_table(rules(beads=BEADS)) == calculated(BEADS)


def test_declared_bands_alone_keep_what_they_say():
    table = band_table(
        rules(
            bands=[
                DeclaredBand(0, 0.5, "missing", uncertainty=0.2),
                DeclaredBand(0.5, 1, "solid", 0.1, 0.03, "measured", slope=0.9),
                DeclaredBand(1, 2, "hollow", uncertainty=0.1, solid_width=0.8),
                DeclaredBand(2, None, "uncertain"),
            ]
        )
    )
    assert table.bands == (
        Band(0, 0.5, "missing", 0, 0, 0, "declared"),
        Band(0.5, 1, "solid", 0.1, 0.9, 0.03, "measured"),
        Band(1, 2, "hollow", 0, 1, 0.1, "declared", 0.8),
        Band(2, math.inf, "uncertain", 0, 1, 0, "declared"),
    )


def test_a_declared_band_goes_over_calculated_ones():
    over = [DeclaredBand(0.85, 1.0, "solid", 0.95, 0.02)]
    table = band_table(rules(beads=BEADS, bands=over))
    around = [(row.fill, row.source) for row in table.bands if 0.8 <= row.lower <= 1.1]
    assert around == [
        ("solid", "calculated"),
        ("solid", "declared"),
        ("hollow", "calculated"),
        ("solid", "calculated"),
    ]
    assert table.outcome(0.85).printed == 0.95
    assert table.outcome(0.84).printed == pytest.approx(0.84)
    assert table.outcome(1.0).fill == "hollow"


def test_declared_bands_may_come_in_any_order():
    first, second = DeclaredBand(0, 1, "missing"), DeclaredBand(1, None, "solid")
    assert band_table(rules(bands=[second, first])) == band_table(rules(bands=[first, second]))


def test_a_declared_band_without_end_hides_all_calculated_ones_beyond():
    table = band_table(rules(beads=BEADS, bands=[DeclaredBand(0.6, None, "hollow")]))
    assert table.bands[-1].source == "declared"
    assert table.outcome(5).fill == "hollow"


@pytest.mark.parametrize("category", ["vat photopolymerization", "powder bed fusion"])
def test_a_process_without_beads_prints_as_drawn_unless_it_says_otherwise(category):
    table = band_table(rules(category))
    assert table.bands == (Band(0, math.inf, "solid", 0, 1, 0, "assumed"),)
    assert table.classify(0.05, (0, 0)) == "solid"


@pytest.mark.parametrize(
    ("bands", "said"),
    [
        ([DeclaredBand(0, 1, "solid"), DeclaredBand(0.9, None, "solid")], "overlaps"),
        ([DeclaredBand(0, 1, "solid"), DeclaredBand(1.1, None, "solid")], "leaves a hole"),
        ([DeclaredBand(0, 1, "solid")], "last band ends at 1 mm"),
        ([], "at least one band"),
    ],
)
def test_contradictory_bands_are_an_error_that_names_the_file(bands, said):
    with pytest.raises(InputError, match=said) as caught:
        band_table(rules(bands=bands))
    assert caught.value.path == "rules/a.yaml"


def test_overlapping_bands_are_an_error_over_calculated_ones_too():
    rows = [DeclaredBand(0.2, 1, "solid"), DeclaredBand(0.9, 1.5, "solid")]
    with pytest.raises(InputError, match="overlaps"):
        band_table(rules(beads=BEADS, bands=rows))


def test_the_bands_of_one_axis_hold_for_walls_along_it_only():
    shared = (DeclaredBand(0, None, "hollow", 1.0),)
    along_y = (DeclaredBand(0, 0.5, "missing"), DeclaredBand(0.5, None, "solid"))
    rules = Rules("r.yaml", "r", "powder bed fusion", 0.1, bands=shared, axes={"y": along_y})
    assert [band.fill for band in band_table(rules).bands] == ["hollow"]
    assert band_table(rules, "x") == band_table(rules)
    assert [band.fill for band in band_table(rules, "y").bands] == ["missing", "solid"]


@pytest.mark.parametrize("growth", [0.05, 0.0, 0.2])
def test_faces_that_grow_thicken_every_wall_by_twice_as_much(growth):
    powder = replace(rules("powder bed fusion"), growth=growth, growth_uncertainty=0.03)
    table = band_table(powder)
    assert table.basis == "declared"
    for drawn in (0.3, 1.0, 7.0):
        outcome = table.outcome(drawn)
        assert (outcome.fill, outcome.uncertainty) == ("solid", 0.03)
        assert outcome.printed == pytest.approx(drawn + 2 * growth)


def test_faces_that_shrink_leave_nothing_of_what_is_too_thin():
    table = band_table(replace(rules("vat photopolymerization"), growth=-0.05))
    assert table.outcome(0.09).fill == "missing"
    assert table.outcome(0.11).printed == pytest.approx(0.01)
    assert table.outcome(1.0).deviation == pytest.approx(-0.1)


def test_bands_go_before_what_follows_from_growth():
    few = [DeclaredBand(0, 0.3, "missing"), DeclaredBand(0.3, 0.6, "solid", 0.2, 0.02, slope=1)]
    table = band_table(replace(rules("powder bed fusion", bands=few), growth=0.05))
    printed = [table.outcome(drawn).printed for drawn in (0.2, 0.4, 1.0)]
    assert printed == [None, pytest.approx(0.6), pytest.approx(1.1)]
