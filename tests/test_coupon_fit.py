"""Fits of readings of the trade and of slips: what is known, how well, and what is odd."""

import random
import re
from dataclasses import replace

import numpy as np
import pytest
from processes import BASE, BASE_POWDER, FIRST, KINDS, instrument, read, rules_of, steps_of

from wallguard.bands.calculated import calculated
from wallguard.bands.declared import band_table
from wallguard.base.errors import InputError
from wallguard.coupon.readings import Readings, parse_readings
from wallguard.coupon.rows import Row
from wallguard.fitting.against_base import against_base
from wallguard.fitting.fit import fit
from wallguard.fitting.lines import lines_of
from wallguard.fitting.rule_file import rule_file
from wallguard.fitting.steps import scatter_of, steps
from wallguard.rules.model import Rules

# Facts of the trade with a 0.4 mm nozzle: common practice, no published source.
MACHINE_A = (
    (0.4, "missing", ()),
    (0.6, "solid", (1.1,)),
    (0.8, "solid", (1.2,)),
    (1.0, "solid", (1.2,)),
    (1.5, "hollow", (1.5,)),
    (2.0, "solid", (1.99, 2.03)),
)
MACHINE_D = (
    (0.4, "solid", (0.36,)),
    (0.6, "solid", (0.67,)),
    (0.8, "solid", (0.84,)),
    (1.0, "hollow", (0.94,)),
    (1.5, "solid", (1.56,)),
    (2.0, "solid", (1.95,)),
)


def file_of(rows, axes="x", error=0.02):
    made = [
        Row("wall", axis, nominal, tuple(values), fill, "", "r.csv", number)
        for axis in axes
        for number, (nominal, fill, values) in enumerate(rows, 2)
    ]
    return Readings("r.csv", tuple(made), error=error, error_stated=True)


def around(value, spread=0.01):
    return (value - spread, value, value + spread)


@pytest.mark.parametrize(("machine", "unknown"), [(MACHINE_A, (1.5, 2.0)), (MACHINE_D, (1.0, 1.5))])
def test_the_machines_of_the_trade(machine, unknown):
    fitted = fit([file_of(machine)], BASE)
    table = band_table(rules_of(fitted, BASE))
    for nominal, fill, values in machine:
        outcome = table.outcome(nominal)
        assert outcome.fill == fill
        assert outcome.band.source == "measured"
        for value in values:
            assert abs(value - outcome.printed) <= outcome.uncertainty
    low, high = (round(100 * end) for end in unknown)
    assert {table.outcome(at / 100).fill for at in range(low + 1, high)} == {"uncertain"}
    assert not fitted.claimed
    assert any("too few readings to claim k = 2" in text for text in fitted.odd)
    # A nozzle lays lines from a little less than its diameter to about one and a half times it.
    widths = [fitted.beads.width, *(fitted.beads.width_varies or ())]
    assert all(0.8 * 0.4 < width < 1.6 * 0.4 for width in widths)
    assert fitted.found.unlike == ()


def test_where_readings_contradict_the_settings_nothing_is_known_beyond_them():
    # It lays two beads whatever is drawn, and nobody saw anything missing.
    wide = ((0.3, "solid", around(1.1)), (0.6, "solid", around(1.1)), *MACHINE_A[3:])
    table = band_table(rules_of(fit([file_of(wide)], BASE), BASE))
    assert {table.outcome(at / 100).fill for at in range(1, 29)} == {"uncertain"}
    # No settings explain these: those of the base, which print the thinnest and nothing thinner
    # than 0.4 mm, are doubted below and, as they never print so thick, above.
    rows = [(t / 10, ("hollow", "solid")[t % 2], around(1.1 + t / 10)) for t in range(3, 19)]
    fitted = fit([file_of(rows)], BASE)
    table = band_table(rules_of(fitted, BASE))
    assert fitted.found is None and calculated(FIRST).outcome(0.2).fill == "missing"
    assert {table.outcome(at).fill for at in (0.1, 0.29, 1.9, 3.0, 9.0)} == {"uncertain"}
    assert table.outcome(0.2).printed == pytest.approx(table.outcome(0.2).uncertainty, abs=0.01)


