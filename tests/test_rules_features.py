"""A check is one module and one row: nothing else has to know of it."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from wallguard.documents.reading import DocumentError
from wallguard.rules.features import CATEGORIES, FEATURES
from wallguard.rules.load import load_rules
from wallguard.rules.model import Rules

CHECKS = Path(__file__).parent.parent / "wallguard" / "checks"

# Runs where the registry has a row more than ours, and a module that stands in no file.
WITH_ONE_MORE = """
import sys, types
from pathlib import Path
from wallguard.rules import features
from wallguard.rules.features import Asked, Feature

features.FEATURES += (
    Feature(
        "slender",
        "walls are not too high for their thickness",
        "slender",
        Asked("height over thickness", unit="", smaller_is_worse=False),
        categories=("vat photopolymerization", "powder bed fusion"),
    ),
)
module = types.ModuleType("wallguard.checks.slender", "Height over thickness.")
module.ID = "slender"
module.applies = lambda case: "" if "slender" in case.rules.minimum else "not asked"
module.findings = lambda case: iter(())
sys.modules["wallguard.checks.slender"] = module

from wallguard.checks.registry import CHECKS
from wallguard.coupon.plan import plan
from wallguard.rules.fields import rules_schema
from wallguard.rules.load import load_rules

assert list(CHECKS)[-1] == "slender"
assert "slender" in rules_schema()["properties"]["minimum"]["properties"]
rules = load_rules(Path(sys.argv[1]))
print(rules.minimum["slender"])
plan(rules)
"""
RESIN = """\
wallguard: 1
name: resin
process: {category: vat photopolymerization}
layer_height: 0.05
"""


def with_one_more(path: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", WITH_ONE_MORE, str(path)]
    return subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)


def test_every_module_of_a_check_has_its_row() -> None:
    # A module that says its ID is a check; the others help.
    texts = {path.stem: path.read_text("utf-8") for path in CHECKS.glob("*.py")}
    named = {stem for stem, text in texts.items() if re.search(r"^ID\b", text, re.MULTILINE)}
    assert named == {row.module for row in FEATURES}
    assert len({row.id for row in FEATURES}) == len(FEATURES)
    assert all(set(row.categories) <= set(CATEGORIES) for row in FEATURES)


def test_a_check_with_a_limit_is_a_module_and_a_row(tmp_path: Path) -> None:
    file = tmp_path / "rules.yaml"
    file.write_text(RESIN + "minimum: {slender: {fail: 20, warn: 10}}\n", "utf-8")
    ran = with_one_more(file)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout == "Limit(fail=20.0, warn=10.0)\n"


def test_a_limit_from_above_warns_below_where_it_fails(tmp_path: Path) -> None:
    file = tmp_path / "rules.yaml"
    file.write_text(RESIN + "minimum: {slender: {fail: 10, warn: 20}}\n", "utf-8")
    assert "`minimum.slender.warn` is 20, above `fail`, 10" in with_one_more(file).stderr


def test_a_category_that_does_not_know_a_feature_refuses_its_limit(tmp_path: Path) -> None:
    file = tmp_path / "rules.yaml"
    text = RESIN.replace("vat photopolymerization", "material extrusion")
    file.write_text(
        f"{text}bands: [{{from: 0, fill: solid}}]\nminimum: {{slender: {{fail: 10}}}}\n", "utf-8"
    )
    assert (
        "rules.yaml:6:11: `minimum.slender` is for vat photopolymerization and powder bed fusion, "
        "but this is material extrusion. Remove it, or correct `process.category`"
    ) in with_one_more(file).stderr


def test_an_old_key_is_told_by_its_new_name(tmp_path: Path) -> None:
    file = tmp_path / "rules.yaml"
    file.write_text(RESIN + "minimum:\n  unsupported_wall: {fail: 1}\n", "utf-8")
    with pytest.raises(DocumentError) as caught:
        load_rules(file, tmp_path)
    assert str(caught.value) == (
        "rules.yaml:6:3: `minimum.unsupported_wall` is called `free_wall` now. Rename it. "
        "Smallest allowed thickness of a wall with a free edge, in mm."
    )


def test_what_is_not_asked_has_no_least_size() -> None:
    rules = Rules("r.yaml", "r", "powder bed fusion", 0.1)
    assert rules.least("wall") == 0
