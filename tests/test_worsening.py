"""Whether a finding got worse."""

from dataclasses import replace

import pytest
from report_samples import DOUBLED, THIN, TIGHT, breach, changed, finding

from wallguard.findings.model import Breach, Spread, Subject
from wallguard.findings.worsening import Before, Was, before, worsening

HOLLOW = finding(size=(40.0, 20.0))
SURE = changed(
    HOLLOW, severity="warn", fill="solid", measured=0.3, limit=0.15, message="comes out thicker"
)
AIRY = replace(HOLLOW, subject=Subject("wall", Spread(1.5, 1.5, 1.5), fill="hollow", air=0.4))
RIB = finding(
    breaches=(
        Breach("free_wall", "fail", 1.0, 1.2),
        Breach("fill", "warn", 0.15, 0.15, indeterminate=True),
    ),
    fill="solid",
)


def thinned(made, thickness, fill):
    """The rib at another thickness, told as lost or thickened."""
    lost = Breach("fill", "fail", thickness) if fill == "missing" else made.breaches[1]
    free = replace(made.breaches[0], measured=thickness)
    return replace(made, breaches=(lost, free), fill=fill)


@pytest.mark.parametrize(
    ("was", "changes", "how"),
    [
        (THIN, {"measured": 0.5}, "thinner by 0.10 mm (0.50 now, 0.60 before)"),
        (THIN, {"measured": 0.588}, "thinner by 0.01 mm (0.59 now, 0.60 before)"),
        (TIGHT, {"measured": 0.15}, "narrower by 0.10 mm (0.15 now, 0.25 before)"),
        (TIGHT, {"severity": "fail"}, "fail now, warn before"),
        (HOLLOW, {"fill": "missing", "measured": 0.3}, "missing now, hollow before"),
        (HOLLOW, {"measured": 1.6}, "more air: 1.60 mm thick now, 1.50 before"),
        (HOLLOW, {"size": (60.0, 20.0)}, "60.00 mm long now, 40.00 mm before"),
        (HOLLOW, {"size": (40.0, 23.0)}, "23.00 mm high now, 20.00 mm before"),
        (SURE, {"measured": 0.4}, "further off by 0.10 mm (0.40 now, 0.30 before)"),
        (
            changed(SURE, measured=-0.2),
            {"measured": -0.3},
            "further off by 0.10 mm (-0.30 now, -0.20",
        ),
        (changed(SURE, indeterminate=True), {"indeterminate": False}, "certain now, indeterminate"),
        (DOUBLED, {"measured": 3.0}, "3 now, 2 before"),
    ],
)
def test_it_got_worse(was, changes, how):
    assert worsening(before(was), changed(was, **changes)).startswith(how)


@pytest.mark.parametrize(
    ("was", "changes"),
    [
        (THIN, {}),
        (THIN, {"measured": 0.7}),
        (THIN, {"measured": 0.592}),  # both measures may be off by 0.005 mm
        (changed(THIN, measured=9.0, limit=9.5), {"measured": 8.96}),  # and by 0.5 % on curves
        (TIGHT, {"severity": "note"}),
        (HOLLOW, {"measured": 1.4}),
        (changed(HOLLOW, fill="missing", measured=0.3), {"measured": 0.2}),  # gone is gone
        (changed(HOLLOW, fill="missing"), {"fill": "hollow", "measured": 1.6}),
        (HOLLOW, {"fill": "solid", "measured": 0.2, "limit": 0.15}),  # a deviation, no thickness
        (HOLLOW, {"size": (43.0, 20.9)}),
        (HOLLOW, {"size": (90.0,)}),
        (SURE, {"indeterminate": True, "limit": None, "measured": 0.9}),
        (DOUBLED, {"measured": 2.0}),
    ],
)
def test_it_did_not_get_worse(was, changes):
    assert worsening(before(was), changed(was, **changes)) == ""


def test_a_taper_that_comes_out_in_several_ways_is_told_by_its_thin_end():
    """How far beside that it is followed hangs on the facets of the hole that it lies beside."""
    short = Subject("wall", Spread(0.8, 1.43, 1.72), fill="hollow")
    ways = tuple(Breach("fill", "fail", thick) for thick in (1.43, 0.82))
    was = replace(HOLLOW, breaches=ways, subject=short)
    farther = (Breach("fill", "fail", 1.48), Breach("fill", "fail", 2.5), ways[1])
    now = replace(was, breaches=farther, subject=replace(short, thickness=Spread(0.8, 1.48, 2.74)))
    assert worsening(before(was), now) == ""
    thicker = replace(now, subject=replace(short, thickness=Spread(0.9, 1.48, 2.74)))
    assert worsening(before(was), thicker).startswith("more air")


def test_air_is_compared_where_it_is_known():
    about = replace(AIRY.subject, air=0.7, thickness=Spread(1.8, 1.8, 1.8))
    wider = changed(AIRY, measured=1.8, subject=about)
    assert worsening(before(AIRY), wider) == "more air: 0.70 mm now, 0.40 before"
    # Thicker, and filled better: the next hollow range.
    fuller = changed(AIRY, measured=2.4, subject=replace(about, air=0.1))
    assert worsening(before(AIRY), fuller) == ""


@pytest.mark.parametrize("fill", ["missing", "solid"])
def test_a_rib_that_is_thinned_is_worse_whatever_else_becomes_of_it(fill):
    how = worsening(before(RIB), thinned(RIB, 0.45, fill))
    assert how in ("fail now, warn before", "thinner by 0.55 mm (0.45 now, 1.00 before)")


def test_a_limit_that_was_not_broken_is_worse():
    both = replace(THIN, breaches=(*THIN.breaches, breach(check="free_wall", limit=1.2)))
    assert worsening(before(THIN), both) == "it breaks `free_wall` too, and did not before"
    assert worsening(before(both), THIN) == ""


def test_of_what_is_not_known_nothing_is_said():
    assert worsening(Before({"wall": Was()}), THIN) == ""
    assert worsening(Before({"wall": Was(0.7)}), changed(THIN, measured=None)) == ""
    assert worsening(Before({"wall": Was(0.7)}), THIN).startswith("thinner by 0.10 mm")
