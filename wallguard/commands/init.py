"""`wallguard init`: a commented `wallguard.yaml`, a first rule file and the hook's configuration.

The numbers in the first rule file are common practice, no published source; the file says so, and
by which rule each one follows from the nozzle.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, inf
from pathlib import Path
from typing import Any, TypeVar

from wallguard.base.errors import InputError
from wallguard.base.files import within
from wallguard.base.formats import HOOK_FILES, PART_SUFFIXES
from wallguard.base.text import number
from wallguard.commands.arguments import Commands, command, length
from wallguard.documents.write import Comments
from wallguard.rules import write
from wallguard.rules.model import Beads, Category, Limit, Rules

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
    first, beside = (
        _extrusion(rules, nozzle, layer_height) if nozzle else _other(rules, chosen, layer_height)
    )
    files = [
        _File("wallguard.yaml", _repository(rules), f"name `{rules}` in it to use it"),
        _File(rules, _rule_file(first, beside), "compare it with your printer's settings"),
        _File(".pre-commit-config.yaml", "repos:\n" + _HOOK, f"add under `repos:`\n{_HOOK}"),
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

# Unit of a file whose format carries none: micrometre, mm, cm, m, inch or foot.
unit: mm

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


_HEAD = """\
# What one printer, material and settings make of a wall, and what is asked of a part.
# Lengths are in mm. `wallguard schema rules` prints a JSON Schema with which editors complete and
# check this file. A key behind a # is left out; <...> says what may stand there.
#
# These are first numbers by simple rules (common practice, no published source). Replace them with
# your own settings, and measure a print with callipers before you rely on them.
# A pass speaks of geometry only: not of strength, fit, supports, warping, or fitness for any use.
"""
_MINIMUM = (
    "Below `fail` the part fails, below `warn` the reviewer is told. What is left out is not asked."
)


def _rule_file(rules: Rules, beside: dict[str, str]) -> str:
    above = {
        "beads": ["Take these from the settings of the program that makes your toolpaths."],
        "minimum": [_MINIMUM],
    }
    comments = write.described(rules, Comments(above=above, beside=beside))
    return write.text(rules, comments, head=[_HEAD])


# First bead settings and minimum features (fail, warn), in nozzle diameters.
_BEADS = {
    "width": 1.1,
    "smallest_wall": 1,
    "squeeze": 0.25,
    "smallest_fill": 0.75,
    "uncertainty": 0.125,
}
_VARIES = (0.75, 1.75)
_IN_NOZZLES = {"wall": (2, 3), "free_wall": (3, 4), "gap": (0.5, 1), "hole": (2, 5), "pin": (4, 6)}
_LAYERS = Limit(3, 4)


def _extrusion(path: str, d: float, h: float) -> tuple[Rules, dict[str, str]]:
    """First rules for a nozzle of `d` mm and layers of `h` mm, and how their numbers follow."""
    lengths: dict[str, Any] = {name: round(share * d, 4) for name, share in _BEADS.items()}
    beads = Beads(contours=2, nozzle=d, spacing="from volume", **lengths)
    minimum = {
        name: Limit(round(fail * d, 4), round(warn * d, 4))
        for name, (fail, warn) in _IN_NOZZLES.items()
    }
    rules = Rules(
        path=path,
        name=f"{d:.4g} mm nozzle, {h:.4g} mm layers",
        category="material extrusion",
        layer_height=round(h, 4),
        beads=beads,
        minimum={**minimum, "floor": _LAYERS, "roof": _LAYERS},
    )
    narrowest, wide = (round(share * d, 4) for share in _VARIES)
    beside = {f"beads.{name}": f"{share:g} x nozzle" for name, share in _BEADS.items()}
    beside |= {
        f"minimum.{name}": f"{fail:g} and {warn:g} x nozzle"
        for name, (fail, warn) in _IN_NOZZLES.items()
    }
    from wallguard.bands.beads import shared  # which brings numpy

    apart = beads.width - shared(beads, h)
    beside["beads.spacing"] = f"{apart:.3f} mm; or: width, {beads.width:g} mm; or a length"
    beside["beads.edge_uncertainty"] = "settings are what was asked; a coupon tells what was done"
    beside["beads.between_one_and_two"] = "or: one bead, dropped"
    beside["beads.width_varies"] = (
        f"or [{narrowest:g}, {wide:g}], if the bead suits the wall: "
        f"{_VARIES[0]:g} and {_VARIES[1]:g} x nozzle"
    )
    return rules, beside


# First minimum features in mm: (fail, warn).
_FEATURES: dict[Category, dict[str, tuple[float, float]]] = {
    "vat photopolymerization": {
        "wall": (0.4, 0.6),
        "free_wall": (0.6, 1.0),
        "gap": (0.2, 0.4),
        "hole": (0.5, 0.8),
        "pin": (0.5, 0.8),
    },
    "powder bed fusion": {
        "wall": (0.7, 1.0),
        "free_wall": (0.8, 1.2),
        "gap": (0.5, 0.7),
        "hole": (1.0, 1.5),
        "pin": (0.8, 1.2),
    },
}
_TOLERANCES = {"vat photopolymerization": 0.1, "powder bed fusion": 0.2}


def _other(path: str, category: Category, h: float) -> tuple[Rules, dict[str, str]]:
    """First rules for layers of `h` mm of a category that lays no beads, and the same."""
    features = _FEATURES[category]
    fail, warn = (ceil(round(level / h, 6)) for level in features["wall"])
    plates = {"floor": Limit(fail, warn), "roof": Limit(fail, warn)}
    tolerance = _TOLERANCES[category]
    rules = Rules(
        path=path,
        name=f"{category}, {h:.4g} mm layers",
        category=category,
        layer_height=round(h, 4),
        minimum={name: Limit(*levels) for name, levels in features.items()} | plates,
        tolerance=(tolerance, tolerance),
    )
    return rules, {f"minimum.{name}": "as thick as a wall" for name in plates}
