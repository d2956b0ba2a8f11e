"""Write a report whole or not at all."""

from __future__ import annotations

import errno
import os
import stat
from contextlib import suppress
from pathlib import Path

from wallguard.base.errors import InputError

# Folders of devices and open files: what is there is written to, never replaced.
_SYSTEM = (Path("/dev"), Path("/proc"))


def write(path: Path, text: str) -> None:
    """Write `text` as UTF-8 to `path`: afterwards it is there whole, or the file is as it was.

    A file that is there keeps its permissions. A symbolic link is replaced, not followed, so that
    one in a repository cannot point a report at another file. A pipe or device (/dev/stdout) is
    written to as it is.

    Raises InputError: the folder is missing, or the file or folder cannot be written to.
    """
    write_bytes(path, text.encode("utf-8", "backslashreplace"))


def write_bytes(path: Path, content: bytes) -> None:
    """The same for what is not text. Raises InputError."""
    try:
        mode = _mode(path)
        if _in_place(path, mode):
            with path.open("ab") as stream:
                stream.write(content)
        else:
            _replace(path, content, mode)
    except FileNotFoundError:
        raise InputError(
            path, "its folder does not exist", remedy=f"Make the folder {path.parent}"
        ) from None
    except IsADirectoryError:
        raise InputError(path, "this is a folder", remedy="Name a file") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise InputError(path, f"cannot be written: {reason}", remedy="Name another file") from None


def _mode(path: Path) -> int | None:
    """The mode of the file at `path`, None where there is none or a symbolic link."""
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        return None
    return None if stat.S_ISLNK(mode) else mode


def _in_place(path: Path, mode: int | None) -> bool:
    folder = path.parent.resolve()
    system = any(folder == protected or protected in folder.parents for protected in _SYSTEM)
    # /dev/shm holds ordinary files.
    return (system and mode is None) or (mode is not None and not stat.S_ISREG(mode))


def _replace(path: Path, content: bytes, mode: int | None) -> None:
    if mode is not None and not os.access(path, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    # `secrets` would give the same, and load random numbers and hashes of all kinds for it.
    temporary = path.parent / f".wallguard-{os.urandom(8).hex()}.tmp"
    try:
        with temporary.open("xb") as stream:
            stream.write(content)
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
