"""One table of outcomes and their order, for all who ask."""

import pickle
from typing import get_args

import pytest
from report_samples import DOUBLED, LOST_RIB, THIN, changed, finding

from wallguard.bands.table import Verdict
from wallguard.findings.model import Severity, Status, check_run
from wallguard.findings.naming import named
from wallguard.findings.outcomes import (
    doubtful,
    has_air,
    is_cause,
    loss,
    severity_rank,
    status_rank,
    worst_first,
)
from wallguard.findings.places import Boxes, nearest
from wallguard.rules.features import COSTS, FEATURES, cost_rank

UNIT = changed(DOUBLED, check="unit", severity="warn", message="perhaps drawn in inches")
TORN = changed(DOUBLED, severity="fail", message="3 open edges")


def test_what_costs_more_of_the_wall_is_worse():
    order = ["solid", "uncertain", "thickened", "hollow", "broken", "missing"]
    assert sorted(order, key=loss) == order
    assert len({loss(name) for name in order}) == len(order)
    assert loss("thinned") == loss("thickened")
    assert loss("indeterminate") == loss("uncertain")
    assert loss("solid") == loss("sparse") == loss(None) == 0
    assert all(loss(name) > 0 for name in get_args(Verdict) if name != "solid")


def test_more_air_counts_where_a_void_runs_along_a_wall():
    assert {name for name in (*get_args(Verdict), "broken") if has_air(name)} == {
        "hollow",
        "porous",
    }
    assert not has_air(None)


def test_severities_and_statuses_have_one_order():
    assert sorted(get_args(Severity), key=severity_rank) == ["note", "warn", "fail"]
    ranked = sorted(get_args(Status), key=status_rank)
    assert ranked == ["passed", "indeterminate", "failed", "error"]


def test_causes_come_before_what_may_follow_from_them():
    found = named([LOST_RIB, THIN, TORN, DOUBLED, UNIT], "rules.yaml")
    assert [one.check for one in found] == ["unit", "mesh", "fill", "wall", "mesh"]
    assert [is_cause(one) for one in found] == [True, True, False, False, False]


def test_where_the_unit_is_in_doubt_so_is_the_part():
    assert doubtful((THIN, UNIT, TORN))
    assert not doubtful((TORN, THIN))
    assert not doubtful((changed(UNIT, waived="A, until then: so drawn"), THIN))


def test_names_hang_on_neither_path_nor_check_and_tell_alike_findings_apart():
    one, other = finding(size=(40.0, 20.0)), finding(size=(40.0, 20.0), location=(0.0, 9.0, 9.0))
    first, second = named([one, other], "rules.yaml")
    assert {second.id, first.id} == {first.id.partition("-")[0] + end for end in ("", "-2")}
    assert named([one], "other.yaml")[0].id != named([one], "rules.yaml")[0].id


@pytest.mark.parametrize(
    ("place", "number"), [((12, 3.5, 4), 0), ((12, 5.2, 4), 0), ((12, 9, 4), None)]
)
def test_a_place_is_that_of_the_finding_whose_box_is_near(place, number):
    assert nearest(place, [finding(), LOST_RIB], [0]) == number


def test_boxes_meet_where_they_touch_and_what_has_none_is_everywhere():
    boxes = Boxes([((0, 0, 0), (1, 1, 1))])
    assert boxes.meet(((1, 1, 1), (2, 2, 2)))
    assert not boxes.meet(((1.1, 0, 0), (2, 2, 2)))
    assert boxes.meet(None)
    assert Boxes([None]).meet(((5, 5, 5), (6, 6, 6)))
    assert not Boxes([]).meet(None)


def test_equal_runs_of_checks_are_kept_once_whatever_process_they_come_from() -> None:
    one = check_run("gap", "skipped", "the rules set no limit to the gap")
    assert check_run("gap", "skipped", one.note) is one
    assert pickle.loads(pickle.dumps(one)) is one
    assert check_run("gap", "passed", one.note) != one


def test_what_costs_the_print_comes_before_what_costs_a_wall_and_an_edge_last():
    order = ["island", "wall", "gap", "overhang", "raised", "edge_radius"]
    findings = [changed(DOUBLED, check=check, severity="warn") for check in reversed(order)]
    assert [one.check for one in sorted(findings, key=worst_first)] == order
    # What fails comes before what warns, whatever it costs.
    fails = changed(DOUBLED, check="edge_radius", severity="fail")
    assert min([*findings, fails], key=worst_first) is fails


def test_every_cost_is_that_of_some_check_and_a_name_without_a_check_ranks_as_a_wall():
    assert {cost_rank(feature.id) for feature in FEATURES} == set(range(len(COSTS)))
    assert cost_rank("no such check") == cost_rank("wall")
