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
from math import ceil
from pathlib import Path

from wallguard.base.errors import InputError
from wallguard.base.files import within
from wallguard.base.formats import HOOK_FILES, PART_SUFFIXES
from wallguard.commands.arguments import Commands, command, length

Ask = Callable[[str, str], str]

ABBREVIATIONS = {
    "MEX": "material extrusion",
    "VPP": "vat photopolymerization",
    "PBF": "powder bed fusion",
}
_LAYER_DEFAULTS = {
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
    return input(f"{question} [{default}]: ").strip() or default


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
    ask           asks for what is None: (question, default) -> answer; without it the default holds

    What exists is left alone, and the lines say so. Raises InputError: values that make no sense
    together, or a folder that cannot be written to; nothing is written in the first case.
    """
    chosen = _category(
        category
        if category is not None
        else _asked(ask, "Process category (MEX, VPP or PBF)", "MEX")
    )
    if chosen == "material extrusion":
        nozzle = _number("nozzle", nozzle, ask, "Nozzle diameter in mm", 0.4, 0.1, 5)
        usual = nozzle / 2
    else:
        nozzle, usual = None, _LAYER_DEFAULTS[chosen]
    layer_height = _number("layer height", layer_height, ask, "Layer height in mm", usual, 0.01, 3)
    if nozzle is not None and layer_height > nozzle:
        raise InputError(
            "layer height",
            f"{layer_height:g} mm is more than the nozzle's {nozzle:g} mm",
            remedy="Give a layer height that the nozzle can lay",
        )
    if not folder.is_dir():
        raise InputError(folder, "there is no such folder", remedy="Create it first")
    name = f"{chosen.replace(' ', '-')}-{nozzle or layer_height:g}"
    rules = f"rules/{name}.yaml"
    written = _extrusion(nozzle, layer_height) if nozzle else _other(chosen, layer_height)
    files = [
        _File("wallguard.yaml", _repository(rules), f"name `{rules}` in it to use it"),
        _File(rules, written, "compare it with your printer's settings"),
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


def _asked(ask: Ask | None, question: str, default: str) -> str:
    answer = ask(question, default).strip() if ask else ""
    return answer or default


def _category(given: str) -> str:
    full = ABBREVIATIONS.get(given.strip().upper(), given.strip().lower())
    if full not in ABBREVIATIONS.values():
        known = ", ".join(f"{full} ({short})" for short, full in ABBREVIATIONS.items())
        raise InputError(
            "category", f"there is no category `{given[:60]}`", remedy=f"Choose {known}"
        )
    return full


def _number(
    name: str,
    given: float | None,
    ask: Ask | None,
    question: str,
    default: float,
    low: float,
    high: float,
) -> float:
    answer = _asked(ask, question, f"{default:g}") if given is None else ""
    try:
        value = float(answer) if given is None else float(given)
    except ValueError:
        raise InputError(
            name, f"`{answer[:60]}` is no number", remedy="Write a number in mm, such as 0.4"
        ) from None
    if not low <= value <= high:
        raise InputError(
            name,
            f"{value:g} mm is not between {low:g} and {high:g} mm",
            remedy="Give it in millimetres",
        )
    return value


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


def _g(value: float) -> str:
    return f"{round(value, 4):g}"


# A pattern for each kind of part file.
_PARTS = ", ".join(f'"**/*{suffix}"' for suffix in PART_SUFFIXES)

_HOOK = rf"""  - repo: local
    hooks:
      - id: wallguard
        name: walls of changed parts
        entry: wallguard check
        # A name that begins with - is a name, no option.
        args: ["--"]
        language: system
        # Meshes, and the YAML files that say what they are checked against.
        files: {HOOK_FILES}
        types: []
        types_or: [file, symlink]
        # One process sees all files, so there is one report.
        require_serial: true
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
# check this file.
#
# These are first numbers by simple rules (common practice, no published source). Replace them with
# your own settings, and measure a print with callipers before you rely on them.
# A pass speaks of geometry only: not of strength, fit, supports, warping, or fitness for any use.
wallguard: 1
"""

_OUTCOMES = """\

# What each outcome does to the gate: fail, warn or ignore.
outcomes:
  hollow: fail          # a void along the middle of the wall
  missing: fail         # nothing is printed
  thickened: warn       # printed thicker than drawn, by more than the tolerance
  thinned: warn         # printed thinner than drawn, by more than the tolerance
  indeterminate: warn   # met or missed only within the uncertainty
"""


def _rows(rows: dict[str, str]) -> str:
    """Lines with their comments, one below the other."""
    return "".join(f"  {row:<44}  # {comment}\n" for row, comment in rows.items())


def _extrusion(d: float, h: float) -> str:
    beads = {
        f"nozzle: {_g(d)}": "for the reader; no outcome follows from it",
        f"width: {_g(1.1 * d)}": "1.1 x nozzle",
        f"# width_varies: [{_g(0.75 * d)}, {_g(1.75 * d)}]": "if the bead suits the wall",
        "contours: 2": "beads along the outline, on each side of a wall",
        f"smallest_wall: {_g(d)}": "thinner is not printed: 1 x nozzle",
        "between_one_and_two: two beads": "or: one bead, dropped",
        f"squeeze: {_g(0.25 * d)}": "largest left-over closed by squeezing: 0.25 x nozzle",
        f"smallest_fill: {_g(0.75 * d)}": "smallest left-over that gets a bead: 0.75 x nozzle",
        f"uncertainty: {_g(0.125 * d)}": "of printed thickness (k = 2): 0.125 x nozzle",
    }
    minimum = {
        f"wall: {{fail: {_g(2 * d)}, warn: {_g(3 * d)}}}": "2 and 3 x nozzle",
        f"free_wall: {{fail: {_g(3 * d)}, warn: {_g(4 * d)}}}": "3 and 4 x nozzle",
        f"gap: {{fail: {_g(0.5 * d)}, warn: {_g(d)}}}": "0.5 and 1 x nozzle",
        f"hole: {{fail: {_g(2 * d)}, warn: {_g(5 * d)}}}": "diameter: 2 and 5 x nozzle",
        f"pin: {{fail: {_g(4 * d)}, warn: {_g(6 * d)}}}": "diameter: 4 and 6 x nozzle",
        "floor: {fail: 3, warn: 4}": "in layers",
        "roof: {fail: 3, warn: 4}": "in layers",
    }
    return f"""{_HEAD}
name: {_g(d)} mm nozzle, {_g(h)} mm layers

process:
  category: material extrusion
  # printer: the printer, in your own words
  # material: the material, in your own words

# build_volume: [x, y, z]
layer_height: {_g(h)}

# Take these from the settings of the program that makes your toolpaths.
beads:
{_rows(beads)}
# Below `fail` the part fails, below `warn` the reviewer is told. What is left out is not asked.
minimum:
{_rows(minimum)}
# How far the printed thickness may lie from the drawn one.
tolerance: 0.15
{_OUTCOMES}"""


# First minimum features in mm: (fail, warn).
_FEATURES = {
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


def _other(category: str, h: float) -> str:
    features = _FEATURES[category]
    levels = "".join(
        f"  {name}: {{fail: {_g(fail)}, warn: {_g(warn)}}}\n"
        for name, (fail, warn) in features.items()
    )
    fail, warn = (ceil(round(level / h, 6)) for level in features["wall"])
    return f"""{_HEAD}
name: {category}, {_g(h)} mm layers

process:
  category: {category}
  # printer: the printer, in your own words
  # material: the material, in your own words

# build_volume: [x, y, z]
layer_height: {_g(h)}

# Below `fail` the part fails, below `warn` the reviewer is told; hole and pin are diameters.
# What is left out is not asked.
minimum:
{levels}  # In layers: as thick as a wall.
  floor: {{fail: {fail}, warn: {warn}}}
  roof: {{fail: {fail}, warn: {warn}}}

# How far the printed thickness may lie from the drawn one.
tolerance: {_g(_TOLERANCES[category])}
{_OUTCOMES}"""
