"""Have the C library keep what is freed, for what comes next.

Arrays of a few megabytes are made and freed by the thousand. glibc gives such memory back to the
system at once, by its defaults, and takes it anew: up to a third of the time of a check was spent
by the system, which fills each page with zeros again (measured on the benchmark parts).
"""

from __future__ import annotations

import sys
from functools import cache

# From mallopt(3): of the top of the heap so much (bytes) may lie free, and blocks from this size on
# are given back singly; 32 MB is the most that glibc takes for the latter.
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
_FREE, _SINGLY = 256 << 20, 32 << 20


@cache
def keep_freed() -> None:
    """Keep freed memory in this process from now on, where its C library is glibc."""
    if sys.platform != "linux":
        return
    import ctypes

    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(_MMAP_THRESHOLD, _SINGLY)
        mallopt(_TRIM_THRESHOLD, _FREE)
