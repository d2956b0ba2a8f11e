"""What the machine has: processors that may be used, and memory that is free."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

# Linux, in bytes or kB: what can be had without swapping (man proc_meminfo), and what a container
# may use at most and uses (kernel documentation, control groups v2).
_FREE = Path("/proc/meminfo")
_GROUP = Path("/sys/fs/cgroup")


def processors() -> int:
    """How many processors this process may use."""
    allowed = getattr(os, "sched_getaffinity", None)  # not on macOS, nor on Windows
    return len(allowed(0)) if allowed else os.cpu_count() or 1


def spare_memory() -> int | None:
    """Bytes of memory that new processes can have without swapping; None: nobody knows.

    Where only the size of all memory is known, half of it.
    """
    known = [size for size in (_linux(), _container()) if size is not None]
    if known:
        return max(0, min(known))
    with suppress(OSError, ValueError, AttributeError):
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2
    return None


def _linux() -> int | None:
    with suppress(OSError, ValueError, IndexError):
        for line in _FREE.read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    return None


def _container() -> int | None:
    with suppress(OSError, ValueError):
        most = (_GROUP / "memory.max").read_text(encoding="ascii").strip()
        if most != "max":
            used = int((_GROUP / "memory.current").read_text(encoding="ascii"))
            return int(most) - used
    return None
