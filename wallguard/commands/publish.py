"""What commands with reports share: their options, one report on the terminal, the others in files,
and reading one back."""

from __future__ import annotations

import argparse
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wallguard import __version__
from wallguard.base.errors import InputError
from wallguard.base.write import write, write_bytes
from wallguard.commands.replacing import refuse_foreign, refuse_inputs, refuse_others
from wallguard.documents.reading import FileKind, read_text
from wallguard.findings.model import Report, Trouble
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
        if self.get("html"):
            return "page"
        return "pictures" if self.get("pictures") or self.get("customer") else None


def declare(parser: argparse.ArgumentParser, kind: Kind) -> None:
    """Give a command an option for each format that can show its results."""
    options = {form.option for form in of_kind(kind)}
    for form in of_kind(kind):
        if form.instead:
            who = ("reviewer", form.option)
            parser.add_argument(
                "--for", dest="reader", choices=who, default=who[0], help="whom --html is for"
            )
            if form.instead not in options:
                parser.add_argument(
                    f"--{form.instead}", type=Path, metavar="FILE", help=form.meaning
                )
        elif form.goes == "terminal":
            parser.add_argument(f"--{form.option}", action="store_true", help=form.meaning)
        else:
            metavar = _METAVARS[form.goes]
            parser.add_argument(f"--{form.option}", type=Path, metavar=metavar, help=form.meaning)


def outputs(arguments: argparse.Namespace, kind: Kind) -> Outputs:
    """What the options say. Raises InputError as `ready` does, and where an output would replace
    what another option names, so ask before the work begins."""
    named = _for_the_reader(vars(arguments), kind)
    made = Outputs({form.name: named[form.name] for form in of_kind(kind)})
    files = [made[form.name] for form in of_kind(kind) if form.goes == "file"]
    others = [value for name, value in named.items() if name not in made]
    words = [word for value in others for word in (value if isinstance(value, list) else [value])]
    refuse_inputs(filter(None, files), [word for word in words if isinstance(word, Path)])
    ready(made, kind)
    return made


def _for_the_reader(named: dict[str, Any], kind: Kind) -> dict[str, Any]:
    """What the options say, with the file of the page under the format that is for its reader."""
    forms = {form.name: form for form in of_kind(kind)}
    for form in [form for form in forms.values() if form.instead]:
        path = named.get(form.instead)
        if named.get("reader") == form.option:
            if path is None:
                raise InputError(
                    f"--for {form.option}",
                    "nothing says where the page goes",
                    remedy=f"Add --{form.instead} FILE",
                )
            named = {**named, form.name: path, form.instead: None}
        elif path is not None and form.instead not in forms:
            raise InputError(
                f"--{form.instead}",
                "of this there is a page for a customer only",
                remedy=f"Add --for {form.option}",
            )
        else:
            named = {**named, form.name: None}
    return named


def ready(outputs: Outputs, kind: Kind) -> None:
    """Raises InputError where what is asked for cannot show results of this kind or would replace
    what is no earlier report of its kind, or where a folder cannot be made: before anything is done
    for nothing."""
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
        _ready(formats[name], path)


def _ready(form: Format, path: Path) -> None:
    if form.goes == "file":
        refuse_others(path, f"--{form.option}", form.wrote)
    elif form.goes == "folder":
        made(path)


def made(folder: Path) -> None:
    """Make a folder, if need be. Raises InputError where it cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            folder, f"the folder cannot be made: {error.strerror}", remedy="Name another folder"
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
        errors: list[InputError] = []
        for form in wanted:
            if form.goes != "terminal":
                there = replace(setting, path=outputs[form.name])
                with _kept(errors):
                    _write(form, kind, result, there)
        if errors:
            raise errors[0]


@contextmanager
def _kept(errors: list[InputError]) -> Iterator[None]:
    """What cannot be written is kept for later, and the rest goes on."""
    try:
        yield
    except InputError as error:
        errors.append(error)


def _nothing_done(trouble: Trouble) -> Report:
    return Report((), troubles=(trouble,), version=__version__)


@contextmanager
def undone_is_reported(
    kind: Kind,
    outputs: Outputs,
    setting: Setting,
    undone: Callable[[Trouble], Any] = _nothing_done,
) -> Iterator[None]:
    """Where the work inside cannot be done at all, the files say so too: a report of an earlier run
    must not stand for this one. `undone` makes the result that they show. The InputError goes
    on."""
    try:
        yield
    except InputError as error:
        report = undone(Trouble(error.path, str(error)))
        for form in of_kind(kind):
            if form.goes == "file" and outputs.get(form.name):
                with suppress(InputError):
                    _write(form, kind, report, replace(setting, path=outputs[form.name]))
        raise


def _write(form: Format, kind: Kind, result: Any, setting: Setting) -> None:
    shown = form.show(kind, result, setting)
    if form.goes == "file":
        write(setting.path, shown)
    else:
        # Only now it is known what they are called.
        write_all(shown, partial(refuse_foreign, option=f"--{form.option}", wrote=form.wrote))


def write_all(files: Files, refuse: Callable[[Path], None] = lambda path: None) -> None:
    """Write files, but for those that `refuse` raises InputError for. Raises InputError where one
    is not written; the others are all the same."""
    errors: list[InputError] = []
    for path, content in files:
        with _kept(errors):
            refuse(path)
            if isinstance(content, str):
                write(path, content)
            else:
                write_bytes(path, content)
    if errors:
        raise errors[0]


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
