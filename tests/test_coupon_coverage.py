"""Known processes, printed and read many times: what a fit claims is true as often as it claims.

A short campaign of fixed seed; `python tests/campaign_coverage.py` runs a long one.
"""

import math
from itertools import pairwise

import numpy as np
from campaign_coverage import axes_told, campaign
from processes import BASE, Instrument, beads_process, read, rules_of, steps_of

from wallguard.bands.declared import band_table
from wallguard.coupon.readings import Readings
from wallguard.fitting import settings
from wallguard.fitting.fit import fit
from wallguard.fitting.next_steps import next_steps


def test_printed_thickness_of_many_coupons_lies_within_u(monkeypatch):
    # Bead settings have no part in what is measured at the steps: fewer are tried, to save time.
    monkeypatch.setattr(settings, "_FIRST", 3000)
    monkeypatch.setattr(settings, "_ROUND", 1000)
    found = campaign(140, seed=1, where=("at steps", "everywhere"))
    for one in found.values():
        everything = one["all"]
        assert everything.walls > 2_500
        assert 0.93 <= everything.within / everything.walls <= 0.98
    for kind in found["at steps"].values():
        # Each kind is but 20 coupons, each with one bias of its instrument.
        assert kind.within / kind.walls >= 0.9
        # A step itself is always what it was seen to be.
        assert kind.right == kind.fills


def test_edges_lie_where_the_table_is_uncertain():
    between = campaign(21, seed=2, where=("between",))["between"]["all"]
    assert between.edges > 90
    assert between.inside / between.edges >= 0.99
    assert between.right / between.fills > 0.998


def test_axes_that_are_alike_are_hardly_ever_called_different():
    told, count = axes_told(350, seed=4, differ=False)
    assert count == 300 and told <= 0.01 * count
    # By less than such readings show, some do.
    told, count = axes_told(140, seed=4, differ=True)
    assert count == 20 and told >= 0.75 * count
    told, count = axes_told(140, seed=4, differ=True, extent="fine")
    assert count == 20 and told >= 0.85 * count


def uncertain_width(table, up_to):
    """How much of the thicknesses up to `up_to` mm is uncertain, in mm."""
    return math.fsum(
        min(band.upper, up_to) - band.lower
        for band in table.bands
        if band.fill == "uncertain" and band.lower < up_to
    )


def test_each_further_round_halves_what_is_uncertain():
    rng = np.random.default_rng(5)
    process = beads_process(rng, varies=False, differs=False)
    used = Instrument(error=0.02, scatter=0.015, times=3)
    files: list[Readings] = [read(process, steps_of(BASE), used, rng)]
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
