"""Whether a finding got worse."""

import pytest
from report_samples import DOUBLED, THIN, TIGHT, changed, finding

from wallguard.findings.worsening import Before, before, worsening

HOLLOW = finding(size=(40.0, 20.0))
SURE = changed(
    HOLLOW, severity="warn", fill="solid", measured=0.3, limit=0.15, message="comes out thicker"
)


@pytest.mark.parametrize(
    ("was", "changes", "how"),
    [
        (THIN, {"measured": 0.5}, "0.50 mm now, 0.60 mm before"),
        (THIN, {"measured": 0.588}, "0.59 mm now, 0.60 mm before"),
        (TIGHT, {"severity": "fail"}, "fail now, warn before"),
        (HOLLOW, {"fill": "missing", "measured": 0.3}, "missing now, hollow before"),
        (HOLLOW, {"measured": 1.6}, "1.60 mm now, 1.50 mm before"),
        (HOLLOW, {"size": (60.0, 20.0)}, "60.00 mm long now, 40.00 mm before"),
        (HOLLOW, {"size": (40.0, 23.0)}, "23.00 mm high now, 20.00 mm before"),
        (SURE, {"measured": 0.4}, "0.40 mm now, 0.30 mm before"),
        (changed(SURE, measured=-0.2), {"measured": -0.3}, "-0.30 mm now, -0.20 mm before"),
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


def test_of_what_is_not_known_nothing_is_said():
    assert worsening(Before(), THIN) == ""
    assert worsening(Before(measured=0.7), changed(THIN, measured=None)) == ""
    assert worsening(Before(measured=0.7), THIN) == "0.60 mm now, 0.70 mm before"
