"""What commands with reports share: print one on the terminal, write the others to files, and read
one back."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from wallguard.base.errors import InputError
from wallguard.base.write import write, write_bytes
from wallguard.documents.reading import FileKind, read_text

if TYPE_CHECKING:
    from wallguard.findings.model import Report

# Bounds the memory that a report of tens of thousands of findings may ask for.
_MAX_REPORT = 512 * 1024 * 1024
_REPORT = FileKind("a report of `wallguard check --json`", "")


@dataclass(frozen=True)
class Outputs:
    """Where reports go; None: not wanted."""

    junit: Path | None = None
    markdown: Path | None = None
    json: Path | None = None


class Text(Protocol):
    """A report for a terminal, see `reports.console.text`."""

    def __call__(self, *, width: int, colour: bool) -> str: ...


def publish(shown: Text, files: Iterable[tuple[Path, str | bytes]]) -> None:
    """Print one report and write the files that are wanted.

    Raises InputError where a file cannot be written; the others are written all the same.
    """
    colour = sys.stdout.isatty() and "NO_COLOR" not in os.environ
    width = min(shutil.get_terminal_size().columns, 110)
    print(shown(width=width, colour=colour), end="", flush=True)
    errors = []
    for path, content in files:
        try:
            if isinstance(content, str):
                write(path, content)
            else:
                write_bytes(path, content)
        except InputError as error:
            errors.append(error)
    if errors:
        raise errors[0]


def read_report(path: Path) -> Report:
    """A report that `wallguard check --json` wrote. Raises InputError."""
    from wallguard.reports import json_report

    shown = str(path)
    return json_report.read(read_text(path, shown, _MAX_REPORT, _REPORT), shown)
