"""Show the way of a change: hook, check against the base, comment, and page.

python review.py [FOLDER]

Makes a git repository out of this folder (in FOLDER, or in a temporary one), with everything
committed on `main`; then a branch on which the goose's head loses its good wall and her body gets
one. Needs git and wallguard; writes only into that folder.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
# What the branch changes in make_parts.py: 1.4 mm comes out hollow on Otto, 1.7 mm solid.
BREAKS = ("shell(whole, 1.7)", "shell(whole, 1.4)")
MENDS = ("shell(body, 1.4)", "shell(body, 1.7)")
WALLGUARD = (sys.executable, "-m", "wallguard")


def run(folder: Path, *command: str) -> int:
    """Run a command and print it with what it says; returns its exit code."""
    shown = ["wallguard", *command[3:]] if command[:3] == WALLGUARD else list(command)
    print(f"\n$ {' '.join(shown)}", flush=True)
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    print((done.stdout + done.stderr).rstrip())
    if done.returncode:
        print(f"(exit code {done.returncode})")
    return done.returncode


def git(folder: Path, *words: str) -> None:
    """Run git quietly, as a person who exists only here."""
    who = ("-c", "user.name=Marta", "-c", "user.email=marta@example.org")
    subprocess.run(["git", *who, *words], cwd=folder, capture_output=True, check=True)


def main(folder: Path) -> int:
    """Returns 0 where everything went as it should."""
    ignored = shutil.ignore_patterns("__pycache__", ".git")
    shutil.copytree(HERE, folder, dirs_exist_ok=True, ignore=ignored)
    git(folder, "init", "--quiet", "--initial-branch", "main")
    git(folder, "add", ".")
    git(folder, "commit", "--quiet", "--message", "The puppets as they are")
    git(folder, "switch", "--quiet", "--create", "lighter-goose")

    script = folder / "make_parts.py"
    text = script.read_text(encoding="utf-8")
    for old, new in (BREAKS, MENDS):
        if old not in text:
            sys.exit(f"make_parts.py has no {old} any more: change it here too")
        text = text.replace(old, new)
    script.write_text(text, encoding="utf-8")
    subprocess.run([sys.executable, str(script)], capture_output=True, check=True)
    git(folder, "add", ".")

    print("A branch: the goose's head gets 1.4 mm walls, her body 1.7 mm. The hook says:")
    hook = run(folder, *WALLGUARD, "check", "--staged")
    git(folder, "commit", "--quiet", "--no-verify", "--message", "Make the goose lighter")
    print("\nCommitted all the same, and pushed. The gate, against main:")
    outputs = ("--json", "walls.json", "--markdown", "walls.md", "--html", "walls.html")
    gate = run(folder, *WALLGUARD, "check", "--base", "main", "--gate", "new", *outputs)
    print("\nWhat it would write under the pull request:")
    comment = run(folder, *WALLGUARD, "comment", "walls.json", "--dry-run")
    print(f"\nThe page for a browser: {folder / 'walls.html'}")
    return 0 if (hook, gate, comment) == (1, 1, 0) else 1


if __name__ == "__main__":
    if len(sys.argv) > 1:
        target = Path(sys.argv[1]).resolve()
        target.mkdir(parents=True, exist_ok=True)
        if any(target.iterdir()):
            sys.exit(f"{target} is not empty")
    else:
        target = Path(tempfile.mkdtemp(prefix="puppets-"))
    sys.exit(main(target))
