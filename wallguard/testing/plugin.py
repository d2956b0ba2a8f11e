"""The pytest plugin: options, the marker `wallguard`, and the fixture `walls`.

It is loaded with every run of pytest where wallguard is installed, so it loads nothing but pytest.
"""

from __future__ import annotations

from glob import has_magic
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from wallguard.testing.walls import Walls

_MARKER = (
    "wallguard(*rules): rule files, or patterns of such, that `walls.check` holds parts against; "
    "the test is run once for each"
)


def pytest_addoption(parser: pytest.Parser) -> None:
    """Declare the options."""
    group = parser.getgroup("wallguard", "walls of 3D-printed parts")
    group.addoption(
        "--wallguard-pictures",
        type=Path,
        metavar="DIR",
        help="write the section around each finding of a test that fails, as SVG and PNG",
    )
    group.addoption(
        "--wallguard-junit",
        action="store_true",
        help="add to pytest's own JUnit XML what each part was checked for and what was found",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Declare the marker."""
    config.addinivalue_line("markers", _MARKER)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Run a test with the marker once for each of its rule files."""
    marker = metafunc.definition.get_closest_marker("wallguard")
    if marker is None or not marker.args or "wallguard_rules" not in metafunc.fixturenames:
        return
    folders = _folders(metafunc.definition.path, metafunc.config.rootpath)
    test = metafunc.definition.name
    files = [file for pattern in marker.args for file in _files(str(pattern), folders, test)]
    metafunc.parametrize(
        "wallguard_rules", list(dict.fromkeys(files)), indirect=True, ids=lambda file: file
    )


@pytest.fixture
def wallguard_rules(request: pytest.FixtureRequest) -> str | None:
    """The rule file of the marker `wallguard` that the test is run for; None: it has none."""
    rules: str | None = getattr(request, "param", None)
    return rules


@pytest.fixture
def walls(request: pytest.FixtureRequest, wallguard_rules: str | None) -> Walls:
    """Walls, gaps, holes and pins of parts: `walls.check(part, rules="petg.yaml")` fails where a
    wall will not come out, `walls.of(part).thinnest` is a number to assert."""
    from wallguard.testing.walls import Setting, Walls

    node, config = request.node, request.config
    record = None
    if config.getoption("--wallguard-junit"):
        record = request.getfixturevalue("record_property")
    pictures: Path | None = config.getoption("--wallguard-pictures")
    if pictures is not None:
        # Tests of one name in several files have each their own.
        inside = node.path.is_relative_to(config.rootpath)
        pictures /= node.path.relative_to(config.rootpath) if inside else node.path.name
        pictures = pictures.with_suffix("")
    rules = (wallguard_rules,) if wallguard_rules else ()
    folders = _folders(node.path, config.rootpath)
    return Walls(Setting(node.name, folders, rules, pictures, record))


def _folders(test: Path, root: Path) -> tuple[Path, ...]:
    """Where files that a test names are looked for: from its own folder up to pytest's rootdir,
    and last where pytest was started."""
    above = [folder for folder in test.parents if folder == root or root in folder.parents]
    return (*above, *([root] if root not in above else []), Path.cwd())


def _files(pattern: str, folders: tuple[Path, ...], test: str) -> list[str]:
    """The rule files that a marker names, as they are named from the folder they are found in."""
    if not has_magic(pattern):
        return [pattern]
    for folder in folders:
        found = sorted(path.relative_to(folder).as_posix() for path in folder.glob(pattern))
        if found:
            return found
    looked = ", ".join(folder.as_posix() for folder in dict.fromkeys(folders))
    # Of a marker's words: pytest tells this alone, without its own lines.
    raise pytest.Collector.CollectError(
        f"{test}: no rule file is called {pattern}. It was looked for in {looked}."
    )
