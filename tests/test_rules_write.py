"""What is written of rules loads as the same rules, whatever keys the format has."""

import random
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from test_rules_fields import FULL, MINIMAL, node

from wallguard.coupon.readings import read_readings
from wallguard.documents.reading import Mapping, parse_document
from wallguard.documents.record import key, table_of
from wallguard.documents.scalars import Choice, Days, Number, Text
from wallguard.documents.shape import Kept, Many, OneOf, Shape, Table
from wallguard.documents.write import Comments
from wallguard.fitting.fit import fit
from wallguard.fitting.rule_file import rule_file
from wallguard.rules.fields import RULE_FILE, format_of
from wallguard.rules.load import rules_from
from wallguard.rules.model import Beads, Rules
from wallguard.rules.write import described, text

ODD_TEXTS = (
    "plain", "no", "1:500", "0.4", "# not a comment", "a: b", '"', "\\", "- x", "{x}", "é ü 漢 🧵",
    "a\u2028b", "\ufeff", "tab\there", "%x", "*x", "&x", "!x", "'", "x #y", "…", "null", " a ",
)  # fmt: skip

# For what has a pattern: a day, a hash.
PATTERNED = ("2027-03-01", f"sha256:{'0a' * 32}")


def loaded(written: str) -> Rules:
    return rules_from(parse_document(written, "r.yaml"), "r.yaml")


def rules_of(document: dict[str, Any]) -> Rules:
    made = node(document)
    assert isinstance(made, Mapping)
    return rules_from(made, "r.yaml")


def any_value(shape: Shape, rng: random.Random) -> Any:
    """Any plain data that the shape takes."""
    if isinstance(shape, Number):
        if shape.whole:
            return rng.randint(int(shape.low), int(shape.high))
        value = rng.choice([shape.low, shape.high, rng.uniform(shape.low, shape.high)])
        return rng.choice([value, round(value, 3)])
    if isinstance(shape, Choice):
        return rng.choice(shape.values)
    if isinstance(shape, Text):
        allowed = [
            one
            for one in ODD_TEXTS
            if not list(shape.problems(node(one), "x"))  # as it stands
        ]
        patterned = [one for one in PATTERNED if not list(shape.problems(node(one), "x"))]
        return rng.choice(allowed or patterned)
    if isinstance(shape, Kept):
        return any_value(shape.shape, rng)
    if isinstance(shape, Days):
        return f"{rng.randint(2, 900)} days"
    if isinstance(shape, OneOf):
        return any_value(rng.choice(shape.shapes), rng)
    if isinstance(shape, Many):
        count = rng.randint(shape.fewest, min(shape.most, 4))
        return [any_value(shape.item, rng) for _ in range(count)]
    if isinstance(shape, Table):
        made = {
            one.key: any_value(one.shape, rng)
            for one in shape.fields
            if one.key != "extends" and (one.required or one.always or rng.random() < 0.6)
        }
        left_out = {other for one, other in shape.exclusive if one in made}
        left_out |= {needing for needing, needed in shape.needs if needed not in made}
        return {key: value for key, value in made.items() if key not in left_out}
    return 1


def test_any_values_are_written_as_they_are_read() -> None:
    rng = random.Random(5)
    for _ in range(100):
        plain = any_value(RULE_FILE, rng)
        for bands in [plain.get("bands", ()), *plain.get("axes", {}).values()]:
            for band in bands:
                band.setdefault("printed", 1.5)
        document = node(plain)
        assert isinstance(document, Mapping)
        assert not list(RULE_FILE.problems(document))
        rules = RULE_FILE.value(document, path="r.yaml", files=("r.yaml",))
        for written in (text(rules), text(rules, described(rules, Comments()))):
            read = parse_document(written, "r.yaml")
            assert not list(RULE_FILE.problems(read)), written
            assert RULE_FILE.value(read, path="r.yaml", files=("r.yaml",)) == rules, written


@pytest.mark.parametrize("document", [FULL, MINIMAL], ids=["full", "minimal"])
def test_a_file_with_every_key_comes_back(document: dict[str, Any]) -> None:
    rules = rules_of(document)
    assert loaded(text(rules)) == rules
    assert yaml.safe_load(text(rules))["name"] == document["name"]


