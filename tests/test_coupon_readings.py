"""Readings from CSV: what is accepted, and what each slip is told, with its row and column."""

import pytest

from wallguard.base.errors import InputError
from wallguard.coupon import readings
from wallguard.coupon.readings import merged, parse_readings, read_readings
from wallguard.coupon.rows import MAX_ROWS

HEADER = "feature,axis,nominal,reading_1,reading_2,reading_3,fill,note\n"
GOOD = "wall,x,1.0,1.02,1.03,1.01,solid,\n"


def refused(text):
    with pytest.raises(InputError) as caught:
        parse_readings(text, "r.csv")
    return str(caught.value)


def test_a_whole_file():
    found = parse_readings(
        "# rules: a.yaml\n# process: A, black\n# date: 2024-05-01\n# instrument_error: ±0.02 mm\n"
        "# unit: mm\n# round: 2\n# measured by hand: yes\n"
        + HEADER
        + GOOD
        + "wall,y,0.4,,,,missing,x\n"
        "hole,vertical,2,1.9,,,,\ngap,x,0.2,,,,missing,closed up\nwall,y,3,,,,,\n",
        "r.csv",
    )
    assert [(row.feature, row.axis, row.nominal, row.readings, row.fill) for row in found.rows] == [
        ("wall", "x", 1.0, (1.02, 1.03, 1.01), "solid"),
        ("wall", "y", 0.4, (), "missing"),
        ("hole", "vertical", 2.0, (1.9,), "solid"),
        ("gap", "x", 0.2, (), "missing"),
    ]
    assert (found.error, found.error_stated, found.resolution) == (0.02, True, 0.01)
    assert found.keys["process"] == "A, black"
    assert found.unmeasured == 1
    assert [row.line for row in found.rows] == [9, 10, 11, 12]


@pytest.mark.parametrize("mark", [";", "\t"])
def test_decimal_commas_where_they_cannot_be_mistaken(mark):
    text = (HEADER + "wall,x,1.5,1.49,,,hollow,\n").replace(",", mark).replace(".", ",")
    found = parse_readings("# instrument_error: 0,03\n" + text, "r.csv")
    assert found.rows[0].nominal == 1.5
    assert found.rows[0].readings == (1.49,)
    assert found.error == 0.03


def test_decimal_commas_in_quotes():
    found = parse_readings(HEADER + 'wall,x,"1,5","1,49",,,hollow,\n', "r.csv")
    assert found.rows[0].readings == (1.49,)


def test_comments_that_a_spreadsheet_wrote_as_rows():
    found = parse_readings('"# instrument_error: 0.02",,,,,,,\n' + HEADER + GOOD, "r.csv")
    assert found.error == 0.02


def test_an_instrument_that_nobody_stated_is_taken_for_the_coarsest():
    found = parse_readings(HEADER + GOOD, "r.csv")
    assert (found.error, found.error_stated) == (0.05, False)
    assert "no `# instrument_error:` is stated: 0.05 mm" in found.remarks[0]
    assert parse_readings("# source: toolpath\n" + HEADER + GOOD, "r.csv").error == 0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "the file is empty"),
        ("   \n\n", "the file is empty"),
        (HEADER, "r.csv: no rows. Fill in"),
        (HEADER + "wall,x,1,,,,,\n", "nothing is filled in (1 empty rows)"),
        (
            "feature,nominal,reading_1\nwall,1,1\n",
            "r.csv:1:1: no column `axis`, `fill`. The header",
        ),
        ("feature,axis,nominal,fill\nwall,x,1,solid\n", "r.csv:1:1: no column `reading_1`."),
        (
            HEADER.replace("nominal", "nominl") + GOOD,
            "r.csv:1:3: unknown column `nominl`. The nearest known column is `nominal`.",
        ),
        (HEADER.replace("note", "fill") + GOOD, "r.csv:1:8: a second column `fill`."),
        (
            HEADER + "wall,x,1,abc,,,solid,\n",
            'r.csv:2:4: `reading_1`: expected a number of mm, but found "abc". Write a number',
        ),
        (HEADER + "wall,x,1,1.02 mm,,,solid,\n", "Write the number without a unit: it is in mm."),
        (HEADER + "wall,x,,1.02,,,solid,\n", "r.csv:2:3: `nominal`: it is empty."),
        (HEADER + "wall,x,1,nan,,,solid,\n", 'found "nan"'),
        (HEADER + "wall,x,1,1e3,,,solid,\n", 'found "1e3"'),
        (
            HEADER + "wal,x,1,1.02,,,solid,\n",
            'or pin or raised or sunken or escape, but found "wal". The nearest is `wall`.',
        ),
        (HEADER + "tower,x,1,1.02,,,solid,\n", 'but found "tower".'),
        (HEADER + "wall,z,1,1.02,,,solid,\n", 'r.csv:2:2: `axis`: expected x or y, but found "z".'),
        (HEADER + "hole,x,2,1.9,,,solid,\n", "expected vertical or horizontal"),
        (HEADER + "wall,x,1,1.02,,,full,\n", "r.csv:2:7: `fill`: expected solid or hollow"),
        (HEADER + "wall,x,1,1.02,,,,\n", "r.csv:2:7: `fill`: expected solid or hollow"),
        (HEADER + "wall,x,1,-1.02,,,solid,\n", "r.csv:2:4: `reading_1`: -1.02 is negative."),
        (HEADER + "wall,x,-1,1.02,,,solid,\n", "r.csv:2:3: `nominal`: -1 is negative."),
        (
            HEADER + "wall,x,2.0,2.01,20.1,2.0,solid,\n",
            "r.csv:2:5: `reading_2`: 20.1 where 2 was drawn is too large. Check the decimal mark",
        ),
        (HEADER + "wall,x,2.0,0.201,,,solid,\n", "0.201 where 2 was drawn is too small."),
        (HEADER + "wall,x,2.0,0.079,,,solid,\n", "is too small, and looks like inches."),
        (HEADER + "wall,x,2.0,2010,,,solid,\n", "is longer than 1000 mm"),
        (HEADER + "wall,x,0,0.4,,,solid,\n", "r.csv:2:3: `nominal` is 0."),
        (HEADER + "wall,x,1,,,,solid,\n", "r.csv:2:4: no reading, but the fill is `solid`."),
        (
            HEADER + "wall,x,1,1.0,,,missing,\n",
            "r.csv:2:4: a reading of 1, but the fill is `missing`.",
        ),
        (
            HEADER + GOOD + "wall,y,1,1,,,solid,\n" + GOOD,
            "r.csv:4:3: wall x 1 stands here a second time, first in row 2.",
        ),
        (
            "# unit: inch\n" + HEADER + GOOD,
            "r.csv:1:1: the unit is `inch`. Write the readings in mm",
        ),
        ("# source: guess\n" + HEADER + GOOD, "r.csv:1:1: the source is `guess`."),
        (
            "# instrument_eror: 0.02\n" + HEADER + GOOD,
            "The nearest known key is `instrument_error`.",
        ),
        ("# instrument_error: good\n" + HEADER + GOOD, "`instrument_error` is `good`"),
        ("# date: 1\n# date: 2\n" + HEADER + GOOD, "`date` stands here a second time"),
        (
            HEADER + "wall,x,1,5,1,49,,,hollow,\n",
            "r.csv:2:9: 10 cells, but the header has 8. With decimal commas, separate columns by",
        ),
        (
            HEADER.replace(",", ";") + "wall;x;1.5;1,49;;;hollow;\n",
            'r.csv:2:4: `reading_1`: "1,49", but other numbers in this file have the other',
        ),
        (HEADER + "wall,x,1,1.000.5,,,solid,\n", "Write one decimal mark"),
        (HEADER + 'wall,x,"1,1,,,solid,\n', "cannot be read as CSV"),
        ("PK\x03\x04", "a control character"),
        (HEADER + GOOD.replace("1.02", "1\x0002"), "a control character"),
    ],
)
def test_what_is_wrong_is_told_with_row_and_column(tmp_path, text, message):
    path = tmp_path / "r.csv"
    path.write_bytes(text.encode())
    with pytest.raises(InputError) as caught:
        read_readings(path, "r.csv")
    assert message in str(caught.value)


