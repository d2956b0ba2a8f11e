"""A folder of what was worked out before: kept whole, bounded, and never trusted blindly."""

import os
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from wallguard.store.folder import usual_folder
from wallguard.store.stamp import stamp
from wallguard.store.store import Store, key_of


def entries(folder):
    return [path for path in Path(folder).rglob("*") if path.is_file()]


def test_what_was_put_is_there_again(tmp_path):
    store = Store(tmp_path / "kept")
    assert store.get(key_of("a")) is None
    store.put(key_of("a"), b"content")
    store.put(key_of("b"), b"")
    assert store.get(key_of("a")) == b"content"
    assert Store(tmp_path / "kept").get(key_of("b")) == b""


def test_no_key_is_that_of_other_parts():
    keys = [key_of(*parts) for parts in (("ab", "c"), ("a", "bc"), ("abc",), ("abc", ""), ())]
    assert len(set(keys)) == len(keys)
    assert key_of("a", b"b") == key_of(b"a", "b")


@pytest.mark.parametrize("harm", ["cut", "flip", "empty", "other", "large"])
def test_a_damaged_entry_is_thrown_away(tmp_path, harm):
    store = Store(tmp_path, limit=64 * 1000)
    key = key_of("a")
    store.put(key, b"content")
    (path,) = entries(tmp_path)
    data = path.read_bytes()
    if harm == "other":
        # A whole entry, of another key.
        store.put(key_of("b"), b"wrong")
        (source,) = set(entries(tmp_path)) - {path}
        path.write_bytes(source.read_bytes())
    else:
        path.write_bytes(
            {
                "cut": data[:-1],
                "flip": data[:-1] + bytes([data[-1] ^ 1]),
                "empty": b"",
                "large": data + bytes(2000),
            }[harm]
        )
    assert store.get(key) is None
    assert not path.exists()
    store.put(key, b"again")
    assert store.get(key) == b"again"


def test_the_oldest_go_where_there_is_no_more_room(tmp_path):
    store = Store(tmp_path, limit=64 * 1024)
    keys = [key_of(str(number)) for number in range(400)]
    for number, key in enumerate(keys):
        store.put(key, bytes(900))
        path = next(tmp_path.glob(f"*/{key[1:]}"))
        os.utime(path, (number, number))
    total = sum(path.stat().st_size for path in entries(tmp_path))
    # Each folder may be over by what is written between two looks into it.
    assert total <= 64 * 1024 * (1 + 2 / 16)
    assert store.get(keys[-1]) == bytes(900)
    assert store.get(keys[0]) is None


def test_what_is_too_large_is_not_kept(tmp_path):
    store = Store(tmp_path, limit=64 * 1000)
    store.put(key_of("a"), bytes(1001))
    assert entries(tmp_path) == []


def test_what_is_used_stays(tmp_path):
    store = Store(tmp_path)
    store.put(key_of("a"), b"a")
    (path,) = entries(tmp_path)
    os.utime(path, (1, 1))
    assert store.get(key_of("a")) == b"a"
    assert time.time() - path.stat().st_mtime < 3600


def test_what_a_dead_process_left_is_removed(tmp_path):
    store = Store(tmp_path)
    key = key_of("a")
    (tmp_path / key[0]).mkdir(parents=True)
    old, new = tmp_path / key[0] / "old.tmp", tmp_path / key[0] / "new.tmp"
    for path in (old, new):
        path.write_bytes(b"half")
    os.utime(old, (1, 1))
    store.put(key, b"a")
    assert not old.exists()
    assert new.exists()


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written_to_keeps_nothing(tmp_path):
    tmp_path.chmod(0o500)
    store = Store(tmp_path)
    store.put(key_of("a"), b"a")
    assert store.get(key_of("a")) is None


def test_a_file_in_the_place_of_the_folder_keeps_nothing(tmp_path):
    (tmp_path / "kept").write_text("a file")
    store = Store(tmp_path / "kept")
    store.put(key_of("a"), b"a")
    assert store.get(key_of("a")) is None


def test_many_write_and_read_one_entry_at_a_time(tmp_path):
    key, content = key_of("a"), bytes(range(256)) * 400

    def work(number):
        store = Store(tmp_path)
        store.put(key, content)
        return store.get(key)

    with ThreadPoolExecutor(8) as pool:
        assert set(pool.map(work, range(200))) == {content}
    assert len(entries(tmp_path)) == 1


def test_the_stamp_is_of_the_code_and_the_libraries(monkeypatch, tmp_path):
    first = stamp()
    (tmp_path / "numpy-0.0.1.dist-info").mkdir()
    monkeypatch.syspath_prepend(str(tmp_path))
    stamp.cache_clear()
    other = stamp()
    monkeypatch.undo()
    stamp.cache_clear()
    assert stamp() == first != other


def test_the_usual_folder_is_the_users_own(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert usual_folder() == tmp_path / "wallguard"
    monkeypatch.setenv("XDG_CACHE_HOME", "relative")
    monkeypatch.setenv("HOME", str(tmp_path / "me"))
    monkeypatch.setattr(sys, "platform", "linux")
    assert usual_folder() == tmp_path / "me/.cache/wallguard"
    monkeypatch.setattr(sys, "platform", "darwin")
    assert usual_folder() == tmp_path / "me/Library/Caches/wallguard"
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "local"))
    assert usual_folder() == tmp_path / "local/wallguard"
    monkeypatch.delenv("LOCALAPPDATA")
    assert usual_folder() is None
