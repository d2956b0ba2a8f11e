"""Fixtures that all tests share."""

import gc
import os
from collections.abc import Callable
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from real_meshes import ORIGINS

_NUMBERS = count()
# Of `test_properties.py`: the same examples every time; in a campaign others, a hundred times as
# many. How long one takes depends on who else uses the machine.
_PLAIN = {"deadline": None, "database": None, "suppress_health_check": list(HealthCheck)}
settings.register_profile("ci", derandomize=True, **_PLAIN)
settings.register_profile("campaign", max_examples=100, print_blob=True, **_PLAIN)
settings.load_profile("ci")


def pytest_collection_finish() -> None:
    """What thousands of collected tests hold stays: it is not looked through again and again."""
    gc.collect()
    gc.freeze()


def pytest_unconfigure() -> None:
    gc.unfreeze()


@pytest.fixture(scope="session")
def caches(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where each test has a folder for what it finds out. `tmp_path_factory` itself looks through
    all folders that it made before: for thousands of tests that takes longer than many of them."""
    return tmp_path_factory.mktemp("caches")


@pytest.fixture(autouse=True)
def no_old_results(caches: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No test sees what another one found out, nor what the user did."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(caches / str(next(_NUMBERS))))


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder of real meshes, schemas and benchmark parts beside a checkout, if any."""
    folder = Path(__file__).resolve().parents[2] / "shared"
    if not folder.is_dir():
        pytest.skip("no ../shared folder beside this checkout")
    return folder


@pytest.fixture(scope="session")
def real(shared: Path) -> Callable[[str], Path]:
    """The file of a real mesh, by its name; `real_meshes.py` says whose it is."""

    def file(name: str) -> Path:
        assert name in ORIGINS, f"name the origin and the licence of {name} in real_meshes.py"
        return shared / "meshes" / name

    return file


@pytest.fixture(scope="session")
def junit_schema(shared: Path) -> Any:
    """Windy Road Technology's schema of what the Apache Ant tasks JUnit and JUnitReport write
    (2011, Apache License 2.0). There is no standard; this is the strictest that is published."""
    from lxml import etree

    return etree.XMLSchema(etree.parse(shared / "standards" / "JUnit.xsd"))


@pytest.fixture(scope="session")
def git_config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The only settings of git that tests know."""
    home = tmp_path_factory.mktemp("home")
    (home / "templates").mkdir()
    file = home / "gitconfig"
    # Sample hooks, and waiting for the disk, take longer than many of the tests.
    file.write_text(
        "[user]\nname = Tester\nemail = tester@example.org\n[gc]\nauto = 0\n"
        "[core]\nfsync = none\n[init]\ndefaultBranch = main\n"
        f"templateDir = {(home / 'templates').as_posix()}\n"
    )
    return file


@pytest.fixture(autouse=True)
def git_settings(monkeypatch: pytest.MonkeyPatch, git_config: Path) -> None:
    """Nothing that the machine or the run of the tests tells git reaches a test."""
    for name in [name for name in os.environ if name.startswith("GIT_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", str(git_config))
    monkeypatch.setenv("GIT_CONFIG_NOSYSTEM", "1")
