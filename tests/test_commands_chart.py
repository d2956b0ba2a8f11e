import random
import re
from dataclasses import replace

import pytest

from wallguard.bands.chart import chart_of
from wallguard.base.errors import InputError
from wallguard.commands.chart import run
from wallguard.reports.chart_text import chart_text
from wallguard.rules.model import Beads, DeclaredBand, Limit, Rules

# Its edges are taken to be where they are calculated.
WIDE = Beads(
    width=0.575,
    contours=2,
    smallest_wall=0.5,
    squeeze=0.075,
    smallest_fill=0.575,
    edge_uncertainty=0,
)

RULE_FILE = """\
wallguard: 1
name: Workshop, wide beads
process:
  category: material extrusion
  printer: Large frame
  material: PETG
layer_height: 0.2
beads:
  width: 0.575
  contours: 2
  smallest_wall: 0.5
  squeeze: 0.075
  smallest_fill: 0.575
  edge_uncertainty: 0
minimum:
  wall: {fail: 0.8}
"""


def rules(**changes):
    values = {
        "path": "rules/wide.yaml",
        "name": "Wide beads",
        "category": "material extrusion",
        "layer_height": 0.2,
        "beads": WIDE,
    }
    return Rules(**(values | changes))


def chart(given):
    return chart_text(chart_of(given))


def line(text, start):
    (found,) = [row for row in text.splitlines() if row.startswith(start)]
    return found


def test_run_reads_the_rule_file(tmp_path):
    path = tmp_path / "wide.yaml"
    path.write_text(RULE_FILE, encoding="utf-8")
    text = run(path)
    assert text.startswith("Workshop, wide beads\nLarge frame, PETG\n")
    assert line(text, "good to draw") == "good to draw: 1.05-1.22, 1.73-2.37, ≥ 2.88 mm"
    assert "at least 0.80 mm" in text.replace("\n", " ")


def test_a_chart_replaces_an_earlier_one_and_nothing_else(tmp_path):
    (tmp_path / "wide.yaml").write_text(RULE_FILE)
    svg, markdown = tmp_path / "wide.svg", tmp_path / "wide.md"
    for _ in range(2):
        run(tmp_path / "wide.yaml", svg=svg, markdown=markdown)
    markdown.write_text("# What I wrote\n")
    with pytest.raises(InputError, match="is no earlier output of the kind"):
        run(tmp_path / "wide.yaml", markdown=markdown)
    assert markdown.read_text() == "# What I wrote\n"


def test_run_names_a_rule_file_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match=r"none\.yaml"):
        run(tmp_path / "none.yaml")


@pytest.mark.parametrize(
    "row",
    [
        ["0.00-0.49", "missing", "-", "-", "-", "calculated"],
        ["0.58-1.14", "solid", "1.15", "0.05", "-", "calculated"],
        ["1.23-1.72", "hollow", "as", "drawn", "0.05", "0.08-0.57", "calculated"],
        ["≥", "2.88", "solid", "as", "drawn", "0.05", "-", "calculated"],
    ],
)
def test_rows_say_outcome_printed_uncertainty_air_and_source(row):
    assert row in [shown.split() for shown in chart(rules()).splitlines()]


def test_the_bar_tells_fills_apart_without_colour():
    text = chart(rules())
    inside = line(text, "inside").split()[1]
    assert (len(inside), set(inside)) == (70, {".", "#", "o"})
    assert "# solid   o hollow   . missing   + good to draw" in text
    assert "\x1b" not in text


def test_the_bar_shows_each_fill_where_it_is():
    inside = line(chart(rules()), "inside")[8:]
    assert "one character is 0.05 mm" in chart(rules())
    assert [inside[round(at / 0.05)] for at in (0.2, 0.9, 1.5, 2.0, 2.6, 3.2)] == list(".#o#o#")


def test_what_is_good_stands_below_what_is_inside():
    text = chart(rules(minimum={"wall": Limit(fail=1.0, warn=1.1)}))
    good = line(text, "good   ")[8:].ljust(70)
    assert [good[round(at / 0.05)] for at in (0.9, 1.05, 1.1, 1.5, 2.0, 3.2)] == list("  + ++")


def test_a_band_narrower_than_a_character_still_shows():
    bands = (DeclaredBand(2.0, 2.01, "hollow", solid_width=1.9), DeclaredBand(40, None, "solid"))
    text = chart(rules(bands=bands))
    assert line(text, "inside")[8 + 3] == "o"
    assert line(text, "2.00").split()[1] == "hollow"


def test_a_process_that_prints_as_drawn():
    text = chart(rules(category="powder bed fusion", beads=None))
    assert line(text, "≥ 0.00").split()[-1] == "assumed"
    assert line(text, "good to draw") == "good to draw: ≥ 0.01 mm"


def test_a_process_that_prints_nothing_well():
    text = chart(rules(beads=None, bands=(DeclaredBand(0, None, "uncertain"),)))
    assert line(text, "good to draw") == (
        "good to draw: no thickness comes out solid and within the tolerance"
    )
    assert set(line(text, "inside")[8:]) == {"?"}


def test_air_that_nobody_knows_is_not_shown_as_none():
    text = chart(rules(bands=(DeclaredBand(3, None, "hollow"),)))
    assert "not known" in line(text, "≥ 3.00")


@pytest.mark.parametrize("seed", range(20))
def test_it_fits_80_columns_whatever_the_rules(seed):
    rng = random.Random(seed)
    ends = sorted({rng.uniform(0.01, 1000) for _ in range(20)})
    bands = [
        DeclaredBand(
            lower,
            upper,
            rng.choice(("solid", "hollow", "uncertain")),
            rng.uniform(0, 1000),
            rng.uniform(0, 5),
            slope=rng.choice((0.0, 1.0, 1.85)),
            solid_width=rng.choice((0.0, 0.8)),
        )
        for lower, upper in zip([0.0, *ends], [*ends, None], strict=True)
    ]
    text = chart(
        rules(
            name="A long name " * 20,
            printer="x" * 200,
            path="very/long/" * 20,
            bands=tuple(bands),
            tolerance=(5.0, 5.0),
        )
    )
    assert max(map(len, text.splitlines())) <= 80
    assert text == chart(
        rules(
            name="A long name " * 20,
            printer="x" * 200,
            path="very/long/" * 20,
            bands=tuple(bands),
            tolerance=(5.0, 5.0),
        )
    )


def test_a_rule_file_that_says_nothing_of_spacing_keeps_its_table_and_is_told_what_would_change():
    told = " ".join(chart(rules()).split())
    assert "1.05-1.22, 1.73-2.37, ≥ 2.88 mm" in told
    assert "`beads.spacing` is not given" in told
    closer = replace(WIDE, spacing="from volume")
    (good,) = re.findall(r"good to draw: (.* mm) \(", " ".join(chart(rules(beads=closer)).split()))
    assert f"With `from volume` {good} would be good to draw" in told
    for said in ("width", "from volume", 0.5):
        assert "not given" not in chart(rules(beads=replace(WIDE, spacing=said)))
