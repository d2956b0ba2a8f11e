"""What a toolpath contradicts, held against the settings that the test takes its readings from."""

from dataclasses import replace

import pytest

from wallguard.bands.calculated import calculated
from wallguard.bands.declared import band_table
from wallguard.coupon.plan import wall_steps
from wallguard.coupon.readings import Readings
from wallguard.coupon.rows import Row
from wallguard.documents.reading import parse_document
from wallguard.fitting.evidence import SLACK, evidence
from wallguard.fitting.fit import fit
from wallguard.fitting.moved import edges, otherwise
from wallguard.fitting.recovery import Known, Recovered
from wallguard.fitting.rule_file import rule_file
from wallguard.fitting.tables import declared
from wallguard.rules.load import rules_from
from wallguard.rules.model import Beads, Rules

BEADS = Beads(
    width=0.45,
    contours=2,
    smallest_wall=0.3,
    squeeze=0.1,
    smallest_fill=0.4,
    spacing="width",
    edge_uncertainty=0,
)
RULES = Rules("r.yaml", "r", "material extrusion", 0.2, beads=BEADS)


def fitted_to(beads, rules=RULES):
    """The walls of a quick coupon, and what is fitted to a toolpath of it by these settings."""
    steps = wall_steps(band_table(RULES), BEADS.width, "quick")
    laid = [calculated(beads).outcome(step) for step in steps]
    rows = tuple(
        Row(
            "wall",
            "x",
            step,
            () if one.printed is None else (one.printed,) * 3,
            one.fill,
            "",
            "",
            1,
        )
        for step, one in zip(steps, laid, strict=True)
    )
    fitted = fit([Readings("t", rows, error=0.0, error_stated=True)], rules)
    made = rules_from(parse_document(rule_file(fitted, rules), "t"), "t")
    return steps, fitted, made


def read(beads, rules=RULES):
    """The walls of a quick coupon, and what a toolpath of it by these settings says of `rules`."""
    steps, fitted, made = fitted_to(beads, rules)
    return steps, evidence(fitted, made, rules)


def test_what_the_rules_say_is_no_news():
    # However little they trust their edges.
    _, found = read(BEADS, replace(RULES, beads=replace(BEADS, edge_uncertainty=0.05)))
    assert (list(otherwise(found)), list(edges(found))) == ([], [])
    assert found.after.bands == band_table(RULES).bands


@pytest.mark.parametrize(
    "change", [{"smallest_fill": 0.52}, {"contours": 1}, {"between_one_and_two": "dropped"}]
)
def test_what_is_claimed_to_have_changed_has(change):
    truth, old = calculated(replace(BEADS, **change)), band_table(RULES)
    steps, found = read(replace(BEADS, **change))
    claimed = 0
    for at in range(1, 300):
        told = found.after.outcome(at / 100).fill
        if told in ("uncertain", old.outcome(at / 100).fill):
            continue
        claimed += 1
        near = (at / 100 + apart for apart in (-SLACK, 0, SLACK))
        assert told in {truth.outcome(max(0, one)).fill for one in near}
    assert claimed
    # Of the walls that were read all is told, whatever lies between them.
    for step in steps:
        assert found.after.outcome(step).fill == truth.outcome(step).fill


@pytest.mark.parametrize(("offset", "stands"), [(0.02, True), (0.2, False)])
def test_a_printed_thickness_is_news_beyond_both_uncertainties(offset, stands):
    bands = tuple(
        replace(declared(band, "measured"), printed=band.offset + offset, uncertainty=0.05)
        for band in band_table(RULES).bands
        if band.fill != "missing"
    )
    _, found = read(BEADS, replace(RULES, bands=bands))
    told = list(otherwise(found))
    assert (told == []) is stands
    assert all(one.before == one.after for one in told)


def test_a_toolpath_of_few_walls_does_not_tell_how_narrow_varying_beads_get():
    """The narrowest bead that is seen is 0.40 mm, where the rules' own are down to 0.372 mm."""
    beads = replace(BEADS, width=0.426, width_varies=(0.372, 0.48), between_one_and_two="dropped")
    rules = replace(RULES, beads=beads)
    seen = Known(0.4, 0.005), Known(0.48, 0.005)
    _, fitted, made = fitted_to(beads, rules)
    shown = Recovered(Known(0.44, 0.005), *seen, *[None] * 8)
    too_narrow = replace(fitted.found, kept=fitted.found.kept.copy())
    too_narrow.kept[:, 0] = 0.4
    doubtful = replace(fitted, found=too_narrow, recovered=shown)
    assert list(otherwise(evidence(doubtful, made, rules))) == []
