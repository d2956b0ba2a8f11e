"""Known processes, printed and read many times: what a fit claims is true as often as it claims.

A short campaign of fixed seed; `python tests/campaign_coverage.py` runs a long one.
"""

import math
from itertools import pairwise

import numpy as np
import pytest
from campaign_coverage import campaign
from processes import BASE, Instrument, beads_process, read, rules_of, usual_steps

from wallguard.bands.declared import band_table
from wallguard.coupon.readings import Readings
from wallguard.fitting import settings
from wallguard.fitting.fit import fit
from wallguard.fitting.next_steps import next_steps, uncertain_width


def test_printed_thickness_of_many_coupons_lies_within_u(monkeypatch):
    # Bead settings have no part in what is measured at the steps: fewer are tried, to save time.
    monkeypatch.setattr(settings, "_FIRST", 3000)
    monkeypatch.setattr(settings, "_ROUND", 1000)
    at_steps, _ = campaign(168, seed=1, inside=False)
    everything = at_steps["all"]
    assert everything.walls > 5_000
    assert 0.93 <= everything.within / everything.walls <= 0.98
    for kind in at_steps.values():
        # Each kind is but 28 coupons, each with one bias of its instrument.
        assert 0.92 <= kind.within / kind.walls <= 0.99
        # A step itself is always what it was seen to be.
        assert kind.right == kind.fills


def test_edges_lie_where_the_table_is_uncertain():
    at_steps, between = campaign(18, seed=2)
    assert at_steps["all"].edges > 60
    assert at_steps["all"].inside / at_steps["all"].edges >= 0.99
    assert between["all"].right / between["all"].fills > 0.998


@pytest.mark.parametrize("seed", [4, 5])
def test_each_further_round_halves_what_is_uncertain(seed):
    rng = np.random.default_rng(seed)
    process = beads_process(rng, varies=False, differs=False)
    used = Instrument(error=0.02, scatter=0.015, times=3)
    files: list[Readings] = [read(process, usual_steps(), used, rng)]
    widths = []
    for _ in range(4):
        rules = rules_of(fit(files, BASE), BASE)
        table = band_table(rules)
        widths.append(uncertain_width(table, 2.67))
        wanted = [step.thickness for step in next_steps(rules)]
        files.append(read(process, wanted, used, rng))
        if widths[-1] < 0.1:
            break
    for before, after in pairwise(widths):
        # Thickness is read in hundredths: no range ends up narrower than one or two of them.
        assert after <= before / 2 + 0.02 * math.ceil(before / 0.1)
