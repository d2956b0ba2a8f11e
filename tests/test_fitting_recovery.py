"""Bead settings recovered from what is laid across walls (`campaign_recovery.py` lays more)."""

import pytest
from campaign_recovery import STEPS, recovered_of, telling, wrong
from laid_coupons import H, coupon, random_settings, strands

from wallguard.coupon.laid import LaidAcross, Strand
from wallguard.fitting.recovery import recover
from wallguard.rules.model import Rules


def across(beads, steps=STEPS):
    """Walls as a toolpath lays them: what lies at one place in all layers, and what does not."""
    found = []
    for nominal in steps:
        fill, one = strands(nominal, beads, odd=False)
        _, other = strands(nominal, beads, odd=True)
        still = tuple(Strand(*bead) for bead in one if bead in other)
        found.append(LaidAcross("x", nominal, fill, still, len(still) < len(other)))
    return found


def test_settings_at_random_are_recovered_within_two_hundredths():
    told = []
    for seed in range(60):
        beads = random_settings(seed)
        for steps in (STEPS, telling(beads)):
            found = recover(across(beads, steps))
            assert wrong(found, beads) == [], beads
            told += found.numbers()
        rules = Rules("r.yaml", "r", "material extrusion", H, beads=beads)
        assert found.spacing is None or found.spacing_of(rules) == beads.spacing
    # What a toolpath does not show is not told; most of it shows.
    for name in ("width", "spacing", "smallest_wall", "squeeze", "smallest_fill", "offset"):
        assert told.count(name) >= 0.7 * 120


def test_an_edge_is_known_to_half_of_the_distance_of_the_walls_beside_it_at_most():
    beads = random_settings(1)
    found = recover(across(beads, STEPS[::4])).numbers()
    # Left-overs of more walls than two tell of squeezing and filling.
    assert found["smallest_wall"].uncertainty == pytest.approx(0.06)
    for name in ("smallest_wall", "squeeze", "smallest_fill"):
        assert found[name].uncertainty <= 0.06 + 1e-9
        assert found[name].low - 1e-9 <= getattr(beads, name) <= found[name].high + 1e-9


def test_of_nothing_nothing_is_recovered():
    assert recover([]) is None
    assert recover([LaidAcross("x", 0.4, "missing", (), False)]) is None
    assert recover([LaidAcross("x", 0.4, "solid", (Strand(0.0, 0.4),), False)]) is None


def test_a_coupon_laid_by_a_third_party_tells_how(tmp_path):
    beads = random_settings(1)
    steps = [0.32, 0.35, 0.4, 0.7, 0.9, 0.93, 0.96, 1.07, 1.1, 1.3, 1.62, 2.05, 3.1]
    recovered, said = recovered_of(coupon(tmp_path, steps), beads, tmp_path / "coupon.gcode")
    assert said == []
    assert recovered.contours == 3 and recovered.spacing.uncertainty < 0.01
