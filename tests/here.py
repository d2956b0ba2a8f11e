"""Commands run in this process: a new one takes longer to start than most of them take."""

import contextlib
import io
import os
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

from wallguard.commands.main import main


@dataclass(frozen=True)
class Ran:
    """What a command ended with and said."""

    returncode: int
    stdout: str
    stderr: str


def wallguard(folder: Path, *words: str) -> Ran:
    """A command of wallguard as a pipeline runs it in `folder`: no terminal, 80 columns."""
    out, err = io.StringIO(), io.StringIO()
    kept = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    with (
        mock.patch.dict(os.environ, kept, clear=True),
        contextlib.chdir(folder),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        code = main(list(words))
    return Ran(code, out.getvalue(), err.getvalue())
