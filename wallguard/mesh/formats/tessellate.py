"""Give the solids of a STEP file facets: a program of its own, held to what it may take.

python -P -m wallguard.mesh.formats.tessellate CHORD SECONDS MEMORY OUT     (the file on stdin)

The library is written in C++ and reads files from anyone: what it takes is bounded by the system
(Linux, macOS), what it says, names of the file among it, goes nowhere but to `step.py`, and where
it breaks down nothing breaks with it. OUT is GLB (glTF 2.0, Khronos Group); lengths there are in
metres. Ends with 0; with 3 where memory does not suffice.
"""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path

from wallguard.base.formats import ANGLE


def main(words: list[str]) -> int:
    """Do what the words ask for; returns the exit code."""
    chord, seconds, memory, out = float(words[0]), int(words[1]), int(words[2]), Path(words[3])
    data = sys.stdin.buffer.read()
    import cascadio

    _hold(seconds, memory)
    try:
        made = cascadio.load(
            data,
            file_type="step",
            tol_linear=chord,
            tol_angular=ANGLE,
            merge_primitives=True,
            use_parallel=False,  # the same bytes each time
        )
    except MemoryError:
        return 3
    except (RuntimeError, ValueError) as error:
        print(error, file=sys.stderr)
        return 1
    out.write_bytes(made)
    return 0


def _hold(seconds: int, memory: int) -> None:
    """Hold this process to what it may take from now on: seconds of the processor's time, bytes."""
    try:
        import resource
    except ImportError:  # Windows
        return
    wanted = {resource.RLIMIT_CPU: seconds, resource.RLIMIT_CORE: 0}
    # What is loaded already counts in an address space, but not in data.
    wanted[resource.RLIMIT_DATA] = memory
    for kind, value in wanted.items():
        _, hard = resource.getrlimit(kind)
        with suppress(ValueError, OSError):
            most = value if hard == resource.RLIM_INFINITY else min(value, hard)
            resource.setrlimit(kind, (most, hard))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
