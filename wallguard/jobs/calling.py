"""Call a function of a Python file, and write the part that it returns: a program of its own.

python -P -m wallguard.jobs.calling ROOT FILE FUNCTION MESH

What the function raises is shortened to the lines of files below ROOT, which are the designer's.
Ends with 0; or with one of `ENDS`, and on standard error why there is no part.
"""

from __future__ import annotations

import importlib.util
import sys
import traceback
from pathlib import Path
from typing import Any

from wallguard.base.errors import InputError

_RAISED, _REFUSED = 1, 2
# What is to be said of how it ended; the rest it says itself.
ENDS = {_RAISED: "not made, because its code raised an error", _REFUSED: "not made"}


def main(words: list[str]) -> int:
    """Do what the words ask for; returns the exit code."""
    # Before the designer's files, which may be called as one of the modules that these need.
    from wallguard.mesh.objects import drawing_of
    from wallguard.mesh.threemf_file import threemf_of

    root, file, name, mesh = Path(words[0]), Path(words[1]), words[2], Path(words[3])
    sys.path[:0] = [str(file.parent), str(root)]
    try:
        mesh.write_bytes(threemf_of(drawing_of(_called(file, name), f"{file.name}::{name}"), name))
    except InputError as error:
        print(error, file=sys.stderr)
        return _REFUSED
    except BaseException as error:  # whatever a designer's code does is told
        print(shortened(error, root), file=sys.stderr)
        return _RAISED
    return 0


def _called(file: Path, name: str) -> Any:
    """What the function returns. Raises InputError: there is none."""
    shown = f"{file.name}::{name}"
    spec = importlib.util.spec_from_file_location(file.stem, file)
    if spec is None or spec.loader is None:
        remedy = "Say under `command` what makes it"
        raise InputError(shown, f"{file.name} is no Python file", remedy=remedy)
    module = importlib.util.module_from_spec(spec)
    sys.modules[file.stem] = module
    spec.loader.exec_module(module)
    function = getattr(module, name, None)
    if not callable(function):
        remedy = "Correct the name under `generated` of wallguard.yaml"
        raise InputError(shown, f"{file.name} has no function {name}", remedy=remedy)
    return function()


def shortened(error: BaseException, root: Path) -> str:
    """What was raised, with those lines of its way that stand in files below `root`."""
    lines = []
    for frame in traceback.extract_tb(error.__traceback__):
        path = Path(frame.filename)
        if path.is_relative_to(root) and "site-packages" not in path.parts:
            where = path.relative_to(root).as_posix()
            lines.append(f"{where}, line {frame.lineno}, in {frame.name}: {frame.line}")
    said = traceback.format_exception_only(error)
    return "\n".join([*lines, *(line.rstrip("\n") for line in said)])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
