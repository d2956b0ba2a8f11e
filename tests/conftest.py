"""Fixtures that all tests share."""

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder of real meshes, schemas and benchmark parts beside a checkout, if any."""
    folder = Path(__file__).resolve().parents[2] / "shared"
    if not folder.is_dir():
        pytest.skip("no ../shared folder beside this checkout")
    return folder
