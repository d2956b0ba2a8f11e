"""Ask whether there are advisories on what a lock file installs: python .ci/audit.py LOCK...

Ends with 1 where there is one that a newer release mends. What nobody has mended is told. Where the
service cannot be asked that is told too, and nothing fails: it is no fault of the change.
"""

import json
import subprocess
import sys

AUDIT = (sys.executable, "-m", "pip_audit", "--disable-pip", "--require-hashes", "--format=json")
QUIET = ("--progress-spinner=off", "--timeout=15")


def advisories(lock, command=(*AUDIT, *QUIET)):
    """Of each package with advisories: its name and version, each one's id and the releases that
    mend it. Raises ValueError, in words, where nothing was learnt."""
    try:
        done = subprocess.run(
            [*command, "-r", lock], capture_output=True, text=True, timeout=300, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise ValueError(str(error)) from None
    try:
        packages = json.loads(done.stdout)["dependencies"]
        return [
            (f"{each['name']} {each['version']}", one["id"], one["fix_versions"])
            for each in packages
            for one in each.get("vulns", ())
        ]
    except (ValueError, KeyError, TypeError):
        said = [line for line in done.stderr.splitlines() if line.strip()]
        raise ValueError(said[-1] if said else "it said nothing") from None


def main(locks):
    """Returns the exit code."""
    code = 0
    for lock in locks:
        try:
            found = advisories(lock)
        except ValueError as error:
            print(f"{lock}: advisories could not be asked for, so nothing is known: {error}")
            continue
        print(f"{lock}: {len(found)} advisories")
        for package, name, mended in found:
            print(
                f"  {package}: {name}, " + (f"mended in {', '.join(mended)}" if mended else "open")
            )
            code = code or int(bool(mended))
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