def test_every_key_that_is_said_is_written() -> None:
    """As plain data, so that a key which nobody keeps cannot hide on both sides."""
    written = yaml.safe_load(text(rules_of(FULL)))
    written["measured_on"] = str(written["measured_on"])  # there YAML knows days
    written["measured_on"] = str(written["measured_on"])  # there YAML knows days
    assert {
        **written,
        "bands": [
            {name: one[name] for name in was}
            for one, was in zip(written["bands"], FULL["bands"], strict=True)
        ],
        "outcomes": {name: written["outcomes"][name] for name in FULL["outcomes"]},
    } == {**FULL, "minimum": {"wall": {"fail": 0.8, "warn": 1.2}, "floor": {"fail": 3}}}


@dataclass(frozen=True)
class MoreBeads(Beads):
    spacing: float | None = field(
        default=None, metadata=key(Number(0, 20, "mm"), "Distance of neighbouring beads in mm.")
    )


@dataclass(frozen=True)
class MoreRules(Rules):
    lean: float = field(
        default=45, metadata=key(Number(0, 90, "degrees"), "Least angle of a face.", asks="more")
    )
    beads: MoreBeads | None = field(
        default=None, metadata=key(table_of(MoreBeads, "bead settings"), "Bead settings.")
    )


def test_a_new_key_is_known_to_schema_validation_value_and_writer() -> None:
    table = format_of(MoreRules)
    plain = {**MINIMAL, "lean": 30, "beads": {**FULL["beads"], "spacing": 0.41}}
    schema = table.schema()
    assert schema["properties"]["lean"]["default"] == 45
    jsonschema.validate(plain, schema)
    document, wrong = node(plain), node({**plain, "lean": 100})
    assert isinstance(document, Mapping)
    assert list(table.problems(document)) == []
    assert [p.text for p in table.problems(wrong)] == [
        "`lean`: expected a number of degrees from 0 to 90, but found 100"
    ]
    rules = table.value(document, path="r.yaml")
    assert (rules.lean, rules.beads.spacing) == (30, 0.41)
    written = text(rules, table=table)
    assert "lean: 30\n" in written
    assert "  spacing: 0.41\n" in written
    assert table.value(parse_document(written, "r.yaml"), path="r.yaml") == rules


def test_what_is_left_out_is_offered_with_its_meaning() -> None:
    rules = rules_of(MINIMAL)
    written = text(rules, described(rules, Comments(offered={"notes": "anything"})), head=["# us"])
    assert written.startswith("# us\n# Version of this format: 1.\nwallguard: 1\n")
    assert "  # The printer, in your own words.\n  # printer: <the printer's name>\n" in written
    assert "# notes: anything\n" in written
    assert "beads:" not in written
    assert "extends:" not in written


def test_comments_stay_comments() -> None:
    rules = rules_of(MINIMAL)
    odd = "x\nname: other\u2028y\x85"
    comments = Comments(
        above={"name": [odd]}, beside={"name": odd}, below={"name": [odd]}, offered={"notes": odd}
    )
    assert loaded(text(rules, comments)) == rules


def test_a_fit_keeps_every_key_but_those_that_it_fits(tmp_path: Path) -> None:
    readings = tmp_path / "readings.csv"
    rows = [(0.4, "", "missing"), (0.8, "1.15", "solid"), (1.5, "1.5", "hollow"), (2, "2", "solid")]
    lines = [f"wall,x,{nominal},{read},{fill}" for nominal, read, fill in rows]
    readings.write_text("\n".join(["feature,axis,nominal,reading_1,fill", *lines, ""]), "utf-8")
    process = {**FULL["process"], "filament": 2.85, "flow": 0.97}
    base = rules_of({**FULL, "process": process, "bands": [], "axes": {}})
    made = loaded(rule_file(fit([read_readings(readings)], base), base))
    kept = {one.name for one in fields(Rules)} - {"path", "files", "beads", "bands", "axes"}
    assert {name: getattr(made, name) for name in kept} == {
        name: getattr(base, name) for name in kept
    }
    assert made.bands
