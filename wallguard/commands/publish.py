"""What commands with reports share: their options, one report on the terminal, the others in files,
and reading one back."""

from __future__ import annotations

import argparse
import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from importlib import util
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wallguard import __version__
from wallguard.base.errors import InputError
from wallguard.base.formats import PART_SUFFIXES
from wallguard.base.write import write, write_bytes
from wallguard.documents.reading import FileKind, read_text
from wallguard.findings.model import Report, Trouble
from wallguard.jobs.source import YAML
from wallguard.reports.formats import Files, Format, Kind, Setting, of_kind, terminal

if TYPE_CHECKING:
    from wallguard.findings.rehearsal import Rehearsal
    from wallguard.views.model import What

# Bounds the memory that a report of tens of thousands of findings may ask for.
_MAX_REPORT = 512 * 1024 * 1024
_REPORT = FileKind("a report of `wallguard check --json`", "")
_METAVARS = {"file": "FILE", "folder": "DIR"}


class Outputs(dict[str, Any]):
    """Where reports go, by the name of the format; what goes to the terminal is only True or not.

    `Outputs(json=Path("walls.json"), annotations=True)`
    """

    def path(self, name: str) -> Path | None:
        """The file or folder of one format; None: it is not wanted."""
        path: Path | None = self.get(name)
        return path

    @property
    def views(self) -> What | None:
        """What has to be worked out for them while parts are checked."""
        return "page" if self.get("html") else "pictures" if self.get("pictures") else None


def declare(parser: argparse.ArgumentParser, kind: Kind) -> None:
    """Give a command an option for each format that can show its results."""
    for form in of_kind(kind):
        if form.goes == "terminal":
            parser.add_argument(f"--{form.option}", action="store_true", help=form.meaning)
        else:
            metavar = _METAVARS[form.goes]
            parser.add_argument(f"--{form.option}", type=Path, metavar=metavar, help=form.meaning)


def outputs(arguments: argparse.Namespace, kind: Kind) -> Outputs:
    """What the options say. Raises InputError as `ready` does, so ask before the work begins."""
    made = Outputs({form.name: getattr(arguments, form.name) for form in of_kind(kind)})
    ready(made, kind)
    return made


# What a report must never replace: parts, documents and toolpaths.
_OWN_NAME = "Give the report a name of its own"
_LOOK = 1_000_000  # bytes of a file that is there
_NO_REPORTS = {*PART_SUFFIXES, *YAML, ".gcode", ".gco", ".g", ".nc", ".gz", ".step", ".stp"}


def ready(outputs: Outputs, kind: Kind) -> None:
    """Raises InputError where what is asked for cannot show results of this kind, needs an extra
    that is not installed, or where a folder cannot be made: before anything is done for nothing."""
    formats = {form.name: form for form in of_kind(kind)}
    for name, path in outputs.items():
        if not path:
            continue
        if name not in formats:
            raise InputError(
                f"--{name}",
                "this cannot show what is asked for",
                remedy=f"There are: {', '.join(f'--{form.option}' for form in formats.values())}",
            )
        _ready(formats[name], path, kind)


def _there(path: Path) -> str:
    """The beginning and the end of what a report would replace; empty where it would not."""
    if path.is_symlink() or not path.is_file():  # a link is replaced, a device is written to
        return ""
    with suppress(OSError), path.open("rb") as file:
        begin = file.read(_LOOK)
        file.seek(max(len(begin), path.stat().st_size - _LOOK))
        return (begin + file.read(_LOOK)).decode("utf-8", "replace")
    return ""


def _ready(form: Format, path: Path, kind: Kind) -> None:
    if kind in form.needing and any(util.find_spec(name) is None for name in form.needs):
        raise InputError(
            path,
            f"a library that --{form.option} needs is not installed",
            remedy=f"Install it, in a clone of wallguard, with `pip install .[{form.extra}]`",
        )
    if form.goes == "file" and path.suffix.lower() in _NO_REPORTS:
        raise InputError(
            path,
            f"--{form.option} would write a report over what the name says is a part, a toolpath "
            "or a rule file",
            remedy=_OWN_NAME,
        )
    if form.goes == "file" and not form.wrote(_there(path)):
        raise InputError(
            path,
            f"--{form.option} would write a report over a file that is no earlier one of the kind",
            remedy=f"{_OWN_NAME}, or delete that file first",
        )
    if form.goes == "folder":
        try:
            path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                path, f"the folder cannot be made: {error.strerror}", remedy="Name another folder"
            ) from None


def publish(
    kind: Kind,
    result: Any,
    outputs: Outputs,
    setting: Setting | None = None,
    *,
    brief: bool = False,
) -> None:
    """Print one report and write the files that are wanted; `setting` but for its path.

    brief  print a few lines at most, where there is such a text

    Raises InputError where a file cannot be written; the others are written all the same.
    """
    colour = sys.stdout.isatty() and "NO_COLOR" not in os.environ
    width = min(shutil.get_terminal_size().columns, 110)
    shown = terminal(kind, brief)(result, width=width, colour=colour)
    setting = setting or Setting(Path())
    setting = replace(setting, pictures=outputs.path("pictures"))
    wanted = [form for form in of_kind(kind) if outputs.get(form.name)]
    for form in wanted:
        if form.goes == "terminal":
            # Names in it come from files: the service must take none of it for a command.
            token = os.urandom(16).hex()
            commands = form.show(kind, result, setting)
            shown = f"::stop-commands::{token}\n{shown}::{token}::\n{commands}"
    try:
        print(shown, end="", flush=True)
    finally:
        # Files are written even where the terminal takes nothing.
        write_all(
            (path, content)
            for form in wanted
            if form.goes != "terminal"
            for path, content in _files(
                form, kind, result, replace(setting, path=outputs[form.name])
            )
        )


@contextmanager
def undone_is_reported(kind: Kind, outputs: Outputs, setting: Setting) -> Iterator[None]:
    """Where the work inside cannot be done at all, the files say so too: a report of an earlier run
    must not stand for this one. The InputError goes on."""
    try:
        yield
    except InputError as error:
        trouble = Trouble(error.path, str(error))
        report = Report((), troubles=(trouble,), version=__version__)
        for form in of_kind(kind):
            if form.goes == "file" and outputs.get(form.name):
                with suppress(InputError):
                    there = replace(setting, path=outputs[form.name])
                    write_all(_files(form, kind, report, there))
        raise


def write_all(files: Files) -> None:
    """Write files. Raises InputError where one cannot be written; the others are all the same."""
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


def _files(form: Format, kind: Kind, result: Any, setting: Setting) -> Files:
    made = form.show(kind, result, setting)
    return [(setting.path, made)] if isinstance(made, str) else made


def read_report(path: Path) -> Report:
    """A report that `wallguard check --json` wrote. Raises InputError."""
    from wallguard.reports import json_report

    return json_report.read(_read(path), str(path))


def read_result(path: Path) -> Report | Rehearsal:
    """The same, or what `wallguard rehearse --json` wrote. Raises InputError."""
    from wallguard.reports import json_report

    text = _read(path)
    if f'"schema": "{json_report.REHEARSAL.name}"' in text[:200]:
        return json_report.REHEARSAL.read(text, str(path))
    return json_report.read(text, str(path))


def _read(path: Path) -> str:
    return read_text(path, str(path), _MAX_REPORT, _REPORT)
