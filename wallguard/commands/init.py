"""`wallguard init`: a commented `wallguard.yaml`, a first rule file and the hook's configuration.

The numbers in the first rule file, and where they come from, are in `first_rules`.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import TypeVar

from wallguard.base.errors import InputError
from wallguard.base.files import within
from wallguard.base.formats import HOOK_FILES, PART_SUFFIXES
from wallguard.base.text import number
from wallguard.commands import schema
from wallguard.commands.arguments import Commands, command, length
from wallguard.commands.first_rules import first_rules
from wallguard.commands.schema import EDITED, modeline, schema_file
from wallguard.rules.model import Category

Ask = Callable[[str, str], str]
_T = TypeVar("_T")
# How often a question is put before its answer is an error.
_TRIES = 5

ABBREVIATIONS: dict[str, Category] = {
    "MEX": "material extrusion",
    "VPP": "vat photopolymerization",
    "PBF": "powder bed fusion",
}
_LAYER_DEFAULTS: dict[Category, float] = {
    "vat photopolymerization": 0.05,
    "powder bed fusion": 0.1,
}


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "init",
        "wallguard init --nozzle 0.4 --layer-height 0.2",
        _command,
    )
    parser.add_argument("folder", nargs="?", type=Path, default=Path(), metavar="FOLDER")
    parser.add_argument("--nozzle", type=length, metavar="MM", help="nozzle diameter")
    parser.add_argument("--layer-height", type=length, metavar="MM", help="layer height")
    parser.add_argument(
        "--category",
        metavar="CATEGORY",
        help="'material extrusion', 'vat photopolymerization' or 'powder bed fusion'",
    )


def _command(arguments: argparse.Namespace) -> int:
    ask = _ask if sys.stdin.isatty() and sys.stdout.isatty() else None
    lines = run(
        arguments.folder,
        nozzle=arguments.nozzle,
        layer_height=arguments.layer_height,
        category=arguments.category,
        ask=ask,
    )
    print("\n".join(lines))
    return 0


def _ask(question: str, default: str) -> str:
    try:
        return input(f"{question} [{default}]: ")
    except EOFError:
        raise KeyboardInterrupt from None


@dataclass(frozen=True)
class _Length:
    """A length in mm that is asked for: its name, the question, and its bounds.

    most  the largest that makes sense with what is known, and what that is
    """

    name: str
    question: str
    default: float
    low: float
    high: float
    most: tuple[float, str] = (inf, "")

    def read(self, answer: str) -> float:
        """Raises InputError: no number, or out of bounds."""
        try:
            return self.checked(number(answer))
        except ValueError:
            problem = f"`{answer[:60]}` is no number"
            remedy = "Write a number in mm, such as 0.4"
            raise InputError(self.name, problem, remedy=remedy) from None

    def checked(self, value: float) -> float:
        """The value. Raises InputError: out of bounds."""
        if not self.low <= value <= self.high:
            problem = f"{value:g} mm is not between {self.low:g} and {self.high:g} mm"
            raise InputError(self.name, problem, remedy="Give it in millimetres")
        most, what = self.most
        if value > most:
            problem = f"{value:g} mm is more than the {what}'s {most:g} mm"
            raise InputError(self.name, problem, remedy=f"Give one that the {what} can lay")
        return value

    def settled(self, given: float | None, ask: Ask | None) -> float:
        """What was given, or what is answered."""
        if given is not None:
            return self.checked(float(given))
        return _answered(ask, self.question, f"{self.default:g}", self.read)


def run(
    folder: Path,
    *,
    nozzle: float | None = None,
    layer_height: float | None = None,
    category: str | None = None,
    ask: Ask | None = None,
) -> list[str]:
    """Write the first files of a design repository into `folder`, and say what was done.

    nozzle        diameter in mm, for material extrusion only
    layer_height  in mm
    category      process category, in full or as MEX, VPP or PBF
    ask           asks for what is None: (question, default) -> answer; asked again where an answer
                  will not do; without it the default holds

    What exists is left alone, and the lines say so. Raises InputError: values that make no sense
    together, or a folder that cannot be written to; nothing is written in the first case.
    """
    if category is None:
        chosen = _answered(ask, "Process category (MEX, VPP or PBF)", "MEX", _category)
    else:
        chosen = _category(category)
    if chosen == "material extrusion":
        nozzle = _Length("nozzle", "Nozzle diameter in mm", 0.4, 0.1, 5).settled(nozzle, ask)
        usual, most = nozzle / 2, (nozzle, "nozzle")
    else:
        nozzle, usual, most = None, _LAYER_DEFAULTS[chosen], (inf, "")
    layer_height = _Length("layer height", "Layer height in mm", usual, 0.01, 3, most).settled(
        layer_height, ask
    )
    if not folder.is_dir():
        raise InputError(folder, "there is no such folder", remedy="Create it first")
    rules = f"rules/{chosen.replace(' ', '-')}-{nozzle or layer_height:g}.yaml"
    first = first_rules(rules, chosen, nozzle, layer_height)
    files = [
        _File(
            "wallguard.yaml",
            modeline("repository") + _repository(rules),
            f"name `{rules}` in it to use it",
        ),
        _File(rules, modeline("rules", "../") + first, "compare it with your printer's settings"),
        _File(".pre-commit-config.yaml", "repos:\n" + _HOOK, f"add under `repos:`\n{_HOOK}"),
        *(
            _File(schema_file(which), schema.run(which), f"`wallguard schema {which}` is of now")
            for which in EDITED
        ),
    ]
    return [
        *_write_all(folder, files),
        f"Next: put your printer's settings into {rules}, then run `wallguard check --all`.",
        "`pre-commit install` then checks every commit.",
    ]


@dataclass(frozen=True)
class _File:
    name: str
    text: str
    otherwise: str


def _answered(ask: Ask | None, question: str, default: str, read: Callable[[str], _T]) -> _T:
    """What `read` makes of the answer; asked again, a few times, with what was wrong with it."""
    if ask is None:
        return read(default)
    trouble = ""
    for tries in range(1, _TRIES + 1):
        answer = ask(trouble + question, default).strip() or default
        try:
            return read(answer)
        except InputError as error:
            if tries == _TRIES:
                raise
            trouble = f"{error}\n"
    raise AssertionError


def _category(given: str) -> Category:
    known = {name.lower(): full for short, full in ABBREVIATIONS.items() for name in (short, full)}
    full = known.get(given.strip().lower())
    if full is None:
        names = ", ".join(f"{full} ({short})" for short, full in ABBREVIATIONS.items())
        raise InputError(
            "category", f"there is no category `{given[:60]}`", remedy=f"Choose {names}"
        )
    return full


def _write_all(folder: Path, files: list[_File]) -> list[str]:
    for file in files:
        _refuse_leaving(folder, file.name)
    lines = []
    for file in files:
        if os.path.lexists(folder / file.name):
            lines += f"left alone: {file.name} exists; {file.otherwise}".splitlines()
        else:
            _write(folder, file)
            lines.append(f"wrote: {file.name}")
    return lines


def _refuse_leaving(folder: Path, name: str) -> None:
    parent = (folder / name).parent
    if not within(parent, folder):
        raise InputError(
            parent, "a link that leads out of the repository", remedy="Make it a folder"
        )


def _write(folder: Path, file: _File) -> None:
    path = folder / file.name
    try:
        path.parent.mkdir(exist_ok=True)
        # "x": a file that appeared meanwhile is not overwritten.
        with path.open("x", encoding="utf-8", newline="\n") as out:
            try:
                out.write(file.text)
            except BaseException:
                with contextlib.suppress(OSError):
                    path.unlink()
                raise
    except OSError as error:
        raise InputError(
            path,
            f"cannot be written: {error.strerror or error}",
            remedy="Check the folder and its permissions",
        ) from None


# A pattern for each kind of part file.
_PARTS = ", ".join(f'"**/*{suffix}"' for suffix in PART_SUFFIXES)

_HOOK = rf"""  - repo: local
    hooks:
      - id: wallguard
        name: walls of changed parts
        entry: wallguard check
        # A name that begins with - is a name, no option.
        args: ["--brief", "--"]
        language: system
        # Meshes, and the YAML files that say what they are checked against.
        files: {HOOK_FILES}
        types: []
        types_or: [file, symlink]
        # One process sees all files, so there is one report.
        require_serial: true
        verbose: true
"""


def _repository(rules: str) -> str:
    return f"""\
# Which parts of this repository answer to which rule files, and how they are printed.
# Names and patterns are relative to this folder.
# `wallguard schema repository` prints a JSON Schema with which editors complete and check it.
wallguard: 1

# Unit of a file whose format carries none: micrometre, mm, cm, m, inch or foot. Left out: mm, and a
# part whose size looks like another unit is told.
# unit: mm

parts:
  # In a pattern, * is any text within a name, ? is one character and **/ is any folders.
  - files: [{_PARTS}]
    rules: {rules}
    # The direction of the file that points up on the printer: +x, -x, +y, -y, +z, -z or [x, y, z].
    up: +z

  # Entries add up: a part is checked against the rules of every entry that it matches. Where two
  # entries name the same rules, the later one says how the part is printed.
  # - files: "models/**/*.stl"
  #   rules: [{rules}, rules/another.yaml]
  #   rotate: [90, 0, 0]    # degrees about x, then y, then z; instead of `up`
  #   scale: "1:200"        # or a number: printed size over the size in the file
  #   unit: m

# Patterns of files that are not to be checked.
exclude: []
"""
