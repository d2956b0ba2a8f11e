"""STEP (ISO 10303-21): solids, given facets by Open CASCADE through `cascadio`, an extra.

What comes back is in metres whatever unit the file is drawn in, in single precision; it is told in
mm. Every product of an assembly is an object with its name, and so is each of several solids of one
that do not touch: "lid 1", "lid 2". The library runs in a process of its own: see `tessellate.py`.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from importlib import util
from pathlib import Path
from typing import BinaryIO

import numpy as np

from wallguard.base.errors import InputError
from wallguard.base.formats import CHORD
from wallguard.base.plain import plain
from wallguard.mesh.formats import glb
from wallguard.mesh.formats.drawing import EXPORT, Drawing, label

# The entities that are solids (ISO 10303-42, from memory), and those of AP 242 that are one already
# tessellated. Without any of these a file holds surfaces or curves, or nothing to see.
_SOLIDS = re.compile(
    rb"\b(MANIFOLD_SOLID_BREP|BREP_WITH_VOIDS|FACETED_BREP|TESSELLATED_SOLID|SOLID_MODEL"
    rb"|EXTRUDED_AREA_SOLID|REVOLVED_AREA_SOLID|SWEPT_AREA_SOLID|CSG_SOLID|SOLID_REPLICA)\s*\(",
    re.IGNORECASE,
)
_HEAD, _END = b"ISO-10303-21", b"END-ISO-10303-21"
# What giving facets may take: a file of 1 MB takes a few seconds and 100 MB (measured).
_SECONDS, _SECONDS_PER_MB = 60.0, 20.0
_MEMORY, _MEMORY_PER_MB = 1_000, 100
# So many times as long is waited, as other programs may be running.
_WAIT = 3.0 if sys.platform == "win32" else 10.0
_MB = 1_000_000
_LINE = re.compile(r"Line (\d+): ([^\n*]*)")
_COLOURS = re.compile(r"\x1b\[[0-9;]*m")
# What the library calls what has no name of its own.
_UNNAMED = re.compile(
    r"=>\[[\d:]*\]|COMPOUND|COMPSOLID|SOLID|SHELL|FACE|Open CASCADE STEP translator.*|\s*"
)
_METRE = 1000.0


def read(path: Path, data: bytes, chord: float = CHORD) -> Drawing:
    """Read the solids of a STEP file, with facets that lie off curved faces by no more than `chord`
    mm; raises InputError."""
    if util.find_spec("cascadio") is None:
        raise InputError(
            path,
            "the library that reads STEP is not installed",
            remedy='Install it, in a clone of wallguard, with `pip install ".[step]"`',
        )
    if _HEAD not in data[:1000].upper():
        raise InputError(path, "is not a STEP file: it does not begin with ISO-10303-21")
    if not _SOLIDS.search(data):
        if _END not in data[-1000:].upper():
            what = f"is no whole STEP file: it does not end with {_END.decode()}"
            raise InputError(path, what, remedy=EXPORT)
        what = "holds no solid, only surfaces, curves or nothing at all"
        raise InputError(path, what, remedy="Export the part as a solid")
    made = _tessellated(path, data, chord)
    try:
        bodies = list(_bodies(made))
    except (ValueError, KeyError, IndexError, TypeError) as error:
        raise InputError(path, f"its facets cannot be used: {str(error)[:100]}") from None
    if not bodies:
        raise InputError(path, "none of its solids could be given facets", remedy=EXPORT)
    before = np.cumsum([0, *(len(body.vertices) for _, body in bodies)])
    metres = np.concatenate([body.vertices for _, body in bodies])
    return Drawing(
        metres * _METRE,
        np.concatenate(
            [body.triangles + first for (_, body), first in zip(bodies, before, strict=False)]
        ),
        "mm",
        np.repeat(np.arange(len(bodies)), np.diff(before)),
        float(np.spacing(np.float32(np.abs(metres).max()))) * _METRE,
        tuple(name for name, _ in bodies),
        chord,
    )


def _bodies(made: bytes) -> Iterator[tuple[str, glb.Placed]]:
    """Each body with its name. Several solids of one product are numbered, as nothing that comes
    back says what they are called."""
    for body in glb.placed(made):
        if not len(body.triangles):
            continue
        name = _name(body.names)
        solids = glb.solids(body) if name else [body]
        for number, solid in enumerate(solids, 1):
            yield f"{name} {number}" if len(solids) > 1 else name, solid


def _name(names: tuple[str, ...]) -> str:
    """The innermost name that somebody gave; empty: nobody did."""
    for name in reversed(names[:-1] or names):
        said = _decoded(name)
        if not _UNNAMED.fullmatch(said):
            return label(said)
    return ""


def _decoded(name: str) -> str:
    """Many programs write UTF-8 where the standard wants escapes, and it is read as Latin-1."""
    try:
        return name.encode("latin-1").decode("utf-8")
    except UnicodeError:
        return name


def _tessellated(path: Path, data: bytes, chord: float) -> bytes:
    """The GLB of a file. Raises InputError: it cannot be read, or takes too much."""
    large = len(data) / _MB
    seconds = int(_SECONDS + _SECONDS_PER_MB * large)
    memory = int((_MEMORY + _MEMORY_PER_MB * large) * _MB)
    house = str(Path(__file__).resolve().parents[3])
    known = os.pathsep.join(filter(None, (house, os.environ.get("PYTHONPATH"))))
    with (
        tempfile.TemporaryDirectory(prefix="wallguard-") as folder,
        tempfile.TemporaryFile() as said,
    ):
        out = Path(folder) / "out.glb"
        words = [str(chord), str(seconds), str(memory), str(out)]
        program = "wallguard.mesh.formats.tessellate"
        try:
            done = subprocess.run(
                [sys.executable, "-P", "-m", program, *words],
                input=data,
                stdout=said,
                stderr=subprocess.STDOUT,
                env={**os.environ, "PYTHONPATH": known},
                timeout=seconds * _WAIT,
                check=False,
            )
        except subprocess.TimeoutExpired:
            raise _too_much(path, f"more than {seconds * _WAIT:g} s") from None
        except OSError as error:
            raise InputError(path, f"the program that reads STEP cannot be run: {error}") from None
        if done.returncode == 0 and out.is_file() and out.stat().st_size:
            return out.read_bytes()
        raise _refusal(path, done.returncode, said, memory)


def _refusal(path: Path, code: int, said: BinaryIO, memory: int) -> InputError:
    """Why there is no GLB."""
    said.seek(0)
    text = _COLOURS.sub("", said.read(20_000).decode("utf-8", "replace"))
    if code == 3 or re.search("alloc|OutOfMemory|MemoryError", text):
        return _too_much(path, f"more than {memory // _MB} MB of memory")
    if code < 0:
        return _too_much(path, "more of the processor's time, or of memory, than a part may")
    wrong = _LINE.search(text)
    if wrong:
        line, what = int(wrong[1]), plain(wrong[2].strip())[:100]
        return InputError(path, f"is no whole STEP file: {what}", line=line, remedy=EXPORT)
    return InputError(path, "it cannot be read as STEP", remedy=EXPORT)


def _too_much(path: Path, what: str) -> InputError:
    remedy = "Simplify it, allow a larger `chord_error` in wallguard.yaml, or export a mesh"
    return InputError(path, f"giving its curves facets takes {what}", remedy=remedy)
