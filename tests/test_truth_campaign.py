"""A slice of the campaign: what becomes of a wall, known in three ways (`campaign_truth.py`)."""

import pytest
from campaign_truth import STEPS, compare, one_process
from laid_coupons import coupon, random_settings

# Walls between steps at which the thickness changes its rule, at which two beads are forced on
# each other, and at which there is air.
BETWEEN = (0.3, 0.61, 0.8, 1.04, 1.31, 2.12)
# Dropped and no single bead; two beads forced; one bead of a width that varies.
SEEDS = (14, 19, 26)


def test_what_is_calculated_laid_and_fitted_is_one(tmp_path):
    steps = [step for step in STEPS if step < 1 or step in (1.15, 1.6, 2.25)]
    made = coupon(tmp_path, sorted((*steps, *BETWEEN)), low=True)
    for seed in SEEDS:
        told = compare(made, seed, tmp_path / "coupon.gcode")
        assert told.said == (), random_settings(seed)
        assert told.counts["calculated", "laid", ""] == len(BETWEEN)
        assert told.counts["calculated", "fitted", ""] >= 2


@pytest.mark.parametrize("seed", [249, 273])
def test_a_hump_of_forced_beads_between_two_walls_of_a_coupon_is_no_line(seed):
    """Two beads forced on each other at 0.66 mm, between walls of 0.45 and 0.70 mm as drawn."""
    assert one_process(seed).said == ()
