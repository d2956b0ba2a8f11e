"""`coupon fit`, `coupon next` and `coupon drift` from file to file."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import fields

import numpy as np
import pytest
import yaml
from processes import BASE, KINDS, Instrument, Process, read, rules_of, steps_of
from test_coupon_fit import MACHINE_A, MACHINE_D

from wallguard.bands.declared import band_table
from wallguard.base.errors import InputError
from wallguard.commands.coupon import drift as coupon_drift
from wallguard.commands.coupon import fit as coupon_fit
from wallguard.commands.coupon import next as coupon_next
from wallguard.fitting.drift import drift
from wallguard.fitting.fit import fit
from wallguard.fitting.next_steps import next_steps
from wallguard.rules.features import FEATURES
from wallguard.rules.fields import rules_schema
from wallguard.rules.load import load_rules
from wallguard.rules.model import DeclaredBand, Rules

BASE_TEXT = """\
wallguard: 1
name: "Left: the <old> & loud one"
process: {category: material extrusion, printer: left, material: PETG}
build_volume: [200, 200, 180]
layer_height: 0.2
beads: {nozzle: 0.4, width: 0.45, contours: 2, smallest_wall: 0.4, squeeze: 0.1, smallest_fill: 0.3,
        spacing: width}
minimum: {wall: {fail: 0.8, warn: 1.2}, floor: {fail: 3}}
tolerance: {thinner: 0.1, thicker: 0.2}
outcomes: {hollow: warn}
notes: |
  Two lines: "quoted"
  # not a comment