def test_one_missing_wall_says_that_thinner_ones_are_missing_too():
    # The settings of the base print it, so what is thicker is doubted.
    fitted = fit([file_of(((0.7, "missing", ()),))], BASE)
    table = band_table(rules_of(fitted, BASE))
    assert calculated(FIRST).outcome(0.7).fill == "solid"
    assert {table.outcome(at).fill for at in (0.1, 0.5, 0.7)} == {"missing"}
    assert {table.outcome(at).fill for at in (0.8, 2.0, 9.0)} == {"uncertain"}


def test_beads_in_pairs_only_and_an_offset_are_found_again():
    # What neighbours share is the base's.
    base = replace(BASE, beads=replace(FIRST, spacing="from volume"))
    truth = replace(base.beads, width=0.48, single_bead=False, offset=0.05)
    rows = []
    for at in range(20, 260, 8):
        outcome = calculated(truth, BASE.layer_height).outcome(at / 100)
        rows.append((at / 100, outcome.fill, around(outcome.printed) if outcome.printed else ()))
    found = fit([file_of(rows, "xy")], base).found
    assert found is not None and found.unlike == ()
    assert found.beads.spacing == "from volume"
    assert not found.beads.single_bead and found.choices["single_bead"] == ("false",)
    assert found.beads.width == pytest.approx(0.48, abs=0.02)
    assert found.ranges["offset"].value == pytest.approx(0.05, abs=0.01)
    # As an offset is fitted, it does not make every calculated thickness uncertain.
    assert found.beads.uncertainty < 0.03


def test_the_setting_of_the_base_that_readings_do_not_agree_with_is_named():
    rows = []
    for at in range(20, 260, 8):
        outcome = calculated(replace(FIRST, width=0.52)).outcome(at / 100)
        rows.append((at / 100, outcome.fill, around(outcome.printed) if outcome.printed else ()))
    fitted = fit([file_of(rows, "xy")], BASE)
    told = r"readings agree with beads 0\.5[123] wide"
    (said,) = fitted.otherwise
    assert re.fullmatch(f"{told}, where the base says 0.45", said)
    assert f"# - {said}" in rule_file(fitted, BASE)
    # Where no settings explain everything, the one that explains most.
    walls = file_of(rows).rows
    (said,) = against_base(None, BASE, steps(walls), scatter_of(walls, 0.01, 0.02))
    assert re.fullmatch(f"{told} better than with 0.45, as in the base", said)


def test_two_machines_with_one_nozzle_differ():
    tables = [band_table(rules_of(fit([file_of(m)], BASE), BASE)) for m in (MACHINE_A, MACHINE_D)]
    assert [table.outcome(1.0).fill for table in tables] == ["solid", "hollow"]
    assert [table.outcome(0.4).fill for table in tables] == ["missing", "solid"]
    thickness = [table.outcome(0.6).printed for table in tables]
    assert thickness[0] - thickness[1] > 0.4


def test_known_settings_are_found_again():
    rows = []
    table = calculated(FIRST)
    for at in range(20, 260, 8):
        outcome = table.outcome(at / 100)
        values = () if outcome.printed is None else around(outcome.printed)
        rows.append((at / 100, outcome.fill, values))
    found = fit([file_of(rows, "xy")], BASE).found
    assert found is not None and found.unlike == ()
    for key, truth in (
        ("width", FIRST.width),
        ("smallest_wall", FIRST.smallest_wall),
        ("squeeze", FIRST.squeeze),
        ("smallest_fill", FIRST.smallest_fill),
    ):
        assert found.ranges[key].low <= truth <= found.ranges[key].high
        assert found.ranges[key].high - found.ranges[key].low < 0.2
    assert found.ranges["width"].value == pytest.approx(FIRST.width, abs=0.02)
    assert found.beads.between_one_and_two == FIRST.between_one_and_two


def test_one_line_goes_through_steps_that_keep_one_rule_and_no_other():
    rows = [(t / 10, "solid", around(0.9)) for t in range(5, 9)]
    rows += [(t / 10, "solid", around(t / 10 + 0.02)) for t in range(9, 20)]
    walls = file_of(rows).rows
    lines = lines_of(steps(walls), scatter_of(walls, 0.01)).lines
    assert [(line.slope, len(line.steps)) for line in lines] == [(0.0, 4), (1.0, 11)]
    assert [line.offset for line in lines] == [pytest.approx(0.9), pytest.approx(0.02)]


