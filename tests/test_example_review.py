"""The example's walk through a pull request: hook, gate, comment and page, as its script shows."""

import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).resolve().parents[1] / "example_repo" / "review.py"


def test_the_way_of_a_change(tmp_path):
    folder = tmp_path / "puppets"
    ran = subprocess.run(
        [sys.executable, str(SCRIPT), str(folder)], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    said = " ".join(ran.stdout.split())
    assert "1.40 mm thick" in said
    assert "1 fixed" in said
    assert "Do not merge" in said
    page = (folder / "walls.html").read_text(encoding="utf-8")
    assert "goose_head" in page
    assert not any(folder.glob("**/*.tmp"))


def test_a_folder_in_use_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    ran = subprocess.run(
        [sys.executable, str(SCRIPT), str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 1
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
