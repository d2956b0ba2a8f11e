"""Which thicknesses come out well on several processes: against each table, reading by reading."""

import math
import random
import re
from dataclasses import replace

import pytest
from test_commands_chart import RULE_FILE, rules

from wallguard.bands.chart import chart_of
from wallguard.bands.common import Common
from wallguard.base.errors import InputError
from wallguard.commands.chart import run
from wallguard.commands.main import main
from wallguard.reports.matrix_text import good_everywhere, matrix_text
from wallguard.rules.model import Beads, Limit

ALL = range(1, 600)


def charts(*widths, **changes):
    return [
        chart_of(rules(path=f"rules/{width}.yaml", beads=replace(BEADS, width=width), **changes))
        for width in widths
    ]


BEADS = Beads(width=0.45, contours=2, smallest_wall=0.4, squeeze=0.1, smallest_fill=0.3)


def is_good(chart, thickness):
    least = chart.rules.strictest("wall")
    verdict = chart.table.classify(thickness, chart.rules.tolerance)
    return verdict == "solid" and thickness >= least


@pytest.mark.parametrize("seed", range(30))
def test_what_is_good_on_all_is_good_on_each(seed):
    rng = random.Random(seed)
    widths = [round(rng.uniform(0.3, 0.9), 2) for _ in range(rng.randint(1, 4))]
    minimum = {"wall": Limit(fail=round(rng.uniform(0, 1.5), 2))}
    made = Common(tuple(charts(*widths, minimum=minimum)))
    held = {at for first, last in made.good for at in ALL if first <= at / 100 <= last}
    assert held == {at for at in ALL if all(is_good(chart, at / 100) for chart in made.charts)}
    # Rows hold every reading once, and say of each process what its own table says.
    for at in ALL:
        (row,) = [row for row in made.rows if row.range[0] <= at / 100 <= row.range[1]]
        assert [cell == "good" for cell in row.cells] == [
            is_good(chart, at / 100) for chart in made.charts
        ]
    assert made.rows[0].range[0] == 0.01 and math.isinf(made.rows[-1].range[1])


def test_the_sentence_names_what_is_good_everywhere():
    made = Common(tuple(charts(0.45, 0.6)))
    assert good_everywhere(made).startswith("good on every printer: ")
    first = made.good[0]
    assert f" {first[1]:.2f}, 1.55 to 1.85, " in good_everywhere(made)


def test_where_nothing_is_good_everywhere_it_names_what_comes_nearest():
    never = chart_of(
        rules(path="rules/never.yaml", beads=BEADS, minimum={"wall": Limit(fail=500.0)})
    )
    some = charts(0.45, minimum={})
    lone = Common((*some, never))
    assert lone.good and lone.good[0][0] == 500.0  # 500 mm is good there, and everywhere
    none = chart_of(rules(path="rules/none.yaml", beads=BEADS, tolerance=(0, 0)))
    made = Common((*some, *some, none))
    assert made.good == ()
    assert " on 2 of 3" in good_everywhere(made)
    assert "nor on any two" in good_everywhere(Common((*some, none)))


def test_it_fits_80_columns():
    text = matrix_text(Common(tuple(charts(0.45, 0.5, 0.6))))
    assert max(map(len, text.splitlines())) <= 80
    assert re.search(r"^all      *\+", text, re.MULTILINE)


def test_the_command_takes_several_rule_files(tmp_path, capsys):
    for name in ("a", "b"):
        (tmp_path / f"{name}.yaml").write_text(RULE_FILE, encoding="utf-8")
    a, b = str(tmp_path / "a.yaml"), str(tmp_path / "b.yaml")
    assert main(["chart", a, b, "--markdown", str(tmp_path / "m.md")]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "good on every printer: 1.05 to 1.22, 1.73 to 2.37 mm, 2.88 mm and thicker" in told
    markdown = (tmp_path / "m.md").read_text()
    assert "| 1.05-1.22 | **good** | **good** | **good** |" in markdown
    with pytest.raises(InputError, match="a picture shows one process"):
        run(tmp_path / "a.yaml", tmp_path / "b.yaml", svg=tmp_path / "m.svg")
