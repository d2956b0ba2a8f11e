"""What an output may replace: an earlier one of its kind, and never what the same command reads.

The name of an output often comes from a script, and what is there may be a part, a rule file or
somebody's notes. So it is looked at before the work begins.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path

from wallguard.base.errors import InputError
from wallguard.base.formats import PART_SUFFIXES

_OWN_NAME = "Give the output a name of its own"
_LOOK = 1_000_000  # bytes of a file that is there
# By its name a part, a document or a toolpath.
_OTHERS = {*PART_SUFFIXES, ".yaml", ".yml", ".gcode", ".gco", ".g", ".nc", ".gz", ".step", ".stp"}

# Whether the beginning and the end of a file are those of an earlier output of a kind.
Wrote = Callable[[str], bool]


def refuse_others(path: Path, option: str, wrote: Wrote) -> None:
    """Raises InputError where an output of `option` would replace a part, a document or a toolpath,
    or what is no earlier output of the kind."""
    if path.suffix.lower() in _OTHERS:
        raise InputError(
            path,
            f"{option} would write over what the name says is a part, a toolpath or a rule file",
            remedy=_OWN_NAME,
        )
    refuse_foreign(path, option, wrote)


def refuse_foreign(path: Path, option: str, wrote: Wrote) -> None:
    """Raises InputError where `path` is a file that is no earlier output of the kind."""
    content = _there(path)
    if content.strip() and not wrote(content):
        raise InputError(
            path,
            f"{option} would write over a file that is no earlier output of the kind",
            remedy=f"{_OWN_NAME}, or delete that file first",
        )


def refuse_inputs(outputs: Iterable[Path], inputs: Iterable[Path]) -> None:
    """Raises InputError where an output is one of the inputs, or two outputs are one file."""
    read = {place for path in inputs for place in _places(path)}
    written: set[str] = set()
    for path in outputs:
        if not read.isdisjoint(_places(path)):
            problem = "this file is read by the same command"
            raise InputError(path, problem, remedy="Name another file to write")
        if _is_file(path) and not written.isdisjoint(_places(path)):
            problem = "two outputs of the same command go to this file"
            raise InputError(path, problem, remedy=_OWN_NAME)
        written.update(_places(path))


def _places(path: Path) -> set[str]:
    """Where a path leads, and where it stands itself if it is a link."""
    here = os.path.join(os.path.realpath(path.parent), path.name)  # noqa: PTH118 - as realpath is
    return {os.path.realpath(path), here}


def _is_file(path: Path) -> bool:
    """Whether a file is there or will be: a terminal, say, may be named twice."""
    return path.is_file() or path.is_symlink() or not path.exists()


def _there(path: Path) -> str:
    """The beginning and the end of what an output would replace; empty where it would not."""
    if path.is_symlink() or not path.is_file():  # a link is replaced, a device is written to
        return ""
    with suppress(OSError), path.open("rb") as file:
        begin = file.read(_LOOK)
        file.seek(max(len(begin), path.stat().st_size - _LOOK))
        return (begin + file.read(_LOOK)).decode("utf-8", "replace")
    return ""
