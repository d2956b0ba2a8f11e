"""Calculated edges are known to some hundredths: against counting beads in whole hundredths."""

import random
import re
from dataclasses import replace

import manifold3d as m3
from solids import box
from test_bands_beads import expected_fixed, expected_varying, random_beads
from test_bands_calculated import READ_ON_A, READ_ON_D, A, D
from test_checks import found

from wallguard.bands.advice import advise
from wallguard.bands.chart import basis_remark, chart_of, growth_remark
from wallguard.bands.declared import band_table, believed
from wallguard.coupon.plan import plan
from wallguard.rules.model import DeclaredBand, Rules

TOLERANCE = (0.15, 0.15)


def rules(beads, *bands):
    return Rules("rules/a.yaml", "a", "material extrusion", 0.2, beads=beads, bands=bands)


def test_what_is_told_holds_wherever_the_edges_lie_and_all_else_is_uncertain():
    for seed in range(24):
        rng = random.Random(seed)
        off, varies = rng.choice((1, 3, 5, 8)), bool(seed % 2)
        beads = replace(random_beads(rng, varies), edge_uncertainty=off / 100)
        expected = expected_varying if varies else expected_fixed
        table = band_table(rules(beads))
        fills = [expected(beads, t)[0] for t in range(500)]
        for t in range(480):
            outcome, near = table.outcome(t / 100), fills[max(t - off, 0) : t + off + 1]
            told = fills[t] if len(set(near)) == 1 else "uncertain"
            assert outcome.fill == told, (beads, t)
            if told == "uncertain":
                assert set(near) <= set(outcome.band.either), (beads, t)
                printed = expected(beads, t)[1]
                off_by = 0 if printed is None else abs(printed / 100 - outcome.printed)
                assert off_by <= outcome.uncertainty + 1e-3, (beads, t)


def test_what_is_advised_is_good_wherever_the_edges_lie():
    rng = random.Random(7)
    followed = 0
    for seed in range(30):
        beads = random_beads(rng, bool(seed % 2))
        table, exact = (band_table(one) for one in (rules(beads), believed(rules(beads))))
        for thickness in (0.5, 0.9, 1.3, 1.7):
            for said in re.findall(r"\d\.\d\d", advise(table, thickness, TOLERANCE)):
                at = float(said)
                assert table.classify(at, TOLERANCE) == "solid"
                near = {exact.outcome(at + off / 100).fill for off in range(-5, 6)}
                assert near == {"solid"}, (beads, at)
                followed += 1
    assert followed > 100


def test_no_fact_of_the_trade_is_contradicted():
    uncertain = 0
    for beads, read in ((A, READ_ON_A), (D, READ_ON_D)):
        table = band_table(rules(beads))
        fills = [(table.outcome(nominal).fill, fill) for nominal, _, fill in read]
        assert all(told in ("uncertain", fill) for told, fill in fills)
        uncertain += sum(told == "uncertain" for told, _ in fills)
    assert uncertain == 1  # the hollow band of D is about as narrow as its edges are uncertain


def test_measured_bands_keep_their_edges():
    read = DeclaredBand(1.0, 1.3, "solid", 0.0, 0.02, "measured", 1.0)
    table = band_table(rules(A, read))
    assert read.upper is not None
    assert [table.outcome(at).fill for at in (1.0, 1.18, 1.25, 1.29)] == ["solid"] * 4
    assert table.outcome(1.3).fill == "hollow"  # as calculated, clear of the edge at 1.225
    assert table.outcome(1.7).fill == "uncertain"


def test_a_wall_at_an_edge_says_so_and_a_wall_clear_of_it_passes():
    uncertain = replace(A, edge_uncertainty=0.05)
    (finding,) = found("fill", box([40, 1.24, 10]), beads=uncertain)
    assert finding.indeterminate
    assert finding.severity == "warn"
    assert "may come out solid or hollow: the edge between them is calculated, not measured" in (
        finding.message
    )
    assert finding.advice == "draw 1.05-1.17 or 1.78-2.32 mm"
    for drawn in (1.17, 1.78):
        assert found("fill", box([40, drawn, 10]), beads=uncertain) == []


def test_a_pin_that_may_not_be_printed_is_told():
    beads = replace(A, smallest_wall=0.5, edge_uncertainty=0.05)
    for diameter, says in ((0.53, "may come out solid or not at all"), (0.4, "will not be pri")):
        pin = m3.Manifold.cylinder(8, diameter / 2, diameter / 2, 64).translate([5, 5, 9])
        told = found("fill", box([10, 10, 10]) + pin, beads=beads)
        assert any(says in one.message for one in told), diameter
        assert all(one.indeterminate == (diameter > 0.5) for one in told)


def test_the_chart_says_whether_anybody_read_it():
    calculated = basis_remark(chart_of(rules(A)))
    assert calculated.startswith("calculated, never measured: an edge between two fills may lie")
    assert "elsewhere" not in basis_remark(chart_of(believed(rules(A))))
    whole = DeclaredBand(0.0, None, "solid", 0.0, 0.02, "measured", 1.0)
    assert basis_remark(chart_of(rules(A, replace(whole, lower=2.0)))) == ""
    assert "no reading" in basis_remark(chart_of(rules(None, replace(whole, source="declared"))))
    powder = Rules("rules/a.yaml", "a", "powder bed fusion", 0.1)
    assert "never measured" in basis_remark(chart_of(powder))
    grown = replace(powder, growth=0.05)
    assert "no reading" in basis_remark(chart_of(grown))
    assert growth_remark(powder) == ""
    assert growth_remark(grown).startswith("gaps and holes come out 0.10 mm narrower than drawn")
    assert "wider than drawn, pins 0.10 mm narrower" in growth_remark(replace(powder, growth=-0.05))


def test_a_coupon_stands_about_the_edges_themselves():
    assert plan(rules(A)).features == plan(believed(rules(A))).features


def test_an_uncertainty_wider_than_all_bands_leaves_one_that_may_be_any():
    first, *_ = band_table(rules(replace(A, edge_uncertainty=5.0))).bands
    assert (first.lower, first.either) == (0.0, ("solid", "hollow", "missing"))
