"""Fixtures that all tests share."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from real_meshes import ORIGINS


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
