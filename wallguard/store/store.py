"""A folder of what was worked out before, by content: a key says all that it was worked out from.

    one of sixteen folders / the key      a line, a checksum over key and content, the content

What is not there, cannot be read or is damaged is simply not known, and what cannot be written is
not kept: nothing fails because of it, and no entry is ever needed. Several processes may use one
folder at a time: an entry appears whole or not at all, and two that write the same write the same.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

_HEAD = b"wallguard store 1\n"
_SUM = 32
# How much is kept, and how much of that one entry may take, in bytes.
LIMIT = 1024**3
_SHARE = 64
_FOLDERS = "0123456789abcdef"
# Where the limit is reached the oldest go until so much is left, so that not every entry that is
# written makes room for itself.
_LEFT = 0.9
# Seconds: an entry that was read within them is not marked as used again; a half-written file that
# is older was left behind.
_DAY, _HOUR = 86_400.0, 3600.0


def key_of(*parts: str | bytes) -> str:
    """The key of what follows from these parts, in this order."""
    made = hashlib.blake2b(digest_size=24)
    for part in parts:
        data = part.encode("utf-8", "surrogatepass") if isinstance(part, str) else part
        # With its length, so that no part can pass for the end of the one before.
        made.update(len(data).to_bytes(8, "little"))
        made.update(data)
    return made.hexdigest()


@dataclass(frozen=True)
class Store:
    """What was worked out before, in `folder`; at most `limit` bytes, the oldest go first."""

    folder: Path
    limit: int = LIMIT
    _written: dict[str, int] = field(default_factory=dict, compare=False, repr=False)

    def get(self, key: str) -> bytes | None:
        """The content of an entry; None where there is none that can be trusted."""
        path = self._path(key)
        try:
            with path.open("rb") as file:
                state = os.fstat(file.fileno())
                data = b"" if state.st_size > self._most else file.read(self._most + 1)
        except OSError:
            return None
        begin = len(_HEAD) + _SUM
        content = data[begin:]
        if len(data) < begin or data[:begin] != _HEAD + _checksum(key, content):
            with suppress(OSError):
                path.unlink()
            return None
        if time.time() - state.st_mtime > _DAY:
            with suppress(OSError):
                os.utime(path)
        return content

    def put(self, key: str, content: bytes) -> None:
        """Keep the content of an entry, if it is not too large."""
        size = len(_HEAD) + _SUM + len(content)
        if size > self._most:
            return
        path = self._path(key)
        temporary = path.parent / f"{secrets.token_hex(8)}.tmp"
        with suppress(OSError):
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            try:
                with temporary.open("xb") as file:
                    file.write(_HEAD + _checksum(key, content))
                    file.write(content)
                temporary.replace(path)
            except BaseException:
                with suppress(OSError):
                    temporary.unlink()
                raise
            self._make_room(path.parent, size)

    @property
    def _most(self) -> int:
        return self.limit // _SHARE

    def _path(self, key: str) -> Path:
        return self.folder / key[0] / key[1:]

    def _make_room(self, folder: Path, size: int) -> None:
        """Let the oldest go where one of the folders holds more than its share. That is looked into
        with the first entry, and then each time some more was written."""
        share = self.limit // len(_FOLDERS)
        written = self._written.get(folder.name, share)
        self._written[folder.name] = written + size
        if written + size < share // 16:
            return
        self._written[folder.name] = 0
        entries = sorted(_entries(folder))
        total = sum(each for _, each, _ in entries)
        if total <= share:
            return
        for _, each, path in entries:
            if total <= share * _LEFT:
                break
            with suppress(OSError):
                path.unlink()
            total -= each


def _entries(folder: Path) -> Iterator[tuple[float, int, Path]]:
    """Of each entry: when it was last used, its size and its path. What was left half-written by a
    process that is gone is removed."""
    for path in folder.iterdir():
        with suppress(OSError):
            state = path.stat()
            if path.suffix == ".tmp":
                if time.time() - state.st_mtime > _HOUR:
                    path.unlink()
            else:
                yield state.st_mtime, state.st_size, path


def _checksum(key: str, content: bytes) -> bytes:
    made = hashlib.blake2b(key.encode(), digest_size=_SUM)
    made.update(content)
    return made.digest()
