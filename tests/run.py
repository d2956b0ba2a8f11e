"""Set up an environment beside the checkout, needing only Python and git, and use it:

python tests/run.py --example       check example_repo
python tests/run.py [ARGUMENT...]   run the tests; arguments are pytest's

With WALLGUARD_LOCK=FOLDER the versions in that folder's example.txt or tests.txt are installed,
each held to its hash.
"""

import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def environment(what: str) -> Path:
    """The Python of `.venv`, with wallguard and `what` (empty, or "[test]") installed in it."""
    place = ROOT / ".venv"
    python = place / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    if not python.exists():
        print(f"making {place}", flush=True)
        venv.create(place, with_pip=True)
    install = [str(python), "-m", "pip", "install", "--quiet"]
    folder = os.environ.get("WALLGUARD_LOCK")
    if folder:
        lock = Path(folder) / ("tests.txt" if what else "example.txt")
        held = subprocess.run(
            [*install, "--require-hashes", "-r", str(lock)],
            check=False,
            stderr=subprocess.PIPE,
            text=True,
        )
        if not held.returncode:
            # What builds it is in the lock, too.
            own = ["--no-build-isolation", "--no-deps", "-e", str(ROOT)]
            subprocess.run([*install, *own], check=True)
            return python
        print(held.stderr, file=sys.stderr)
        # A package that is other than it was is refused; one that a registry lacks is told.
        if "No matching distribution" not in held.stderr:
            raise SystemExit(held.returncode)
        print("The registry lacks what the lock names: installed as pyproject.toml says, not held.")
    subprocess.run([*install, "-e", f"{ROOT}{what}"], check=True)
    return python


def main(arguments: list[str]) -> int:
    """Returns the exit code of what was run."""
    if arguments == ["--example"]:
        command = [str(environment("")), "-m", "wallguard", "check", "--all"]
        return subprocess.run(command, cwd=ROOT / "example_repo", check=False).returncode
    # On all processors, unless the arguments say otherwise; what shares a browser stays together.
    said = arguments or ["--numprocesses=auto", "--dist=loadgroup"]
    command = [str(environment("[test]")), "-m", "pytest", *said]
    return subprocess.run(command, cwd=ROOT, check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
