"""What one part may take, and how a process is held to it.

A file may be made so that checking it takes hours, or all memory. What is known before the work is
bounded where it is done; what is not known is bounded here: a part that is not small and plain, or
is not done after a few seconds, is checked in a process of its own, which the system ends when the
part takes more than it may. That is an error of this part, and all else stays whole.
"""

from __future__ import annotations

import math
import signal
import sys
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from wallguard.base.errors import InputError
from wallguard.base.units import MILLIMETRES
from wallguard.toolpath.entry import split

if TYPE_CHECKING:
    from wallguard.jobs.check import Task
    from wallguard.repository.entry import Assignment

_MB = 1_000_000
# Unless told otherwise: with what starting takes, 20 s and 1 GB for a file of 1 MB, 60 s and 2 GB
# for one of 20 MB. Of the benchmark parts the hungriest, a lattice of 50 MB in space, takes half of
# that time, gears two fifths, the others a fifth at most (measured).
SECONDS, SECONDS_PER_MB = 12.0, 2.4
MEMORY, MEMORY_PER_MB = 850, 55
# A part of no more than this is begun in this process: bytes, triangles, points where layers cut
# it, and mm. What is packed, or holds curves, may be anything.
_BYTES, _TRIANGLES, _POINTS, _SIZE = 300_000, 5_000, 150_000, 1_000.0
_PACKED = (".3mf", ".gz", ".step", ".stp")
_UNPACKED = 10  # toolpaths pack to a fourth or a tenth
# And goes on there for so many seconds of the processor's time.
TRIED = 2.0
# Other programs may be running: so many times as long is waited for a process, which the system
# holds to its share of the processor's time; Windows does not.
_WAIT = 3.0 if sys.platform == "win32" else 20.0
# What scipy takes for itself, in one thread, where a part needs it (measured: 62 MB, 0.5 s).
_LATER = 64 * _MB
_STATUS = Path("/proc/self/status")  # Linux (man proc)


@dataclass(frozen=True)
class Most:
    """What one item may take: seconds of the processor's time, and bytes of memory."""

    seconds: float
    memory: int


@dataclass(frozen=True)
class Allowed:
    """What any one part may take, in the same units; None: by the size of its file."""

    seconds: float | None = None
    memory: int | None = None


# What this process is held to; None: to nothing.
held: Most | None = None


def most_of(task: Task) -> Most | None:
    """What checking a part may take; None: as much as it takes."""
    size = None if task.data is None else len(task.data)
    return most_for([task.file], task.allowed, len(task.assignments) + len(task.also), size)


def most_for(
    files: Iterable[Path], allowed: Allowed | None, ways: float = 1, size: int | None = None
) -> Most | None:
    """What may be taken for these files, or for so many bytes; None: as much as it takes.

    ways  how many times as long it takes as one check of a part
    """
    if allowed is None:
        return None
    large = (sum(map(_weight, files)) if size is None else size) / _MB
    return Most(
        (SECONDS + SECONDS_PER_MB * large) * ways if allowed.seconds is None else allowed.seconds,
        int((MEMORY + MEMORY_PER_MB * large) * _MB) if allowed.memory is None else allowed.memory,
    )


def _weight(file: Path) -> float:
    """The bytes of a file, as if it were not packed."""
    held, entry = split(file)
    with suppress(OSError):
        packed = entry or held.suffix.lower() == ".gz"
        return held.stat().st_size * (_UNPACKED if packed else 1)
    return 0.0


def is_plain(task: Task) -> bool:
    """Whether a part is so small that it hardly needs a process of its own."""
    said = (*task.assignments, *task.also)
    return is_small(task.file, [(each, rules.layer_height) for each, rules in said], task.root)


