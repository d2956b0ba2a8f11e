"""`wallguard library new`: a folder of rule files that many repositories may extend."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from wallguard.base.errors import InputError
from wallguard.base.write import write
from wallguard.commands.arguments import Commands, command
from wallguard.commands.libraries import catalogue

_README = """\
# Rule files for our printers

One file for each printer, material and settings. [The catalogue](CATALOGUE.md) shows which walls
come out well on which, and on all of them; `wallguard library catalogue` writes it anew.

A design repository uses them by naming this one in its `wallguard.yaml`:

```yaml
libraries:
  - name: library
    git: https://forge.example.org/printers/rules    # where this repository is
    revision: "2027.1"                               # a tag of it
```

and by extending a file in a rule file of its own: `extends: library/{first}@2027.1`. There,
`wallguard library update` fetches it, and shows what changes.

What holds gets a tag (`git tag 2027.1`), and a tag is never moved. Measure a print of the coupon
before others rely on a file: `wallguard coupon make`, then `wallguard coupon fit`.

A pass speaks of geometry only. It never says that a part is safe to use.
"""


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "new",
        "wallguard library new printers rules/petg.yaml rules/pla.yaml",
        _command,
        summary="make a folder of rule files with a catalogue, for many repositories to extend",
    )
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument(
        "rules",
        nargs="*",
        type=Path,
        metavar="RULES",
        help="rule files to begin with; what they extend is written out",
    )


def _command(arguments: argparse.Namespace) -> int:
    lines, code = run(arguments.folder, arguments.rules)
    print("\n".join(lines))
    return code


def run(folder: Path, rules: Sequence[Path] = ()) -> tuple[list[str], int]:
    """Make the folder; returns what to tell, and the exit code.

    Raises InputError: a folder that holds something, rule files that cannot be used or have one
    name; nothing is written then.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(folder, "this is there, and not empty", remedy="Name a new folder")
    files = _files(rules)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(folder, f"cannot be made: {error.strerror}") from None
    files["README.md"] = _README.format(first=next(iter(files)))
    for name, text in files.items():
        write(folder / name, text)
    lines, code = catalogue.run(folder)
    wrote = [f"wrote: {folder / name}" for name in files]
    after = "Next: `git init` there, commit all of it, and give it a tag such as 2027.1."
    return [*wrote, *lines, after], code


def _files(rules: Sequence[Path]) -> dict[str, str]:
    if not rules:
        from wallguard.commands.first_rules import first_rules

        name = "material-extrusion-0.4.yaml"
        return {name: first_rules(name, "material extrusion", 0.4, 0.2)}
    from wallguard.documents.reading import read_text
    from wallguard.rules import write as written
    from wallguard.rules.load import load_rules

    files: dict[str, str] = {}
    for path in rules:
        loaded = load_rules(path)
        name = path.name
        if name in files:
            raise InputError(path, f"two rule files are named {name}", remedy="Rename one of them")
        whole = len(loaded.files) > 1
        files[name] = written.text(loaded) if whole else read_text(path, str(path))
    return files
