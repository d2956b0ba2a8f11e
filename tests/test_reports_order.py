"""The order and the counts that all reports share."""

import itertools
import random

from report_samples import BRACKET, DOUBLED, LOST_RIB, ORDINARY, THIN, TIGHT, UNSURE, finding, part

from wallguard.findings.counts import Severities, grouped
from wallguard.findings.model import Report
from wallguard.reports import order


def test_the_worst_finding_comes_first_whatever_the_order_given() -> None:
    expected = [LOST_RIB, finding(), THIN, TIGHT, UNSURE, DOUBLED]
    for shuffled in itertools.permutations(expected):
        assert order.findings(shuffled) == expected


def test_findings_with_and_without_numbers_can_be_sorted() -> None:
    bare = finding(measured=None, location=None, fill=None)
    assert order.findings([bare, finding()]) == [finding(), bare]


def test_computing_error_does_not_order_equal_findings() -> None:
    left = finding(measured=0.70000002, location=(1.0, 0.0, 0.0))
    right = finding(measured=0.69999998, location=(2.0, 0.0, 0.0))
    assert order.findings([right, left]) == [left, right]


def test_parts_go_by_path_then_rules() -> None:
    names = [("a.stl", "x.yaml"), ("a.stl", "y.yaml"), ("b\udce9.stl", "x.yaml")]
    made = [part(path, rules=rules) for path, rules in names]
    random.Random(1).shuffle(made)
    assert [(one.path, one.rules) for one in order.parts(Report(tuple(made)))] == names


def test_walls_go_thinnest_first() -> None:
    assert [wall.thickness.min for wall in order.walls(BRACKET.walls[::-1])] == [0.6, 1.5]


def test_counts() -> None:
    counts = grouped(ORDINARY)
    assert (counts.parts, counts.passed, counts.failed, counts.indeterminate) == (5, 2, 1, 1)
    assert (counts.errors, counts.not_covered, counts.troubles) == (1, 1, 1)
    assert counts.findings == Severities(3, 2, 1)
    assert order.severities(ORDINARY) == "3 fail, 2 warn, 1 note"
    assert order.undone(counts) == "1 part and 1 file"


def test_a_part_with_two_rule_files_is_one_part() -> None:
    counts = grouped(Report((part(rules="a.yaml"), part(rules="b.yaml"))))
    assert order.checked(counts) == "2 results on 1 part"