"""
HEADER = "feature,axis,nominal,reading_1,reading_2,fill\n"


def csv(rows, axes="xy", head="# process: A\n# instrument_error: 0.02\n"):
    lines = [
        f"wall,{axis},{nominal},{','.join([*map(str, values), '', ''][:2])},{fill}\n"
        for axis in axes
        for nominal, fill, values in rows
    ]
    return head + HEADER + "".join(lines)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "base.yaml").write_text(BASE_TEXT)
    (tmp_path / "a.csv").write_text(csv(MACHINE_A))
    (tmp_path / "d.csv").write_text(csv(MACHINE_D, head=""))
    return tmp_path


def run(folder, *readings, output="new.yaml", plot=None):
    return coupon_fit.run(
        [folder / name for name in readings],
        rules=folder / "base.yaml",
        output=folder / output,
        plot_file=folder / plot if plot else None,
    )


def test_a_fit_writes_rules_that_keep_what_a_coupon_does_not_tell(folder):
    told = run(folder, "a.csv")
    base, made = load_rules(folder / "base.yaml"), load_rules(folder / "new.yaml")
    for name in ("name", "category", "printer", "material", "build_volume", "layer_height"):
        assert getattr(made, name) == getattr(base, name)
    for name in ("minimum", "tolerance", "outcomes", "notes"):
        assert getattr(made, name) == getattr(base, name)
    table = band_table(made)
    assert [table.outcome(nominal).fill for nominal, _, _ in MACHINE_A] == [
        fill for _, fill, _ in MACHINE_A
    ]
    text = (folder / "new.yaml").read_text()
    assert "# hollow at 1.50, 2 readings\n" in text
    assert "# the fill changes between these steps\n" in text
    assert "largest error of the instrument 0.02 (stated)" in text.replace("\n#  ", "")
    assert "1.50           hollow" in told
    assert told.endswith(f"wrote: {folder / 'new.yaml'}\n")


def test_what_is_written_is_what_was_fitted(folder):
    rng = np.random.default_rng(11)
    process = KINDS[1](rng)
    used = Instrument(0.02, 0.01, 2)
    rows = read(process, steps_of(process.base), used, rng).rows
    lines = [
        f"wall,{r.axis},{r.nominal},{','.join([*map(str, r.readings), '', ''][:2])},{r.fill}\n"
        for r in rows
    ]
    (folder / "r.csv").write_text("# instrument_error: 0.02\n" + HEADER + "".join(lines))
    run(folder, "r.csv")
    from wallguard.coupon.readings import read_readings

    fitted = fit([read_readings(folder / "r.csv")], load_rules(folder / "base.yaml"))
    made = load_rules(folder / "new.yaml")
    assert made.bands == fitted.bands
    assert made.axes == fitted.axes
    assert made.beads == fitted.beads
    assert set(made.axes) == {"x", "y"}


def anything(schema):
    """Plain data with every key of a JSON Schema, as few values as can be at their default."""
    if "anyOf" in schema:
        return anything(schema["anyOf"][-1])
    if "enum" in schema:
        return next(value for value in schema["enum"] if value != schema.get("default"))
    if schema["type"] == "object":
        return {key: anything(value) for key, value in schema["properties"].items()}
    if schema["type"] == "array":
        return [anything(schema["items"])] * schema["minItems"]
    if schema["type"] in ("number", "integer"):
        value = schema["minimum"] + 0.01 * (schema["maximum"] - schema["minimum"])
        return round(value, 0 if schema["type"] == "integer" else 3)
    if "pattern" in schema:
        return "12 days"
    return 'odd: # "text"'


def test_every_key_of_the_format_survives_a_fit(folder):
    # Of where the numbers are from, only how long they hold is not the fit's own.
    fitted = ("wallguard", "extends", "beads", "bands", "axes")
    fitted += ("made_with", "measured_on", "measured_by", "coupon")
    fitted += ("growth", "growth_uncertainty")
    keys = {key: value for key, value in rules_schema()["properties"].items() if key not in fitted}
    asked = {key: anything(value) for key, value in keys.items()}
    unfit = [row.id for row in FEATURES if asked["process"]["category"] not in row.categories]
    for name in unfit:
        del asked["minimum"][name]
    asked["tolerance"]["thicker"] = 0.07  # two that are alike are written as one
    assert {"free_wall", "floor"} <= set(asked["minimum"]) and "flow" in asked["process"]
    beads = yaml.safe_load(BASE_TEXT)["beads"]
    (folder / "base.yaml").write_text(yaml.safe_dump({"wallguard": 1, "beads": beads, **asked}))
    run(folder, "a.csv")
    written = yaml.safe_load((folder / "new.yaml").read_text())
    assert {key: written[key] for key in asked} == asked
    base, made = load_rules(folder / "base.yaml"), load_rules(folder / "new.yaml")
    for name in {one.name for one in fields(Rules)} - {*fitted, "path", "files"}:
        assert getattr(made, name) == getattr(base, name), name


def test_a_fit_is_the_same_twice(folder):
    run(folder, "a.csv", plot="fit.svg")
    first = [(folder / name).read_bytes() for name in ("new.yaml", "fit.svg")]
    run(folder, "a.csv", plot="fit.svg")
    assert [(folder / name).read_bytes() for name in ("new.yaml", "fit.svg")] == first


def test_a_file_given_twice_counts_once(folder):
    run(folder, "a.csv")
    once = (folder / "new.yaml").read_text()
    run(folder, "a.csv", "a.csv")
    assert (folder / "new.yaml").read_text() == once


@pytest.mark.parametrize(
    ("output", "plot", "message"),
    [
        ("base.yaml", None, "this file is read by the same command"),
        ("a.csv", None, "this file is read by the same command"),
        ("other.yaml", None, "no earlier output of the kind"),
        ("new.yaml", "base.yaml", "this file is read by the same command"),
        ("new.yaml", "new.yaml", "two outputs of the same command"),
        ("new.yaml", "other.svg", "no earlier output of the kind"),
        ("none/new.yaml", None, "its folder does not exist"),
    ],
)
def test_nothing_is_written_over_but_its_own(folder, output, plot, message):
    (folder / "other.yaml").write_text("wallguard: 1\n")
    (folder / "other.svg").write_text("<svg/>")
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with pytest.raises(InputError, match=message):
        run(folder, "a.csv", output=output, plot=plot)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_bad_readings_write_nothing(folder):
    (folder / "bad.csv").write_text(csv(MACHINE_A).replace("1.99", "199"))
    before = sorted(folder.iterdir())
    with pytest.raises(InputError, match=r"bad\.csv:9:4: .* is too large"):
        run(folder, "a.csv", "bad.csv", plot="fit.svg")
    assert sorted(folder.iterdir()) == before


def test_the_plot_is_xml_without_what_names_could_bring_in(folder):
    run(folder, "a.csv", plot="fit.svg")
    text = (folder / "fit.svg").read_text()
    root = ET.fromstring(text)
    words = [node.text for node in root.iter() if node.text and node.text.strip()]
    assert "Left: the <old> & loud one" in words
    for word in ("printed thickness, mm", "thickness as drawn, mm", "missing", "solid"):
        assert word in words
    # One mark for each wall: circles along x, filled or, where nothing was printed, empty.
    circles = [node for node in root.iter() if node.tag.endswith("circle")]
    marks = [node for node in circles if node.get("r") == "0.9"]
    empty = [node for node in marks if node.get("fill") == "#ffffff"]
    assert len(marks) == len(MACHINE_A) + 2
    assert len(empty) == 2
    assert not [node for node in root.iter() if node.tag.endswith("script")]


def test_next_names_a_wall_in_the_middle_of_each_uncertain_range(folder):
    run(folder, "a.csv")
    told, thicknesses = coupon_next.run(folder / "new.yaml", at_most=1)
    assert told.startswith("print next: 0.50, 1.25, 1.75, ")
    assert thicknesses[:3] == (0.5, 1.25, 1.75)
    assert "  1.25  divides 1.00-1.50: solid below, hollow above\n" in told
    more = coupon_next.run(folder / "new.yaml", at_most=12)[1]
    assert len(more) == 12
    assert set(thicknesses[:2]) <= {0.5, 1.25} and list(more) == sorted(more)


def test_next_has_nothing_to_say_where_all_is_known(folder):
    (folder / "known.yaml").write_text(
        "wallguard: 1\nname: n\nlayer_height: 0.1\nprocess: {category: powder bed fusion}\n"
        "bands:\n  - {from: 0, to: 0.5, fill: missing}\n"
        "  - {from: 0.5, to: 0.51, fill: uncertain, printed: 0, slope: 1, uncertainty: 0.1}\n"
        "  - {from: 0.51, fill: solid}\n"
    )
    assert coupon_next.run(folder / "known.yaml") == (
        "nothing is uncertain by more than 0.02 mm: no further coupon is needed\n",
        (),
    )


def test_next_looks_for_a_step_in_the_printed_thickness_too():
    bands = (
        DeclaredBand(0, 0.5, "solid", 0.45, 0.02, "measured"),
        DeclaredBand(0.5, 0.7, "solid", 0.67, 0.25, "measured"),
        DeclaredBand(0.7, None, "solid", 0.9, 0.02, "measured"),
    )
    (found,) = next_steps(Rules("r", "r", "powder bed fusion", 0.1, bands=bands), at_most=1)
    assert (found.thickness, found.why) == (0.6, "thickness")


def printed_again(process: Process, seed: int):
    rng = np.random.default_rng(seed)
    used = Instrument(0.02, 0.015, 3)
    rules = rules_of(
        fit([read(process, steps_of(process.base), used, rng)], process.base), process.base
    )
    return rules, read(process, steps_of(process.base), used, rng)


def test_the_same_printer_seldom_drifts():
    found = 0
    for seed in range(100):
        rules, later = printed_again(KINDS[3 + seed % 3](np.random.default_rng(seed)), seed)
        found += drift([later], rules).drifted
    assert found <= 4


def test_a_changed_printer_drifts():
    for seed in range(6):
        process = KINDS[3](np.random.default_rng(seed))
        rules, _ = printed_again(process, seed)
        thicker = Process(
            "thicker",
            process.fill,
            lambda t, axis, was=process.printed: v + 0.12 if (v := was(t, axis)) else None,
            process.base,
        )
        _, later = printed_again(thicker, seed + 50)
        found = drift([later], rules)
        assert found.drifted
        assert found.changed == ()
        assert len(found.outside) > len(found.walls) / 2


def test_drift_from_file_to_file(folder):
    run(folder, "a.csv")
    told, code = coupon_drift.run(folder / "new.yaml", [folder / "a.csv"])
    assert (code, told) == (0, "no drift: 12 walls come out as the rules say\n")
    hollow = [row if row[0] != 0.8 else (0.8, "hollow", (1.2,)) for row in MACHINE_A]
    (folder / "later.csv").write_text(csv(hollow))
    told, code = coupon_drift.run(folder / "new.yaml", [folder / "later.csv"])
    assert code == 1
    assert "changed outcomes:\n  0.80 mm along x: solid -> hollow, read 1.20 mm\n" in told
    thin = [row if row[0] != 2.0 else (2.0, "solid", (1.5, 1.52)) for row in MACHINE_A]
    (folder / "later.csv").write_text(csv(thin))
    told, code = coupon_drift.run(folder / "new.yaml", [folder / "later.csv"])
    assert code == 1
    assert "  2.00 mm along x: read 1.51 ± " in told
    between = [(1.75, "solid", (1.76,)), (2.0, "solid", (2.0, 2.01))]
    (folder / "later.csv").write_text(csv(between, axes="x"))
    told, code = coupon_drift.run(folder / "new.yaml", [folder / "later.csv"])
    assert code == 0
    assert "not known before" in told and "  1.75 mm along x: solid at 1.76 mm\n" in told


def test_drift_needs_walls(folder):
    (folder / "holes.csv").write_text("feature,axis,nominal,reading_1,fill\nhole,vertical,1,0.9,\n")
    with pytest.raises(InputError, match=r"holes\.csv: no wall is among the readings"):
        coupon_drift.run(folder / "base.yaml", [folder / "holes.csv"])


def test_a_band_table_of_a_base_without_beads_holds_beyond_the_steps(folder):
    (folder / "base.yaml").write_text(
        "wallguard: 1\nname: n\nlayer_height: 0.1\nprocess: {category: powder bed fusion}\n"
        "bands:\n  - {from: 0, to: 0.3, fill: missing}\n  - {from: 0.3, fill: solid}\n"
    )
    (folder / "p.csv").write_text(csv([(0.5, "solid", (0.55, 0.56)), (1, "solid", (1.05, 1.04))]))
    run(folder, "p.csv")
    table = band_table(load_rules(folder / "new.yaml"))
    assert [table.outcome(at).fill for at in (0.2, 0.4, 0.7, 3)] == [
        "missing", "solid", "solid", "solid",
    ]  # fmt: skip
    assert [table.outcome(at).band.source for at in (0.2, 0.7, 3)] == [
        "declared", "measured", "declared",
    ]  # fmt: skip


def test_rules_keep_the_base_where_no_beads_explain_the_readings(folder):
    assert BASE.beads is not None
    rows = [(t / 10, "hollow" if t % 2 else "solid", (t / 10 + 0.5,)) for t in range(3, 25)]
    (folder / "odd.csv").write_text(csv(rows))
    told = run(folder, "odd.csv")
    assert "no bead settings explain these readings well: those of the base are kept" in told
    assert load_rules(folder / "new.yaml").beads == load_rules(folder / "base.yaml").beads
