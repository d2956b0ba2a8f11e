"""The one way in for files: what it refuses, and that it never waits or reads without bound."""

import os
from pathlib import Path

import pytest

from wallguard.base.errors import InputError
from wallguard.base.files import opened, read, within


def refused(path: Path, limit: int = 100, **options) -> str:
    with pytest.raises(InputError) as caught:
        read(path, limit, **options)
    assert caught.value.remedy
    return str(caught.value)


def test_a_regular_file_is_read_whole(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(b"x" * 100)
    assert read(path, 100) == b"x" * 100
    with opened(path) as stream:
        assert stream.read(3) == b"xxx"
    (tmp_path / "empty").touch()
    assert read(tmp_path / "empty", 100) == b""


def test_what_is_no_file_is_refused_by_name_and_with_what_to_do(tmp_path):
    said = refused(tmp_path / "none", shown="parts/none")
    assert said == "parts/none: there is no such file. Check the name."
    assert refused(tmp_path, kind="a cat").endswith("this is a folder. Name a cat.")
    os.mkfifo(tmp_path / "pipe")
    assert "not a regular file" in refused(tmp_path / "pipe")
    assert "not a regular file" in refused(Path("/dev/zero"))
    assert "cannot be read" in refused(tmp_path / ("x" * 300))
    assert "cannot be read" in refused(tmp_path / "nul\0")
    (tmp_path / "ring").symlink_to("ring")
    assert "its links lead in a ring" in refused(tmp_path / "ring")


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="no /proc here")
def test_a_file_that_states_no_size_is_bounded_too():
    assert "larger than 0 kB" in refused(Path("/proc/self/status"), 10)


def test_a_file_that_is_too_large_is_not_read(tmp_path):
    path = tmp_path / "large"
    with path.open("wb") as file:
        file.truncate(2**40)  # a hole: it takes no room on the disk
    said = refused(path, 2**20, kind="a cat", smaller="Take a kitten")
    assert said == f"{path}: larger than 1 MiB, which a cat never needs to be. Take a kitten."


def test_no_link_and_no_dots_lead_out_of_the_root(tmp_path):
    root = tmp_path / "root"
    root.mkdir()
    (tmp_path / "out").write_text("secret")
    (root / "link").symlink_to(tmp_path / "out")
    (root / "folder").symlink_to(tmp_path)
    for path in (root / "link", root / ".." / "out", root / "folder" / "out"):
        assert "lies outside the repository" in refused(path, root=root)
    assert "lies outside the repository" in refused(root / ".." / "none", root=root)
    (root / "in").write_text("ours")
    (root / "to_in").symlink_to("in")
    assert read(root / "to_in", 100, root=root) == b"ours"
    assert within(root / "to_in", root)
    assert not within(root / "link", root)


def test_a_pointer_says_how_to_fetch_what_it_stands_for(tmp_path):
    path = tmp_path / "a"
    path.write_text("version https://git-lfs.github.com/spec/v1\noid sha256:0\nsize 12345\n")
    assert "Run `git lfs pull`" in refused(path)
