"""A design repository under git, to try hooks and pipelines on."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from solids import box, mesh

from wallguard.mesh.mesh import Mesh

TOP = Path(__file__).resolve().parents[1]
CONFIG = """\
wallguard: 1
unit: mm
parts:
  - files: "**/*.stl"
    rules: rules/petg.yaml
exclude: ["drafts/"]
"""
# 1.5 mm comes out hollow: 1.5 - 2 x 0.55 = 0.4 lies between `squeeze` and `smallest_fill`.
RULES = """\
wallguard: 1
name: PETG
process: {category: material extrusion}
layer_height: 0.5
beads: {width: 0.55, contours: 2, smallest_wall: 0.45, squeeze: 0.1, smallest_fill: 0.6,
        spacing: width}
"""


def stl(path: Path, wall: float) -> None:
    """A square tube with walls of `wall` mm, as ASCII STL."""
    inside = 20 - 2 * wall
    drawn: Mesh = mesh(box([20, 20, 4]) - box([inside, inside, 6], [wall, wall, -1]))
    lines = ["solid tube"]
    for triangle in drawn.vertices[drawn.triangles].tolist():
        lines += ["facet normal 0 0 0", "outer loop"]
        lines += [f"vertex {x:.6f} {y:.6f} {z:.6f}" for x, y, z in triangle]
        lines += ["endloop", "endfacet"]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([*lines, "endsolid tube", ""]), encoding="ascii")


def git(folder: Path, *arguments: str) -> str:
    """What git says in `folder`; it must succeed."""
    done = subprocess.run(
        ["git", "-C", str(folder), *arguments], check=True, capture_output=True, text=True
    )
    return done.stdout.strip()


def commit(folder: Path) -> None:
    """Commits all that stands in `folder`."""
    git(folder, "add", ".")
    git(folder, "commit", "-qm", "work")


class Work:
    """A design repository under construction."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def run(self, *command: str, **more) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            command,
            cwd=self.root,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
            check=False,
            **more,
        )

    def git(self, *arguments: str) -> str:
        done = self.run("git", *arguments)
        assert done.returncode == 0, done.stdout
        return done.stdout.strip()

    def write(self, name: str, text: str) -> None:
        (self.root / name).parent.mkdir(parents=True, exist_ok=True)
        (self.root / name).write_text(text, encoding="utf-8")

    def commit(self, *options: str) -> subprocess.CompletedProcess[str]:
        return self.run("git", "commit", "--message", "work", *options)


def design_repository(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Work:
    """A repository with its first commit, `wallguard` on the PATH, and a `pip` that only notes in
    `installed` what it was asked for."""
    for name in [name for name in os.environ if name.startswith("PRE_COMMIT")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("PRE_COMMIT_HOME", str(tmp_path / "pre-commit"))
    monkeypatch.setenv("PYTHONPATH", str(TOP))
    programs = tmp_path / "programs"
    programs.mkdir()
    for name, line in (
        ("wallguard", f'exec "{sys.executable}" -m wallguard "$@"'),
        ("pip", f'echo "$@" >> "{tmp_path / "installed"}"'),
    ):
        program = programs / name
        program.write_text(f"#!/bin/sh\n{line}\n")
        program.chmod(0o755)
    monkeypatch.setenv("PATH", str(programs), prepend=os.pathsep)
    made = Work(tmp_path / "design")
    made.root.mkdir()
    made.git("init", "--quiet")
    made.write("wallguard.yaml", CONFIG)
    made.write("rules/petg.yaml", RULES)
    stl(made.root / "parts/good.stl", 1.8)
    made.git("add", "--all")
    made.git("commit", "--quiet", "--message", "first")
    return made