def is_small(
    file: Path, ways: Iterable[tuple[Assignment, float]], root: Path | None = None
) -> bool:
    """The same of a file, for each way it lies and layer height in mm."""
    with suppress(OSError):
        if file.suffix.lower() in _PACKED or file.stat().st_size > _BYTES:
            return False
    import numpy as np

    from wallguard.mesh.read import read_mesh

    try:
        mesh = read_mesh(file, root=root)
    except InputError:
        return True  # whoever checks it finds the same, in no time
    if len(mesh.triangles) > _TRIANGLES:
        return False
    for assignment, layer_height in ways:
        unit = mesh.unit if mesh.unit_source == "format" else assignment.unit or mesh.unit
        scale = assignment.scale * MILLIMETRES[unit] / MILLIMETRES[mesh.unit]
        placed = mesh.vertices @ np.array(assignment.rotation).T * scale
        height = np.ptp(placed[mesh.triangles, 2], axis=1)
        points = (height / layer_height).sum()
        if np.ptp(placed, axis=0).max() > _SIZE or points > _POINTS:
            return False
    return True


def is_short(files: Iterable[Path]) -> bool:
    """Whether toolpaths are so short that they hardly need a process of their own."""
    return not any(
        split(file)[0].suffix.lower() in (*_PACKED, ".zip") or _weight(file) > _BYTES
        for file in files
    )


class TookLong(BaseException):
    """What is done in this process takes longer than it was given; nothing may keep it back."""


@contextmanager
def alarm(seconds: float) -> Iterator[None]:
    """Raises TookLong in what is done inside, once that took so much of the processor's time; where
    the system has no such alarm, and in other threads than the first, it takes as long as it takes.
    """
    first = threading.current_thread() is threading.main_thread()
    if not first or not hasattr(signal, "setitimer"):
        yield
        return

    def ring(*_: object) -> None:
        raise TookLong

    before = signal.signal(signal.SIGVTALRM, ring)
    # Again and again: one that rings while Python clears up is passed over.
    signal.setitimer(signal.ITIMER_VIRTUAL, seconds, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        signal.signal(signal.SIGVTALRM, before)


def hold(most: Most | None) -> None:
    """Hold this process to what it may take from now on, as far as the system can: Linux does."""
    global held  # noqa: PLW0603 - a process has one
    held = most
    try:
        import resource
    except ImportError:  # Windows
        return
    endless = resource.RLIM_INFINITY
    seconds, memory = endless, endless
    if most is not None:
        # What libraries take for themselves depends on the machine, and does not count.
        import numpy as np  # noqa: F401

        seconds = math.ceil(time.process_time() + most.seconds)
        memory = _data() + _LATER + most.memory if _data() else endless
    wanted = {resource.RLIMIT_CPU: seconds, resource.RLIMIT_DATA: memory, resource.RLIMIT_CORE: 0}
    for kind, value in wanted.items():
        _, hard = resource.getrlimit(kind)
        with suppress(ValueError, OSError):
            resource.setrlimit(kind, (value if hard == endless else min(value, hard), hard))


def patience(most: Most | None) -> float:
    """How long, in seconds, to wait for a process that is held to `most`."""
    if most is None:
        return math.inf
    return most.seconds * _WAIT


def too_long(most: Most | None) -> str:
    """Why a process was ended that took too long."""
    share = f"more than {round(most.seconds, 1):g} s" if most else "too much"
    return f"it took {share} of the processor's time (--part-timeout)"


def out_of_memory(error: Exception) -> bool:
    """Whether what was raised is for want of memory."""
    return isinstance(error, MemoryError) or isinstance(error.__cause__, MemoryError)


def too_large() -> str:
    """Why this process could not get the memory it asked for."""
    if held is None:
        return "there is not enough memory"
    return f"it takes more than {held.memory // _MB} MB of memory (--part-memory)"


def _data() -> int:
    """Bytes of memory that this process has of its own; 0: nobody knows."""
    with suppress(OSError, ValueError, IndexError):
        for line in _STATUS.read_text(encoding="ascii", errors="replace").splitlines():
            if line.startswith("VmData:"):
                return int(line.split()[1]) * 1024
    return 0
