"""Write a report whole or not at all."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from wallguard.base.errors import InputError

# Folders of devices and open files: what is there is written to, never replaced.
_SYSTEM = (Path("/dev"), Path("/proc"))


def write(path: Path, text: str | Iterable[str]) -> None:
    """Write `text` as UTF-8 to `path`: afterwards it is there whole, or the file is as it was.

    Text in pieces is written piece by piece, so that a report of a hundred MB never is in memory as
    one; what making a piece raises goes on. A file that is there keeps its permissions. A symbolic
    link is replaced, not followed, so that one in a repository cannot point a report at another
    file. A pipe or device (/dev/stdout) is written to as it is.

    Raises InputError: the folder is missing, or the file or folder cannot be written to.
    """
    pieces = (text,) if isinstance(text, str) else text
    _write(path, (piece.encode("utf-8", "backslashreplace") for piece in pieces))


def write_bytes(path: Path, content: bytes) -> None:
    """The same for what is not text. Raises InputError."""
    _write(path, (content,))


def _write(path: Path, pieces: Iterable[bytes]) -> None:
    try:
        mode = _mode(path)
        if _in_place(path, mode):
            with path.open("ab") as stream:
                stream.writelines(pieces)
        else:
            _replace(path, pieces, mode)
    except FileNotFoundError:
        raise InputError(
            path, "its folder does not exist", remedy=f"Make the folder {path.parent}"
        ) from None
    except IsADirectoryError:
        raise InputError(path, "this is a folder", remedy="Name a file") from None
    except OSError as error:
        raise _refused(path, error.strerror) from None


def _refused(path: Path, reason: str | None) -> InputError:
    return InputError(path, f"cannot be written: {reason}", remedy="Name another file")


def _mode(path: Path) -> int | None:
    """The mode of the file at `path`, None where there is none or a symbolic link."""
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        return None
    except ValueError as error:  # no name that a file can have
        raise _refused(path, str(error)) from None
    return None if stat.S_ISLNK(mode) else mode


def _in_place(path: Path, mode: int | None) -> bool:
    folder = path.parent.resolve()
    system = any(folder == protected or protected in folder.parents for protected in _SYSTEM)
    # /dev/shm holds ordinary files.
    return (system and mode is None) or (mode is not None and not stat.S_ISREG(mode))


def _replace(path: Path, pieces: Iterable[bytes], mode: int | None) -> None:
    if mode is not None and not os.access(path, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    # `secrets` would give the same, and load random numbers and hashes of all kinds for it.
    temporary = path.parent / f".wallguard-{os.urandom(8).hex()}.tmp"
    try:
        with temporary.open("xb") as stream:
            stream.writelines(pieces)
            stream.flush()
            os.fsync(stream.fileno())
        if mode is not None:
            temporary.chmod(stat.S_IMODE(mode))
        temporary.replace(path)
    except BaseException:
        # Also where the user interrupts: nothing half written may stay.
        with suppress(OSError):
            temporary.unlink()
        raise