def test_all_problems_are_told_at_once():
    told = refused(HEADER + "wall,x,1,abc,,,solid,\nwall,q,2,2.0,,,solid,\nwall,x,3,-1,,,solid,\n")
    assert [line[:9] for line in told.splitlines()] == ["r.csv:2:4", "r.csv:3:2", "r.csv:4:4"]


def test_a_column_that_nobody_knows_is_passed_over_and_said():
    found = parse_readings("operator," + HEADER + "me," + GOOD, "r.csv")
    assert found.rows[0].nominal == 1.0
    assert "the column `operator` is not used" in " ".join(found.remarks)


def test_files_are_bounded(tmp_path):
    assert "more than 2000 rows" in refused(HEADER + GOOD * (MAX_ROWS + 1))
    path = tmp_path / "r.csv"
    path.write_text(HEADER + " " * readings.MAX_BYTES)
    with pytest.raises(InputError, match="larger than 512 kB"):
        read_readings(path)
    with pytest.raises(InputError, match="Name a CSV file"):
        read_readings(tmp_path)
    assert "cannot be read as CSV" in refused(
        HEADER + 'wall,x,1,"' + "1" * 200_000 + '",,,solid,\n'
    )


def test_readings_of_two_processes_are_not_merged():
    one, other = (
        parse_readings(f"# process: {name}\n" + HEADER + GOOD, f"{name}.csv") for name in "AB"
    )
    with pytest.raises(InputError, match=r"B\.csv: these readings are of the process `B`"):
        list(merged([one, other]))
    assert len(list(merged([one, one]))) == 2


def test_what_is_no_wall_is_said_in_its_own_words():
    text = HEADER + (
        "gap,x,0.2,,,,shut,\ngap,x,0.4,0.35,,,clear,\ngap,x,0.6,,,,clear,\npin,,1,,,,broken,\n"
        "sunken,x,0.5,,,,illegible,\nraised,,0.5,,,,Legible,\nescape,vertical,2,,,,stuck,\n"
        "hole,vertical,1,0.9,,,,\n"
    )
    rows = parse_readings(text, "r.csv").rows
    assert [(row.feature, row.fill, row.readings) for row in rows] == [
        ("gap", "missing", ()),
        ("gap", "solid", (0.35,)),
        ("gap", "solid", ()),
        ("pin", "missing", ()),
        ("sunken", "missing", ()),
        ("raised", "solid", ()),
        ("escape", "missing", ()),
        ("hole", "solid", (0.9,)),
    ]
    with pytest.raises(InputError) as caught:
        parse_readings(HEADER + "gap,x,0.2,,,,broken,\n", "r.csv")
    assert "expected clear or shut or solid or hollow or missing" in str(caught.value)