def test_where_the_printed_thickness_jumps_the_band_covers_both():
    rows = [(0.3, "solid", around(0.45)), (0.4, "solid", around(0.45))]
    rows += [(t / 10, "solid", around(0.9)) for t in (6, 7, 8)]
    table = band_table(rules_of(fit([file_of(rows, "xy")], BASE), BASE))
    jump = table.outcome(0.5)
    assert jump.fill in ("solid", "uncertain")
    assert jump.printed - jump.uncertainty < 0.45
    assert jump.printed + jump.uncertainty > 0.9
    assert table.outcome(0.4).uncertainty < 0.05 > table.outcome(0.6).uncertainty


def test_axes_that_agree_make_one_table_and_axes_that_do_not_make_two():
    same = [(t / 10, "solid", around(t / 10)) for t in range(5, 15)]
    other = [(t / 10, "solid", around(t / 10 + 0.06)) for t in range(5, 15)]
    assert fit([file_of(same, "xy")], BASE).axes == {}
    both = Readings("r.csv", (*file_of(same, "x").rows, *file_of(other, "y").rows), error=0.02)
    fitted = fit([both], BASE)
    assert set(fitted.axes) == {"x", "y"}
    assert "on the whole walls along x are 0.060 mm thinner than along y" in fitted.differ
    rules = rules_of(fitted, BASE)
    x, y, any_ = (band_table(rules, axis).outcome(1.0) for axis in ("x", "y", None))
    assert y.printed - x.printed == pytest.approx(0.06, abs=0.005)
    # A wall in any direction may be as thin as one and as thick as the other.
    assert any_.printed - any_.uncertainty <= x.printed - x.uncertainty + 0.001
    assert any_.printed + any_.uncertainty >= y.printed + y.uncertainty - 0.001


def test_a_wall_between_walls_that_are_missing_may_differ_too():
    """No neighbour was read that would tell whether the printed thickness steps up there."""

    def along(axis, alone):
        rows = [(0.4, "missing", ()), (0.6, "solid", around(alone)), (0.8, "missing", ())]
        rows += [(at / 10, "solid", around(at / 10)) for at in range(10, 20)]
        return file_of(rows, axis)

    fitted = fit([along("x", 0.62), along("y", 0.8)], BASE)
    assert fitted.differ == ("0.60 mm along x is 0.180 mm thinner than along y",)


def test_walls_in_any_direction_get_the_worse_fill():
    x = [(t / 10, "solid", around(t / 10)) for t in range(5, 15)]
    y = [(t / 10, "hollow" if t == 10 else "solid", around(t / 10)) for t in range(5, 15)]
    both = Readings("r.csv", (*file_of(x, "x").rows, *file_of(y, "y").rows), error=0.02)
    fitted = fit([both], BASE)
    rules = rules_of(fitted, BASE)
    found = [band_table(rules, axis).outcome(1.0).fill for axis in ("x", "y", None)]
    assert found == ["solid", "hollow", "hollow"]
    assert "1.00 mm comes out solid along x and hollow along y" in fitted.differ


def odd(rows, base=BASE, axes="xy"):
    return "\n".join(fit([file_of(rows, axes)], base).odd)


def usual(changed):
    """Walls as drawn from 0.5 to 1.4 mm, with some of them otherwise."""
    rows = {t / 10: ("solid", around(t / 10)) for t in range(9, 25)}
    return [(nominal, *row) for nominal, row in sorted({**rows, **changed}.items())]


def test_what_is_odd_is_told():
    assert odd(usual({})) == ""
    told = odd(usual({1.5: ("solid", (0.15, 0.15, 0.16))}))
    assert "r.csv:8: 1.50 mm along x: the reading 0.15 is thinner than possible" in told
    told = odd(usual({1.5: ("hollow", (0.45, 0.45, 0.45))}))
    assert "thinner than 2 x 0.6 nozzle diameters: hardly likely" in told
    told = odd(usual({1.5: ("solid", (1.5, 1.5, 1.9))}))
    assert "the reading 1.9 is an outlier among 1.5, 1.5, 1.9" in told
    told = odd(usual({1.5: ("solid", around(1.3))}))
    assert "1.50 mm came out" in told
    assert "only walls along x were measured" in odd(usual({}), axes="x")


