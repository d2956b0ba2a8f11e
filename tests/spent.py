"""What a wallguard of its own takes: time of the processor and memory, as the system tells."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

# The memory of its own, which a child otherwise inherits from this process, is asked of the system.
_CHILD = """
import json, resource, runpy, sys, time
told = sys.argv.pop(1)
try:
    runpy.run_module("wallguard", run_name="__main__", alter_sys=True)
finally:
    try:
        with open("/proc/self/status") as status:
            own = next(line for line in status if line.startswith("VmHWM")).split()[1]
        started = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    except OSError:
        own = started = 0
    with open(told, "w") as out:
        json.dump([time.process_time(), int(own), started], out)
"""


class Spent(NamedTuple):
    """Seconds of the processor, of the first process alone, and by the clock; MB at most of the
    first process, and of any that it started: 0 where the system does not tell."""

    seconds: float
    alone: float
    clock: float
    memory: float
    started: float


def spent(words: list[str], folder: Path) -> Spent:
    """Run `wallguard` with these words in a folder."""
    with tempfile.TemporaryDirectory(prefix="spent-") as place:
        told = Path(place) / "told"
        before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-c", _CHILD, str(told), *words],
            cwd=folder,
            capture_output=True,
            check=False,
        )
        clock, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
        assert done.returncode in (0, 1), done.stderr.decode()[-2000:]
        seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        alone, memory, started = json.loads(told.read_text())
    return Spent(seconds, alone, clock, memory / 1024, started / 1024)
