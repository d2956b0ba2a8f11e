"""Run wallguard on every file of `hostile.py` under limits, one at a time, and print a table.

    python tests/campaign_hostile.py [NAME ...] [--rules layered|space] [--debug]

The limits: 20 s and 1 GB for a file of up to 1 MB, 60 s and 2 GB above. Seconds are those of the
processor, as other programs may be running; memory is the largest of any process. Ends with 1 where
a limit is broken, or where a run ends in a way that is none of wallguard's.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from hostile import HOSTILE

BASE = "wallguard: 1\nname: test\nprocess: {category: %s}\nlayer_height: 0.2\n"
LIMITS = "minimum:\n  wall: {fail: 0.8}\n  gap: {fail: 0.4}\n  hole: {fail: 1}\n  pin: {fail: 1}\n"
BEADS = (
    "beads: {width: 0.575, contours: 2, smallest_wall: 0.5, squeeze: 0.075, smallest_fill: 0.575,\n"
    "        spacing: width}\n"
)
RULES = {
    "layered": BASE % "material extrusion" + BEADS + LIMITS,
    "space": BASE % "vat photopolymerization" + LIMITS,
}
SMALL = 1_000_000
# Above this a run is ended, whatever wallguard itself does; bytes of address space.
_MOST_SECONDS, _MOST_MEMORY = 120, 6 * 1024**3


@dataclass(frozen=True)
class Run:
    """What became of one file."""

    name: str
    size: int
    seconds: float
    memory: float
    code: int
    said: str

    @property
    def bad(self) -> str:
        """What is wrong, in a word."""
        most = (20, 1.0) if self.size <= SMALL else (60, 2.0)
        found = [
            word
            for word, wrong in (
                ("time", self.seconds > most[0]),
                ("memory", self.memory > most[1]),
                ("code", self.code not in (0, 1, 2)),
                ("trace", "Traceback" in self.said or "RuntimeWarning" in self.said),
            )
            if wrong
        ]
        return " ".join(found)


def run(name: str, folder: Path, rules: Path) -> Run:
    """Make the file and check it in a process of its own."""
    suffix, write = HOSTILE[name]
    path = folder / f"{name}{suffix}"
    write(path)
    size = path.stat().st_size
    words = ["prlimit", f"--as={_MOST_MEMORY}", f"--cpu={_MOST_SECONDS}", "--", sys.executable]
    words += ["-m", "wallguard", "check", "--brief", "--no-cache", "--rules"]
    begun = time.monotonic()
    with tempfile.TemporaryFile() as out:
        process = subprocess.Popen(
            [*words, str(rules), str(path)], stdout=out, stderr=out, cwd=folder
        )
        code, used = 0, None
        while used is None:
            pid, status, rusage = os.wait4(process.pid, os.WNOHANG)
            if pid:
                code, used = os.waitstatus_to_exitcode(status), rusage
            elif time.monotonic() - begun > 10 * _MOST_SECONDS:
                os.kill(process.pid, signal.SIGKILL)  # not by `process`, which would reap it
            else:
                time.sleep(0.05)
        out.seek(0)
        said = " ".join(out.read().decode("utf-8", "replace").split())
    path.unlink()
    seconds = used.ru_utime + used.ru_stime
    return Run(name, size, seconds, used.ru_maxrss / 1024**2, code, said.replace(str(folder), ""))


def main() -> int:
    """Run the command line; returns the exit code."""
    parser = argparse.ArgumentParser(description="Run wallguard on hostile files under limits.")
    parser.add_argument("names", nargs="*", metavar="NAME", help="all of them, if none is named")
    parser.add_argument("--rules", choices=RULES, help="one kind of rules (default: both)")
    asked = parser.parse_args()
    bad = 0
    print(f"{'file':34}{'MB':>7}{'s':>7}{'GB':>6} exit  what was said", flush=True)
    with tempfile.TemporaryDirectory(prefix="hostile-") as place:
        for kind in [asked.rules] if asked.rules else RULES:
            rules = Path(place) / f"{kind}.yaml"
            rules.write_text(RULES[kind])
            for name in asked.names or HOSTILE:
                one = run(name, Path(place), rules)
                bad += bool(one.bad)
                print(
                    f"{name + (', space' if kind == 'space' else ''):34}{one.size / 1e6:7.3f}"
                    f"{one.seconds:7.1f}{one.memory:6.2f} {one.code:4}  "
                    f"{one.bad.upper() + ' ' if one.bad else ''}{one.said[:150]}",
                    flush=True,
                )
    print(f"{bad} beyond a limit" if bad else "all within the limits")
    return bool(bad)


if __name__ == "__main__":
    sys.exit(main())
