"""The one way in for files, which may be anything: a folder, a pipe, a link, too large."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from wallguard.base.errors import InputError

OUTSIDE = "this lies outside the repository, or a link in its path leads out"

# Git LFS specification v1: a pointer file starts with this line (from memory).
_LFS_POINTER = b"version https://git-lfs.github.com/spec/v1"

# Without O_NONBLOCK, opening a pipe would wait for a writer for ever. The path's links have been
# followed when this is used: a link that is put in their place meanwhile is not.
_FLAGS = (
    os.O_RDONLY
    | getattr(os, "O_NONBLOCK", 0)
    | getattr(os, "O_BINARY", 0)
    | getattr(os, "O_NOFOLLOW", 0)
)


@contextmanager
def opened(
    path: Path, *, kind: str = "a file", shown: str | None = None, root: Path | None = None
) -> Iterator[BinaryIO]:
    """A regular file, open for reading bytes.

    kind   what is wanted, for messages: "a mesh file"
    shown  the file's name in messages; None: `path`
    root   a folder that the file must lie in, links followed; None: it may lie anywhere

    Raises InputError: absent, a folder or a device, no permission, outside `root`.
    """
    name = str(path) if shown is None else shown
    try:
        if root is not None and not within(path, root):
            raise InputError(name, OUTSIDE, remedy="Put the file itself into the repository")
        real = os.path.realpath(path, strict=True)
        if stat.S_ISDIR(os.stat(real).st_mode):  # noqa: PTH116 - Windows cannot open one
            raise InputError(name, "this is a folder", remedy=f"Name {kind}")
        stream = os.fdopen(os.open(real, _FLAGS), "rb")
    except (OSError, ValueError) as error:
        raise _refusal(name, error) from None
    with stream:
        if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
            raise InputError(
                name,
                "this is not a regular file, but a pipe, socket or device",
                remedy=f"Name {kind}",
            )
        yield stream


def read(
    path: Path,
    limit: int,
    *,
    kind: str = "a file",
    shown: str | None = None,
    root: Path | None = None,
    smaller: str = "Check that it is the right file",
) -> bytes:
    """The whole content of a regular file of at most `limit` bytes, which may be none at all.

    smaller  what to do about a file that is larger; the others are those of `opened`

    Raises InputError: as `opened` does; larger than `limit`; a Git LFS pointer.
    """
    name = str(path) if shown is None else shown
    with opened(path, kind=kind, shown=shown, root=root) as stream:
        try:
            # What is plainly too large is not read at all; a file may still grow while it is.
            large = os.fstat(stream.fileno()).st_size > limit
            data = b"" if large else stream.read(limit + 1)
        except OSError as error:
            raise _refusal(name, error) from None
    if large or len(data) > limit:
        size = f"{limit // 1024**2} MiB" if limit >= 1024**2 else f"{limit // 1024} kB"
        raise InputError(
            name, f"larger than {size}, which {kind} never needs to be", remedy=smaller
        )
    refuse_pointer(name, data)
    return data


def refuse_pointer(name: str | Path, data: bytes) -> None:
    """Raises InputError where `data`, the beginning of a file, is that of a Git LFS pointer."""
    if data.startswith(_LFS_POINTER):
        raise InputError(
            name,
            "is a Git LFS pointer; the file itself has not been fetched",
            remedy="Run `git lfs pull`",
        )


def within(path: Path, root: Path) -> bool:
    """Whether the path lies in the folder `root`, all links followed."""
    return Path(os.path.realpath(path)).is_relative_to(os.path.realpath(root))


def _refusal(name: str, error: OSError | ValueError) -> InputError:
    if isinstance(error, FileNotFoundError):
        return InputError(name, "there is no such file", remedy="Check the name")
    if isinstance(error, PermissionError):
        return InputError(name, "no permission to read this file", remedy="Change its permissions")
    reason = getattr(error, "strerror", None) or str(error)
    if getattr(error, "errno", None) == errno.ELOOP:
        reason = "its links lead in a ring"
    return InputError(name, f"cannot be read: {reason}", remedy="Check the name")