def test_a_fill_that_no_bead_settings_expect_is_told():
    # Hollow in the middle of what the beads fill on either side of it, again and again.
    rows = usual(
        {
            0.3: ("solid", around(0.45)),
            0.4: ("solid", around(0.45)),
            0.6: ("solid", around(0.9)),
            0.7: ("hollow", around(0.9)),
            0.8: ("solid", around(0.9)),
        }
    )
    told = odd(rows)
    assert "0.70 mm came out hollow, which no bead settings that explain the other steps" in told


def test_a_wall_that_came_out_in_two_ways_is_uncertain():
    rows = usual({})
    rounds = [file_of(rows, "xy"), file_of(usual({1.5: ("hollow", around(1.5))}), "xy")]
    fitted = fit(rounds, BASE)
    table = band_table(rules_of(fitted, BASE))
    assert [table.outcome(at).fill for at in (1.4, 1.5, 1.6)] == ["solid", "uncertain", "solid"]
    assert "1.50 mm along x was seen to come out hollow and solid: measure it again" in fitted.odd


def test_powder_goes_on_as_it_did_and_nothing_is_calculated_from_beads():
    rows = [(0.3, "missing", ()), *((t / 10, "solid", around(t / 10 + 0.08)) for t in range(5, 20))]
    fitted = fit([file_of(rows, "xy")], BASE_POWDER)
    assert fitted.beads is None
    table = band_table(rules_of(fitted, BASE_POWDER))
    assert table.outcome(5).fill == "solid"
    assert table.outcome(5).band.source == "calculated"
    assert table.outcome(5).printed == pytest.approx(5.08, abs=0.01)
    assert table.outcome(0.4).fill == "uncertain"
    assert table.outcome(0.2).fill == "missing"


def test_other_features_are_told_but_change_no_limit():
    extra = parse_readings(
        "feature,axis,nominal,reading_1,fill\nwall,x,1,1.0,solid\nhole,vertical,0.5,,missing\n"
        "hole,vertical,1,0.8,\nhole,vertical,2,1.8,\n",
        "r.csv",
    )
    (told,) = fit([extra], BASE).others
    assert told.startswith("vertical holes: 0.50 mm did not come out, 1.00 mm and more did, -0.20")


def test_readings_without_a_wall_are_refused():
    text = "# source: toolpath\nfeature,axis,nominal,reading_1,fill\nhole,vertical,1,0.8,\n"
    holes = parse_readings(text, "h.csv")
    with pytest.raises(InputError, match=r"h\.csv: no wall is among the readings"):
        fit([holes], BASE)


def test_too_many_steps_are_refused():
    rows = [(0.2 + t / 100, "solid", (1.0,)) for t in range(130)]
    with pytest.raises(InputError, match="more than 120 thicknesses"):
        fit([file_of(rows)], BASE)


@pytest.mark.parametrize("base", [BASE, Rules("b", "b", "material extrusion", 0.2)])
@pytest.mark.parametrize("seed", range(2))
def test_nonsense_still_makes_a_table(seed, base):
    rng = random.Random(seed)
    rows = []
    for at in range(1, rng.randint(2, 30)):
        fill = rng.choice(("solid", "hollow", "missing"))
        values = (
            () if fill == "missing" else [rng.uniform(0.1, 4) for _ in range(rng.randint(1, 4))]
        )
        rows.append((at / 10, fill, values))
    fitted = fit([file_of(rows, "xy"), file_of(rows[::2], "x")], base)
    for axis in (None, "x", "y"):
        table = band_table(rules_of(fitted, base), axis)
        for nominal, fill, _ in rows:
            assert table.outcome(nominal).fill == fill


def test_the_same_readings_give_the_same_fit():
    rng = np.random.default_rng(3)
    process = KINDS[2](rng)
    file = read(process, steps_of(process.base), instrument(rng), rng)
    one, other = (fit([file], BASE) for _ in range(2))
    assert one.bands == other.bands
    assert one.beads == other.beads
