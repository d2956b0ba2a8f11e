"""Steps between what is measured and what is calculated, in one table."""

from dataclasses import replace

from wallguard.bands.chart import chart_of, rows
from wallguard.bands.meetings import meetings
from wallguard.reports.chart_markdown import chart_markdown
from wallguard.reports.chart_text import chart_text
from wallguard.rules.model import Beads, DeclaredBand, Rules

BEADS = Beads(
    width=0.45,
    contours=2,
    smallest_wall=0.3,
    squeeze=0.1,
    smallest_fill=0.3,
    spacing="width",
    edge_uncertainty=0,
)


def mixed(*bands):
    return Rules("r.yaml", "r", "material extrusion", 0.2, beads=BEADS, bands=bands)


def measured(lower, upper, offset, fill="solid"):
    return DeclaredBand(lower, upper, fill, offset, 0.03, "measured", slope=1.0)


def test_a_step_of_more_than_u_is_told_on_its_side_and_marked_in_the_chart():
    # 0.95 to 1.00 as `beads` say; 1.90 to 2.09 too thick by 0.15, U of both is 0.058.
    rules = mixed(measured(0.95, 0.99, 0.05), measured(1.9, 2.1, 0.15))
    steps = meetings(rules)
    assert [(step.thickness, step.above) for step in steps] == [(1.9, False), (2.09, True)]
    assert steps[0].words == (
        "a step at 1.90 mm: solid, 2.05 mm thick was measured there, where `beads`, which hold "
        "below, say solid, 1.90 mm thick"
    )
    chart = chart_of(rules)
    sources = {row[0]: row[-1] for row in rows(chart.table, chart.steps)}
    assert sources["1.90-2.09"] == "measured"
    assert sources["≥ 2.10"] == "calculated, a step"
    assert sources["0.90-0.94"] == "calculated"
    for text in (chart_text(chart), chart_markdown(chart)):
        assert text.lower().count("a step at 1.90 mm") == 1


def test_a_fill_that_differs_is_a_step_unless_the_edge_lies_just_beside():
    # By `beads` hollow from 1.01 to 1.19: an edge at 1.16 is within U of that, one at 1.08 not.
    assert meetings(mixed(measured(1.16, 1.4, 0.0))) == ()
    (step,) = meetings(mixed(measured(1.08, 1.4, 0.0)))
    assert (step.measured.fill, step.calculated.fill) == ("solid", "hollow")


def test_what_is_uncertain_or_declared_makes_no_step():
    doubted = replace(measured(1.9, 2.1, 0.15), fill="uncertain")
    declared = replace(measured(1.9, 2.1, 0.15), source="declared")
    assert meetings(mixed(doubted)) == meetings(mixed(declared)) == ()
    assert meetings(replace(mixed(measured(1.9, 2.1, 0.15)), beads=None)) == ()
