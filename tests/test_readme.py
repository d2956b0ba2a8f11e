"""The README files show what the program really prints; the hooks are for the files it reads."""

import check_jsonschema
import pytest
from click.testing import CliRunner
from refresh_readme import READMES, ROOT, refreshed, schemas


@pytest.mark.parametrize("readme", READMES)
def test_a_readme_shows_the_real_output(readme):
    text = (ROOT / readme).read_text(encoding="utf-8")
    assert refreshed(text) == text, "run `python tests/refresh_readme.py`"


@pytest.mark.parametrize("name", sorted(schemas()))
def test_a_published_schema_is_that_of_the_program(name):
    assert (ROOT / name).read_text(encoding="utf-8") == schemas()[name], (
        "run `python tests/refresh_readme.py`"
    )


def test_published_schemas_are_schemas():
    files = [str(ROOT / name) for name in schemas()]
    done = CliRunner().invoke(check_jsonschema.main, ["--check-metaschema", *files])
    assert done.exit_code == 0, done.output


@pytest.mark.parametrize(
    ("which", "pattern"), [("rules", "rules/*.yaml"), ("repository", "wallguard.yaml")]
)
def test_editors_accept_the_files_of_the_example(which, pattern):
    files = sorted(map(str, (ROOT / "example_repo").glob(pattern)))
    schema = str(ROOT / f"schemas/{which}.schema.json")
    done = CliRunner().invoke(check_jsonschema.main, ["--schemafile", schema, *files])
    assert files and done.exit_code == 0, done.output
