"""The table of walls."""

from dataclasses import replace

from report_samples import BRACKET, wall

from wallguard.findings.model import Printed, Spread
from wallguard.reports.walls_table import table


def test_walls_with_their_outcome_thinnest_first() -> None:
    lost = wall(0.3, fill="missing", printed=None)
    rows = [" ".join(line.split()) for line in table([*BRACKET.walls[::-1], lost]).splitlines()]
    assert rows[0] == "min typical max length z point x y z held outcome printed ± U nearest"
    assert rows[1] == "0.30 0.30 0.30 40.00 0.00..20.00 12.0 3.5 4.0 3 missing - -"
    assert rows[2] == "0.60 0.60 0.60 40.00 0.00..20.00 12.0 3.5 4.0 3 solid 1.10 ± 0.05 -"
    assert rows[3].endswith("hollow 1.50 ± 0.05 -")
    near = table([wall(0.6, margin=0.042, beyond="hollow")])
    assert near.splitlines()[1].endswith("0.04 hollow")
    assert "nearest: how far from a thickness that comes out otherwise, and how" in near


def test_without_rules_nothing_is_said_of_outcomes() -> None:
    shown = table([wall(fill=None, printed=None)])
    assert "outcome" not in shown
    assert "1 wall, thinnest first; mm, in the part file's own frame\n" in shown


def test_no_walls() -> None:
    assert table([]) == "no walls found\n"


def test_the_widest_rows_fit() -> None:
    wide = wall(
        length=12345.678,
        z=(-1000.126, 2000.226),
        location=(-1234.56, 99999999.0, -1000.1),
        fill="uncertain",
        printed=Printed(123.456, 12.345),
    )
    wide = replace(wide, thickness=Spread(999.126, 1234.5, 1e9))
    lines = table([wall(), wide]).splitlines()
    assert max(map(len, lines)) <= 100
    assert len({len(line) for line in lines[:3]}) == 1
    assert " ".join(lines[2].split()).startswith(
        "999.13 1234.5 1e9 12345.7 -1000.1..2000.23 -1234.6 1e8 -1000.1 3 uncertain"
    )
