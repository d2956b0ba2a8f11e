"""What is built: the same bytes twice, and no more than is tracked. What it is tested with: every
version held to its hash, and advisories asked for."""

import hashlib
import importlib.util
import os
import re
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

from wallguard import __version__

ROOT = Path(__file__).resolve().parents[1]
NAME = f"wallguard-{__version__}"
INFO = {"METADATA", "WHEEL", "entry_points.txt", "licenses/LICENSE", "RECORD"}
LOCKS = ROOT / ".ci/lock"
needs_lock = pytest.mark.skipif(not LOCKS.exists(), reason="no part of a distribution")


def tracked() -> list[str]:
    if not (ROOT / ".git").exists():
        pytest.skip("this is no checkout")
    done = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return [name for name in done.stdout.split("\0") if name and (ROOT / name).exists()]


@pytest.fixture(scope="module")
def built(tmp_path_factory) -> list[dict[str, bytes]]:
    """What is built of two copies of the checkout, on another day each, by file name."""
    pytest.importorskip("hatchling")
    made = []
    for number in range(2):
        top = tmp_path_factory.mktemp("copy")
        for name in tracked():
            (top / name).parent.mkdir(parents=True, exist_ok=True)
            (top / name).write_bytes((ROOT / name).read_bytes())
            (top / name).chmod((ROOT / name).stat().st_mode & 0o755)
            os.utime(top / name, (1e9 + number * 1e8,) * 2)
        subprocess.run(
            [sys.executable, "-m", "hatchling", "build", "-d", "out"],
            cwd=top,
            env={**os.environ, "SOURCE_DATE_EPOCH": "1700000000", "PYTHONPATH": ""},
            capture_output=True,
            check=True,
        )
        made.append({file.name: file.read_bytes() for file in (top / "out").iterdir()})
    return made


def test_the_same_source_gives_the_same_bytes(built):
    assert sorted(built[0]) == [f"{NAME}-py3-none-any.whl", f"{NAME}.tar.gz"]
    one, other = (
        {name: hashlib.sha256(content).hexdigest() for name, content in each.items()}
        for each in built
    )
    assert one == other


def test_it_holds_what_is_tracked_and_no_more(built, tmp_path):
    for name, content in built[0].items():
        (tmp_path / name).write_bytes(content)
    with zipfile.ZipFile(tmp_path / f"{NAME}-py3-none-any.whl") as wheel:
        names = set(wheel.namelist())
    package = {name for name in tracked() if name.startswith("wallguard/")}
    assert names == package | {f"{NAME}.dist-info/{name}" for name in INFO}
    with tarfile.open(tmp_path / f"{NAME}.tar.gz") as source:
        names = {name.removeprefix(f"{NAME}/") for name in source.getnames()}
        assert not [entry.name for entry in source if not entry.isfile()]
    assert names == {name for name in tracked() if not name.startswith(".ci/")} | {"PKG-INFO"}


def test_indexes_would_take_it(built, tmp_path):
    pytest.importorskip("twine")
    for name, content in built[0].items():
        (tmp_path / name).write_bytes(content)
    done = subprocess.run(
        [sys.executable, "-m", "twine", "check", "--strict", *map(str, tmp_path.iterdir())],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


@needs_lock
def test_every_dependency_is_locked_with_its_hash():
    from packaging.requirements import Requirement

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [each for some in project["optional-dependencies"].values() for each in some]
    wanted = {"example": project["dependencies"], "tests": [*project["dependencies"], *extras]}
    for kind, dependencies in wanted.items():
        text = (LOCKS / f"{kind}.txt").read_text(encoding="utf-8")
        entries = re.findall(r"^([\w.-]+)==(\S+)(.*(?:\n    .*)*)", text, re.MULTILINE)
        assert len(entries) == sum(line[:1] not in " #" for line in text.splitlines() if line)
        locked: dict[str, list[str]] = {}
        for name, version, rest in entries:
            assert "--hash=sha256:" in rest, name
            locked.setdefault(plain(name), []).append(version)
        for dependency in map(Requirement, dependencies):
            versions = locked[plain(dependency.name)]
            assert all(dependency.specifier.contains(version) for version in versions), dependency


HOSTS = ("pypi" + ".org", "python" + "hosted", "npm" + "js")
BINARY = (".stl", ".3mf", ".gz", ".png")


def text_of(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8", errors="replace")


def test_no_file_names_the_host_of_a_registry():
    files = [name for name in tracked() if not name.endswith(BINARY)]
    named = [name for name in files if any(host in text_of(name) for host in HOSTS)]
    assert named == []


def audit():
    spec = importlib.util.spec_from_file_location("audit", ROOT / ".ci/audit.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@needs_lock
@pytest.mark.parametrize(
    ("answer", "code", "said"),
    [
        ('{"dependencies": [{"name": "a", "version": "1", "vulns": []}]}', 0, "0 advisories"),
        (
            '{"dependencies": [{"name": "a", "version": "1", "vulns": '
            '[{"id": "X-1", "fix_versions": ["2"]}]}]}',
            1,
            "a 1: X-1, mended in 2",
        ),
        (
            '{"dependencies": [{"name": "a", "version": "1", "vulns": '
            '[{"id": "X-1", "fix_versions": []}]}]}',
            0,
            "a 1: X-1, open",
        ),
        ("", 0, "advisories could not be asked for"),
        ("<html>", 0, "advisories could not be asked for"),
    ],
)
def test_advisories_fail_where_they_can_be_mended_and_their_absence_does_not(
    monkeypatch, capsys, answer, code, said
):
    module = audit()
    program = f"import sys; print({answer!r}); print('no way there', file=sys.stderr); sys.exit(1)"
    asked = module.advisories
    monkeypatch.setattr(
        module, "advisories", lambda lock: asked(lock, (sys.executable, "-c", program))
    )
    assert module.main(["a.txt"]) == code
    shown = capsys.readouterr().out
    assert said in shown
    assert ("no way there" in shown) == ("could not" in said)
