"""`wallguard schema`."""

import json

import pytest

from wallguard.base.errors import InputError
from wallguard.commands.schema import SCHEMAS, run


@pytest.mark.parametrize(
    ("which", "title"),
    [
        ("rules", "wallguard rule file"),
        ("repository", "wallguard.yaml"),
        ("waivers", "waivers.yaml"),
        ("report", "wallguard report"),
        ("impact", "wallguard impact"),
        ("rehearsal", "wallguard rehearsal"),
        ("scale", "wallguard scale"),
        ("walls", "wallguard walls"),
        ("toolpath", "wallguard report"),
        ("toolpath-against", "wallguard toolpath --against"),
    ],
)
def test_the_schema_is_printed_as_json(which: str, title: str) -> None:
    text = run(which)
    assert json.loads(text)["title"] == title
    assert text.endswith("}\n")


def test_an_unknown_schema_names_the_known_ones() -> None:
    with pytest.raises(InputError, match=f"There are: {', '.join(SCHEMAS)}"):
        run("part")
