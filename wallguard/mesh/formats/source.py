"""Bytes of a file that may be anything: a directory, a pipe, a link, a pointer, too large."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from wallguard.base.errors import InputError
from wallguard.mesh.formats.drawing import MAX_BYTES

# Git LFS specification v1: a pointer file starts with this line (from memory).
_LFS_POINTER = b"version https://git-lfs.github.com/spec/v1"


def load(path: Path, root: Path | None = None, *, limit: int = MAX_BYTES) -> bytes:
    """The whole content of a regular file of 1 to `limit` bytes.

    root: the repository; a path that leads out of it, by a link or by `..`, is refused.
    Raises InputError for all that cannot be read, and for a Git LFS pointer.
    """
    try:
        real = path.resolve(strict=True)
        if root is not None and not real.is_relative_to(root.resolve()):
            raise InputError(
                path,
                "the file lies outside the repository (a link leads out of it)",
                remedy="Put the file itself into the repository",
            )
        if real.is_dir():
            raise InputError(path, "is a directory, not a mesh file")
        # Without O_NONBLOCK, opening a pipe would wait for a writer for ever.
        flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
        with os.fdopen(os.open(real, flags), "rb") as stream:
            status = os.fstat(stream.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise InputError(path, "is not a regular file (a pipe, socket or device)")
            if status.st_size > limit:
                raise _too_large(path, limit)
            data = stream.read(limit + 1)
    except FileNotFoundError as error:
        raise InputError(path, "the file does not exist", remedy="Check its path") from error
    except PermissionError as error:
        raise InputError(
            path, "there is no permission to read the file", remedy="Check its permissions"
        ) from error
    except (OSError, RuntimeError, ValueError) as error:  # a loop of links, a name too long...
        ring = "its links lead in a ring" if isinstance(error, RuntimeError) else str(error)
        reason = getattr(error, "strerror", None) or ring
        raise InputError(path, f"the file cannot be read ({reason})") from error
    if len(data) > limit:
        raise _too_large(path, limit)
    if not data:
        raise InputError(path, "the file is empty", remedy="Export the part again")
    if data.startswith(_LFS_POINTER):
        raise InputError(
            path,
            "is a Git LFS pointer; the mesh itself has not been fetched",
            remedy="Run `git lfs pull`",
        )
    return data


def _too_large(path: Path, limit: int) -> InputError:
    return InputError(
        path,
        f"the file is larger than {limit // 1024**2} MiB",
        remedy="Export the part with coarser facets",
    )
