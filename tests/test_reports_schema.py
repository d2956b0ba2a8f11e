"""The JSON Schemas of what is written: each document has its own, and no other keys."""

import json
import subprocess
import sys
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from report_samples import COMPARED, EMPTY, ORDINARY, PASSED, hostile, many

from wallguard.commands.main import main
from wallguard.commands.schema import SCHEMAS, run
from wallguard.findings.model import Report
from wallguard.reports.json_report import REPORT, text

OUTPUTS = [name for name in SCHEMAS if name not in ("rules", "repository", "waivers")]


def closed(schema: Any) -> Any:
    """The schema with every object closed to keys that it does not name."""
    if isinstance(schema, list):
        return [closed(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    made = {key: closed(value) for key, value in schema.items()}
    return {**made, "additionalProperties": False} if "properties" in schema else made


@pytest.mark.parametrize("name", OUTPUTS)
def test_the_schema_is_one_and_asks_for_every_key(name: str) -> None:
    schema = json.loads(run(name))
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["properties"]["schema"]["enum"][0].startswith("wallguard-")
    for one in (schema, *schema["$defs"].values()):
        assert sorted(one["required"]) == sorted(one["properties"])
    assert ("caution" in schema["required"]) == (name != "coupon")


def test_every_json_output_has_a_schema() -> None:
    assert {"report", "impact", "scale", "walls", "toolpath", "toolpath-against", "coupon"} <= {
        *OUTPUTS
    }


@pytest.mark.parametrize("report", [ORDINARY, EMPTY, PASSED, COMPARED, hostile(), many()])
def test_reports_have_the_schema_and_no_other_keys(report: Report) -> None:
    Draft202012Validator(closed(REPORT.schema())).validate(json.loads(text(report)))


def test_a_coupon_s_manifest_has_its_schema_and_no_other_keys(tmp_path):
    rules = tmp_path / "petg.yaml"
    rules.write_text(
        "wallguard: 1\nname: PETG\nprocess: {category: material extrusion}\nlayer_height: 0.2\n"
        "beads: {width: 0.5, contours: 2, smallest_wall: 0.4, squeeze: 0.05, smallest_fill: 0.5, "
        "spacing: width}\n"
    )
    assert main(["coupon", "make", str(rules), "--output", str(tmp_path / "coupon")]) == 0
    made = json.loads((tmp_path / "coupon" / "manifest.json").read_text("utf-8"))
    Draft202012Validator(closed(json.loads(run("coupon")))).validate(made)


def test_what_a_docstring_says_of_a_field_is_its_description() -> None:
    schema = REPORT.schema()
    assert "by itself" in schema["properties"]["asks_less"]["description"]
    assert schema["$defs"]["Spread"]["description"].startswith("Thickness along a wall in mm")


def test_a_report_is_written_without_the_library_that_reads_one() -> None:
    code = (
        "import sys; from wallguard.findings.model import Report; "
        "from wallguard.reports.json_report import text; text(Report(())); "
        "sys.exit('msgspec' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
