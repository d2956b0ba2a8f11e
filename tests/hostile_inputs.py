"""All that comes from outside, as targets: what makes hostile inputs of a kind, and what reads one.

`campaign_hostile.py` runs them. An input is bytes, so that it can be kept and given again; what
reads it gives a word for how far it got. An `InputError` is such a word; anything else is a mistake
of wallguard's. `MISTAKES` takes what wallguard itself caught, and would tell as its own mistake.
"""

from __future__ import annotations

import base64
import contextlib
import functools
import gzip
import io
import json
import os
import shutil
import struct
import subprocess
import tempfile
import warnings
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest import mock

import manifold3d as m3
import msgspec
import numpy as np
from here import wallguard
from hostile import CUBE, Faces, cubes, model, of, threemf
from hypothesis import strategies as st
from mutations import (
    NUMBERS,
    SPELLED,
    Draw,
    damaged,
    encoded,
    instance,
    regrown,
    reworded,
    yaml_text,
)
from toolpaths import Program

from wallguard.base.errors import InputError
from wallguard.commands import comment, main
from wallguard.findings.model import Report
from wallguard.forge import http
from wallguard.forge.http import Patience
from wallguard.jobs import check, generated, limits
from wallguard.jobs.check import Task, check_part
from wallguard.jobs.choose import Asked, How
from wallguard.jobs.libraries import update
from wallguard.jobs.review import review
from wallguard.jobs.toolpath import judge_toolpath, task_for
from wallguard.part.part import Part
from wallguard.reports.formats import FORMATS, Setting
from wallguard.reports.json_report import REHEARSAL, REPORT, text
from wallguard.repository import git
from wallguard.repository.config import load_repository, repository_schema
from wallguard.repository.entry import Assignment
from wallguard.rules.fields import rules_schema
from wallguard.rules.load import load_rules
from wallguard.rules.lock import LOCK_FILE, Lock
from wallguard.store.store import _HEAD, Store, _checksum
from wallguard.toolpath.container import toolpaths_in
from wallguard.waivers.load import waivers_schema

Inputs = st.SearchStrategy[bytes]
Run = Callable[[bytes, Path], str]

# What wallguard caught itself and would ask to report.
MISTAKES: list[BaseException] = []
# No message is longer, however much is wrong.
_LONGEST = 20_000
EXAMPLE = Path(__file__).resolve().parents[1] / "example_repo"
_TOKEN = "tok-9f8e7d6c5b4a"


class PartTooLargeError(MemoryError):
    """There was no room for what checking a part takes."""


@dataclass(frozen=True)
class Target:
    """One kind of input.

    inputs  what makes them
    run     reads one, in a folder that is empty but for what earlier inputs left
    share   how many of them belong to one round of the campaign
    part    the suffix of the part that it is; empty: it is none
    """

    inputs: Callable[[], Inputs]
    run: Run
    share: int
    part: str = ""


TARGETS: dict[str, Target] = {}

LAYERED = """\
wallguard: 1
name: layered
process: {category: material extrusion}
layer_height: 0.2
build_volume: [200, 200, 200]
beads: {width: 0.45, contours: 2, smallest_wall: 0.4, squeeze: 0.1, smallest_fill: 0.3,
        spacing: width}
minimum: {wall: {fail: 0.8, warn: 1.2}, free_wall: {fail: 1.5}, gap: {fail: 0.4}, hole: {fail: 2},
          pin: {fail: 3}, floor: {fail: 8}, roof: {fail: 8}}
"""
SPACE = """\
wallguard: 1
name: space
process: {category: powder bed fusion}
layer_height: 0.1
bands: [{from: 0, to: 0.7, fill: missing}, {from: 0.7, fill: solid}]
minimum: {wall: {fail: 1, warn: 1.5}, gap: {fail: 0.5}, hole: {fail: 2}, pin: {fail: 3}}
"""


def target(
    name: str, inputs: Callable[[], Inputs], share: int, part: str = ""
) -> Callable[[Run], Run]:
    """List what reads inputs of a kind."""

    def listed(run: Run) -> Run:
        TARGETS[name] = Target(inputs, run, share, part)
        return run

    return listed


@contextlib.contextmanager
def watched() -> Iterator[None]:
    """Takes to `MISTAKES` what wallguard catches and warns of meanwhile."""

    def noted(error: Exception) -> str:
        MISTAKES.append(error)
        return "this went wrong inside"

    def too_large() -> str:
        MISTAKES.append(PartTooLargeError())
        return "it takes too much memory"

    def warned(message: Any, *_: Any) -> None:
        try:
            raise message if isinstance(message, Warning) else RuntimeWarning(message)
        except Warning as error:
            MISTAKES.append(error)

    with (
        mock.patch.object(check, "unforeseen", noted),
        mock.patch.object(main, "unforeseen", noted),
        mock.patch.object(limits, "too_large", too_large),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("always")
        warnings.showwarning = warned  # type: ignore[assignment]
        yield


def read(run: Run, data: bytes, folder: Path) -> str:
    """How far an input got; raises what is a mistake of wallguard's."""
    MISTAKES.clear()
    with watched():
        try:
            word = run(data, folder)
        except InputError as error:
            assert len(str(error)) < _LONGEST, "a message without end"
            word = "refused"
    if MISTAKES:
        raise MISTAKES[0]
    return word


# Parts


SIZES = (0.01, 0.1, 0.2, 0.3, 0.4, 0.45, 0.8, 0.9, 1.2, 1.5, 2.0, 5.0, 20.0, 60.0)
_SEEDS = st.integers(0, 2**32 - 1)
_PLACES = st.sampled_from((0.0, 0.05, 0.2, 1.0, 3.0, 10.0))


@st.composite
def _solid(draw: Draw) -> Faces:
    size = [draw(st.sampled_from(SIZES)) for _ in range(3)]
    at = [draw(_PLACES) for _ in range(3)]
    kind = draw(
        st.sampled_from(("box", "tube", "cone", "soup", "prism", "few", "frame", "leaning"))
    )
    box = m3.Manifold.cube(size)
    match kind:
        case "tube":
            wall = draw(st.sampled_from(SIZES[:9]))
            hole = m3.Manifold.cube([max(size[0] - 2 * wall, wall), size[1], size[2]])
            made = of(box - hole.translate([wall, draw(_PLACES), 0]))
        case "cone":
            top = draw(st.sampled_from((0.0, 0.01, 1.0)))
            sides = draw(st.sampled_from((3, 4, 17, 64)))
            made = of(m3.Manifold.cylinder(size[2], size[0], size[1] * top, sides))
        case "frame":
            made = of(box - m3.Manifold.cylinder(99, size[0] / 3, size[1] / 3, 24))
        case "leaning":
            faces = of(box.refine(draw(st.sampled_from((1, 2, 5)))))
            faces[:, :, 0] += faces[:, :, 2] * draw(st.sampled_from((0.2, 1.0, 5.0)))
            made = faces
        case "prism":
            rng = np.random.default_rng(draw(_SEEDS))
            count = draw(st.integers(3, 40))
            turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
            radius = rng.uniform(0.05, 1.0, count) * size[0]
            outline = np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])
            made = of(m3.Manifold.extrude(m3.CrossSection([outline]), size[2]))
        case "few":  # triangles between few points, which share edges and faces
            count = draw(st.integers(1, 60))
            rng = np.random.default_rng(draw(_SEEDS))
            made = rng.integers(0, 4, (count, 3, 3)) * size[0]
        case "soup":
            rng = np.random.default_rng(draw(_SEEDS))
            count = draw(st.sampled_from((4, 40, 400)))
            made = rng.uniform(0, 10, (count, 1, 3)) + rng.normal(0, size[0], (count, 3, 3))
        case _:
            made = of(box)
    return np.asarray(made, float).reshape(-1, 3, 3) + at


@st.composite
def _bent(draw: Draw, faces: Faces) -> Faces:
    """Faces to which one thing happened that programs and people do to meshes."""
    if not len(faces):
        return faces
    made = faces.copy()
    which = draw(st.integers(0, len(made) - 1))
    ways = ("scale", "flat", "flip", "drop", "again", "all again", "jitter", "snap", "far", "value")
    ways = (*ways, "mirror", "beside", "split", "order", "half", "turn")
    how = draw(st.sampled_from(ways))
    match how:
        case "scale":
            made *= draw(st.sampled_from((1e-30, 1e-6, 1e-3, 0.1, 25.4, 1e3, 1e6, 1e30)))
        case "flat":
            made[:, :, draw(st.integers(0, 2))] *= draw(st.sampled_from((0.0, 1e-12, 1e-4)))
        case "flip":
            made[which] = made[which, ::-1]
        case "drop":
            made = np.delete(made, which, axis=0)
        case "again":
            made = np.concatenate([made, made[which : which + 3]])
        case "all again":
            made = np.concatenate([made, made[:, ::-1] if draw(st.booleans()) else made])
        case "jitter":
            rng = np.random.default_rng(draw(_SEEDS))
            made += rng.normal(0, draw(st.sampled_from((1e-9, 1e-6, 1e-3, 0.03))), made.shape)
        case "snap":
            step = draw(st.sampled_from((1e-3, 0.1, 1.0)))
            made = np.round(made / step) * step
        case "far":
            made += draw(st.sampled_from((1e3, 1e5, 1e7, 1e12)))
        case "value":
            values = [float(value) for value in NUMBERS if abs(value) < 1e308]
            corner, axis = draw(st.integers(0, 2)), draw(st.integers(0, 2))
            made[which, corner, axis] = draw(st.sampled_from((*values, np.nan, np.inf)))
        case "mirror":
            made[:, :, 0] *= -1
        case "beside":
            by = draw(st.sampled_from((0.0, 1e-5, 0.01, 0.3)))
            way = np.array([np.ptp(made[:, :, 0]) + by, 0, 0])
            made = np.concatenate([made, made + way])
        case "split":  # an edge on whose other side nobody knows of it
            a, b, c = made[which]
            middle = (a + b) / 2
            made = np.concatenate(
                [np.delete(made, which, axis=0), [[a, middle, c], [middle, b, c]]]
            )
        case "order":
            made = made[np.random.default_rng(draw(_SEEDS)).permutation(len(made))]
        case "half":
            made = made[::2]
        case "turn":
            angle = draw(st.sampled_from((1e-7, 0.3, np.pi / 4)))
            c, s = np.cos(angle), np.sin(angle)
            made = made @ np.array([[c, 0, -s], [0, 1, 0], [s, 0, c]])
    return made


@st.composite
def parts(draw: Draw) -> Faces:
    """The triangles of a part that nobody would draw, or somebody well might."""
    made = np.concatenate([draw(_solid()) for _ in range(draw(st.integers(1, 3)))])
    with np.errstate(all="ignore"):
        for _ in range(draw(st.integers(0, 3))):
            made = draw(_bent(made))
    return made[:20_000]


@functools.cache
def _both() -> tuple[tuple[Assignment, Any], ...]:
    """Rules in layers and in space."""
    made = []
    with tempfile.TemporaryDirectory() as folder:
        for name, said in (("layered.yaml", LAYERED), ("space.yaml", SPACE)):
            path = Path(folder) / name
            path.write_text(said)
            made.append((Assignment(name), replace(load_rules(path), path=name)))
    return tuple(made)


def checked(data: bytes, folder: Path, suffix: str) -> str:
    """Check a part against rules in layers and in space, and show now and then what was found."""
    path = folder / f"part{suffix}"
    path.write_bytes(data)
    reports = check_part(Task(path.name, path, _both()))
    if len(data) % 8 == 0:
        shown(Report(tuple(reports)))
    words = {report.status for report in reports}
    return "refused" if words == {"error"} else "checked"


def shown(report: Report) -> None:
    """Write a report in every format that is text alone."""
    for form in FORMATS:
        if "check" in form.kinds and form.goes != "folder":
            "".join(form.show("check", report, Setting(Path("report"))))


@st.composite
def _stl_binary(draw: Draw) -> bytes:
    faces = draw(parts())
    record = [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")]
    records = np.zeros(len(faces), record)
    with np.errstate(all="ignore"):
        records["corners"] = faces
    count = draw(st.sampled_from((len(faces),) * 12 + (0, len(faces) + 1, 2**32 - 1)))
    head = draw(st.sampled_from((bytes(80), b"solid".ljust(80), b"\xff" * 80)))
    data = head + struct.pack("<I", count) + records.tobytes()
    return draw(st.one_of(st.just(data), st.just(data), damaged(data)))


@st.composite
def _stl_ascii(draw: Draw) -> bytes:
    faces = draw(parts())[:400]
    form = draw(st.sampled_from(("%.6g", "%.3f", "%.17g", "%.6e", "%r")))
    lines = ["solid a"]
    for a, b, c in faces.tolist():
        corners = (f"vertex {form % x} {form % y} {form % z}" for x, y, z in (a, b, c))
        lines += ["facet normal 0 0 0", "outer loop", *corners, "endloop", "endfacet"]
    said = "\n".join([*lines, "endsolid a", ""])
    words = ("facet", "vertex", "endfacet", "outer", "loop", "endloop", "solid", "endsolid")
    said = draw(st.one_of(st.just(said), reworded(said, words)))
    end = draw(st.sampled_from(("\n", "\r\n", "\r", " ")))
    data = encoded(said.replace("\n", end))
    return draw(st.one_of(st.just(data), st.just(data), damaged(data)))


def _indexed(faces: Faces) -> tuple[Faces, Any]:
    points, which = np.unique(faces.reshape(-1, 3), axis=0, return_inverse=True)
    return points, which.reshape(-1, 3)


@st.composite
def _obj(draw: Draw) -> bytes:
    points, which = _indexed(draw(parts())[:600])
    away = draw(st.sampled_from((1, 1, 1, -len(points))))  # counted from the end
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in points.tolist()]
    slash = draw(st.sampled_from(("", "", "/1", "//2", "/1/2")))
    lines += [" ".join(["f", *(f"{at + away}{slash}" for at in row)]) for row in which.tolist()]
    words = ("v", "f", "vt", "vn", "o", "g", "usemtl", "mtllib", "\\", "#", "p", "l", "curv")
    said = "\n".join(lines) + "\n"
    data = encoded(draw(st.one_of(st.just(said), reworded(said, words))))
    return draw(st.one_of(st.just(data), st.just(data), damaged(data)))


_PLY_WORDS = (
    *("ply", "format", "ascii", "binary_little_endian", "binary_big_endian", "1.0", "element"),
    *("vertex", "face", "property", "list", "uchar", "char", "int", "uint", "short", "float"),
    *(
        "double",
        "vertex_indices",
        "vertex_index",
        "x",
        "y",
        "z",
        "comment",
        "obj_info",
        "end_header",
    ),
    *("tristrips", "edge", "nx", "int64"),
)


@st.composite
def _ply(draw: Draw) -> bytes:
    points, which = _indexed(draw(parts())[:600])
    order = draw(st.sampled_from(("", "<", ">")))
    real, size, index = (draw(st.sampled_from(kinds)) for kinds in ("fd", "BbHIi", "iIhH"))
    names = {"f": "float", "d": "double", "B": "uchar", "b": "char", "H": "ushort", "h": "short"}
    names |= {"I": "uint", "i": "int"}
    more = draw(st.booleans())
    form = {"": "ascii", "<": "binary_little_endian", ">": "binary_big_endian"}[order]
    head = [f"ply\nformat {form} 1.0\nelement vertex {len(points)}"]
    head += [f"property {names[real]} {axis}" for axis in "xyz"]
    head += ["property uchar red"] if more else []
    head += [f"element face {len(which)}"]
    head += [f"property list {names[size]} {names[index]} vertex_indices", "end_header\n"]
    if order:
        with np.errstate(all="ignore"):
            kind = [("at", order + {"f": "f4", "d": "f8"}[real], 3)]
            table = np.zeros(len(points), [*kind, *([("red", "u1")] if more else [])])
            table["at"] = points
            rows = np.zeros(len(which), [("n", order + size), ("at", order + index, 3)])
            rows["n"], rows["at"] = 3, which
        body = table.tobytes() + rows.tobytes()
    else:
        red = " 7" if more else ""
        lines = [f"{x!r} {y!r} {z!r}{red}" for x, y, z in points.tolist()]
        lines += [f"3 {a} {b} {c}" for a, b, c in which.tolist()]
        body = encoded(draw(reworded("\n".join(lines) + "\n", ("3", "4", "0"))))
    data = encoded(draw(reworded("\n".join(head), _PLY_WORDS, 2))) + body
    return draw(st.one_of(st.just(data), st.just(data), damaged(data)))


_XML_WORDS = (
    *("object", "mesh", "vertices", "vertex", "triangles", "triangle", "components", "component"),
    *("item", "build", "resources", "objectid", "transform", "unit", "inch", "micron", "type"),
    *(
        "support",
        "model",
        "id",
        "p:path",
        "<!--",
        "<![CDATA[",
        "<!DOCTYPE",
        "&amp;",
        "&#0;",
        "xmlns",
    ),
    *("1 0 0 0 1 0 0 0 1 0 0 0", "1e9 0 0 0 1 0 0 0 1 0 0 0", "0 1 0 1 0 0 0 0 1 5 5 5"),
)


@st.composite
def _threemf(draw: Draw) -> bytes:
    points, which = _indexed(draw(parts())[:600])
    mesh = ["<mesh><vertices>"]
    mesh += [f'<vertex x="{x!r}" y="{y!r}" z="{z!r}"/>' for x, y, z in points.tolist()]
    mesh += ["</vertices><triangles>"]
    mesh += [f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in which.tolist()]
    mesh += ["</triangles></mesh>"]
    objects = ['<object id="1">', *mesh, "</object>"]
    top = 1
    for number in range(2, 2 + draw(st.integers(0, 3))):
        turn = draw(st.sampled_from(("", *(f' transform="{word}"' for word in _XML_WORDS[-3:]))))
        named = draw(st.integers(1, number))
        part = f'<component objectid="{named}"{turn}/>' * draw(st.integers(0, 3))
        objects.append(f'<object id="{number}"><components>{part}</components></object>')
        top = number
    items = f'<item objectid="{top}"/>' * draw(st.sampled_from((1, 1, 1, 2, 0)))
    said = "".join(model("\n".join(objects), items))
    said = draw(st.one_of(st.just(said), reworded(said, _XML_WORDS)))
    out = io.BytesIO()
    method = draw(st.sampled_from((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)))
    threemf(out, [said.encode("utf-8", "replace").decode()], method=method)  # type: ignore[arg-type]
    data = out.getvalue()
    return draw(st.one_of(st.just(data), st.just(data), damaged(data)))


@st.composite
def _step(draw: Draw) -> bytes:
    """Files of the tests with words and bytes that are others."""
    name = draw(st.sampled_from(("ball", "tube", "case", "sheet")))
    text = (Path(__file__).parent / f"steps/{name}.step").read_text(encoding="utf-8")
    for _ in range(draw(st.integers(0, 3))):
        old = draw(
            st.sampled_from((".MILLI.", "10.", "1.4", "0.", "CLOSED_SHELL", "#2", "(", ");"))
        )
        new = draw(st.sampled_from(("$", "1E30", "-1.", "1E-30", "NAN", "#1", "((((", "", "'")))
        text = text.replace(old, new, draw(st.sampled_from((1, 3, -1))))
    data = text.encode()
    return draw(st.one_of(st.just(data), damaged(data)))


for _name, _inputs, _share, _suffix in (
    ("stl binary", _stl_binary, 50, ".stl"),
    ("stl ascii", _stl_ascii, 40, ".stl"),
    ("3mf", _threemf, 60, ".3mf"),
    ("obj", _obj, 40, ".obj"),
    ("ply", _ply, 60, ".ply"),
    ("step", _step, 6, ".step"),
):
    target(_name, _inputs, _share, _suffix)(functools.partial(checked, suffix=_suffix))


# Solids in their hundreds: what takes long, or much room


@st.composite
def _crowd(draw: Draw) -> bytes:
    """Many solids after one plan, whose numbers are drawn: up to 1 MB."""
    rng = np.random.default_rng(draw(_SEEDS))
    count = draw(st.sampled_from((10, 100, 400, 1600)))
    size, apart = draw(st.sampled_from(SIZES)), draw(st.sampled_from(SIZES))
    room = draw(st.sampled_from((3.0, 20.0, 100.0, 1000.0)))
    kinds = ("plates", "grid", "strewn", "nested", "fan", "comb", "needles", "stairs", "thread")
    kind = draw(st.sampled_from((*kinds, "bumps", "slivers", "star")))
    match kind:
        case "plates":  # one over the other
            low = np.column_stack([rng.uniform(0, size, (count, 2)), np.arange(count) * apart])
            faces = cubes(low, np.array([room, room, size]))
        case "grid":
            side = int(np.sqrt(count))
            at = np.stack(np.meshgrid(np.arange(side), np.arange(side)), -1).reshape(-1, 2)
            low = np.column_stack([at * (size + apart), np.zeros(len(at))])
            faces = cubes(low, np.array([size, size, room]))
        case "strewn":
            faces = cubes(rng.uniform(0, room, (count, 3)), rng.uniform(0.01, room, (count, 3)))
        case "nested":  # shells in shells
            at = np.arange(1, min(count, 200))[:, None, None, None] * max(size, 1e-3)
            shells = (CUBE - 0.5)[None] * 2 * at
            shells[::2] = shells[::2, :, ::-1]
            faces = shells.reshape(-1, 3, 3)
        case "fan":  # walls through one line
            turn = np.linspace(0, np.pi, min(count, 400), endpoint=False)
            wall = (CUBE - [0.5, 0.5, 0]) * [room, size, 10]
            c, s, zero = np.cos(turn), np.sin(turn), np.zeros_like(turn)
            turned = np.array([[c, s, zero], [-s, c, zero], [zero, zero, zero + 1]])
            faces = np.einsum("tcj,jkn->ntck", wall, turned).reshape(-1, 3, 3)
        case "comb":
            at = np.arange(count)
            low = np.column_stack([at * (size + apart), np.zeros((count, 2))])
            back = cubes(np.array([[0.0, -1.0, 0.0]]), np.array([count * (size + apart), 1.2, 5]))
            faces = np.concatenate([cubes(low, np.array([size, room, 5])), back])
        case "needles":
            low = rng.uniform(0, room, (count, 1, 3))
            tall = np.abs(rng.normal(0, [0.05, 0.05, room], (count, 1, 3)))
            faces = (CUBE.reshape(1, -1, 3) * tall + low).reshape(-1, 3, 3)
        case "stairs":
            at = np.arange(count)[:, None]
            low = np.column_stack([at * apart, np.zeros(count), np.zeros(count)])
            faces = cubes(low, np.column_stack([np.full((count, 1), apart + 1e-3), at * 0 + 9, at]))
        case "thread":  # a ribbon that winds up
            turn = np.linspace(0, count / 4, count * 2)
            c, s = room * np.cos(turn), room * np.sin(turn)
            inner = np.column_stack([c, s, turn * apart])
            outer = np.column_stack([c * 1.2, s * 1.2, turn * apart])
            quads = np.stack([inner[:-1], outer[:-1], outer[1:], inner[1:]], 1)
            flat = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
            faces = np.concatenate([flat, flat[:, ::-1] + [0, 0, size]])
        case "bumps":  # a surface of noise
            side = max(int(np.sqrt(count * 4)), 3)
            box = m3.Manifold.cube([room, room, 5]).refine(min(side, 60))
            faces = of(box)
            rough = np.sin(faces[:, :, :2] * 1e4).sum(axis=2) * size * 0.3
            faces[:, :, 2] += np.where(faces[:, :, 2] > 2, rough, 0)
        case "slivers":
            a, b = rng.uniform(0, room, (2, count * 4, 3))
            faces = np.stack([a, b, b + rng.normal(0, 1e-4, b.shape)], 1)
        case _:
            points = count * 2
            turn = np.linspace(0, 2 * np.pi, points, endpoint=False)
            radius = np.where(np.arange(points) % 2, room, room * draw(st.sampled_from((0.1, 0.9))))
            outline = np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])
            faces = of(m3.Manifold.extrude(m3.CrossSection([outline]), size + 1))
    if draw(st.booleans()):
        faces = draw(_bent(faces))
    faces = np.nan_to_num(faces[:19_000], posinf=0, neginf=0)
    with np.errstate(all="ignore"):
        faces = np.nan_to_num(faces.astype("<f4"), posinf=0, neginf=0)
    record = [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")]
    records = np.zeros(len(faces), record)
    records["corners"] = faces
    return bytes(80) + struct.pack("<I", len(faces)) + records.tobytes()


target("crowds of solids", _crowd, 4, ".stl")(functools.partial(checked, suffix=".stl"))


# Toolpaths


@functools.cache
def _program() -> str:
    """Two layers of a square tube of two beads."""
    made = Program()
    for number in range(3):
        made.layer(number)
        for inset in (0.225, 0.675):
            a, b = inset, 12 - inset
            made.path([(a, a), (b, a), (b, b), (a, b)], closed=True)
    return "\n".join(made.lines) + "\n"


@functools.cache
def _tube(size: float = 12.0) -> Part:
    """A square tube, 0.6 mm high, with a wall of 0.9 mm."""
    hole = m3.Manifold.cube([size - 1.8, size - 1.8, 9]).translate([0.9, 0.9, -1])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"tube-{size:g}.stl"
        path.write_bytes(stl_bytes(of(m3.Manifold.cube([size, size, 0.6]) - hole)))
        return Part.load(path)


def stl_bytes(faces: Faces) -> bytes:
    """A binary STL."""
    record = [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")]
    records = np.zeros(len(faces), record)
    records["corners"] = faces
    return bytes(80) + struct.pack("<I", len(faces)) + records.tobytes()


_CODES = (
    *("G0", "G1", "G2", "G3", "G4", "G17", "G18", "G19", "G20", "G21", "G28", "G90", "G91", "G92"),
    *("M82", "M83", "M2", "M30", "M104", "M600", "T0", "T1", "T-1", "T99999", "N10", "*71", "G10"),
    *("X10", "Y5", "Z0.4", "E1", "E-1", "I5", "J0", "R3", "R-3", "F1200", "X", "E", "P1", "S1"),
    *(";", "(", ")", "%", "/", "G92 E0", "G53", "G54", "G2 X5 Y5 I2 J2 E1", "G3 X1 Y1 R1e-9 E1"),
    *("G5", "G29", "M206 X5", "M221 S50", "M200 D1.75", "G1 E5", "G38.2", "G01", "#1=2", "X[1+2]"),
)


@st.composite
def _toolpath(draw: Draw) -> bytes:
    said = _program()
    if draw(st.integers(0, 3)) == 0:  # of nothing but codes
        words = st.sampled_from((*_CODES, *_CODES, *(f"{a}{n}" for a in "XYZE" for n in SPELLED)))
        lines = draw(st.lists(st.lists(words, max_size=6), max_size=40))
        said = "\n".join(" ".join(line) for line in lines) + "\n"
    if draw(st.booleans()):
        spots = [at for at, letter in enumerate(said) if letter in "XYZEIJF"]
        for _ in range(draw(st.integers(1, 3)) if spots else 0):
            at = draw(st.sampled_from(spots))
            said = said[: at + 1] + draw(st.sampled_from(SPELLED)) + " " + said[at + 1 :]
            spots = [at for at, letter in enumerate(said) if letter in "XYZEIJF"]
    said = draw(reworded(said, _CODES, 5))
    data = encoded(said)
    if draw(st.integers(0, 5)) == 0:
        data = gzip.compress(data, 1, mtime=0)
    return draw(st.one_of(st.just(data), st.just(data), damaged(data)))


@target("toolpath", _toolpath, 100)
def _toolpath_run(data: bytes, folder: Path) -> str:
    path = folder / "a.gcode"
    path.write_bytes(data)
    _, rules = _both()[0]
    judged = judge_toolpath(path, task_for(_tube(), rules))
    return "refused" if judged.verified is None else "judged"


@st.composite
def _packed(draw: Draw) -> bytes:
    """A zip package with a toolpath, and what else may be in it."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", draw(st.sampled_from([0, 8, 12, 14]))) as package:
        for _ in range(draw(st.integers(0, 3))):
            name = draw(st.sampled_from(["a.gcode", "../b.gcode", "c/\x1b.nc", "::", "3D/x.model"]))
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of two entries with one name
                package.writestr(name, draw(st.sampled_from([_program(), "", "G1 X1\n" * 9999])))
    return draw(st.one_of(st.just(made.getvalue()), damaged(made.getvalue())))


@target("packed toolpath", _packed, 60)
def _packed_run(data: bytes, folder: Path) -> str:
    path = folder / "a.3mf"
    path.write_bytes(data)
    _, rules = _both()[0]
    found = [judge_toolpath(each, task_for(_tube(), rules)) for each in toolpaths_in(path)[:3]]
    return "judged" if any(judged.verified for judged in found) else "refused"


# Rules, the repository, waivers


_USUAL_RULES: dict[str, Any] = {
    "wallguard": 1,
    "name": "usual",
    "process": {"category": "material extrusion"},
    "layer_height": 0.2,
    "beads": {
        **{"width": 0.45, "contours": 2, "smallest_wall": 0.4, "squeeze": 0.1},
        **{"smallest_fill": 0.3, "spacing": "from volume"},
    },
    "minimum": {"wall": {"fail": 0.8, "warn": 1.2}, "gap": {"fail": 0.4}},
}


@st.composite
def _document(draw: Draw, schema: dict[str, Any], usual: Any) -> bytes:
    """A YAML file after a schema, or a usual one, regrown, reworded or damaged, or as it is."""
    tree = usual
    if draw(st.integers(0, 2)):
        made = draw(instance(schema))
        # What a schema leaves out now and then, most files have.
        tree = {**usual, **made} if draw(st.integers(0, 7)) else made
    match draw(st.integers(0, 9)):
        case 0 | 1:
            tree = draw(regrown(tree))
        case 2:
            words = ("&a", "*a", "!!int", "!!binary", "|", ">", "?", "-", "<<", "---", "...", "'")
            return encoded(draw(reworded(yaml_text(tree), words)))
        case 3:
            return draw(damaged(encoded(yaml_text(tree))))
    return encoded(yaml_text(tree))


def _rules_inputs() -> Inputs:
    return _document(rules_schema(), _USUAL_RULES)


@target("rules", _rules_inputs, 200)
def _rules_run(data: bytes, folder: Path) -> str:
    """Load rules, show their chart, and check a part by them."""
    path = folder / "rules.yaml"
    path.write_bytes(data)
    (folder / "other.yaml").write_text(LAYERED)
    rules = load_rules(path, folder)
    wallguard(folder, "chart", "rules.yaml")
    wallguard(folder, "coupon", "next", "rules.yaml")
    part = folder / "part.stl"
    if not part.exists():
        walls = [m3.Manifold.cube([8, t, 3]).translate([0, 3 * t * 4, 0]) for t in (0.3, 0.7, 1.5)]
        part.write_bytes(stl_bytes(np.concatenate([of(wall) for wall in walls])))
    if rules.layer_height > 0.02:
        shown(
            Report(tuple(check_part(Task("part.stl", part, ((Assignment("rules.yaml"), rules),)))))
        )
    return "read"


_USUAL_REPOSITORY: dict[str, Any] = {
    "wallguard": 1,
    "parts": [{"files": "**/*.stl", "rules": "rules.yaml"}],
}


@functools.cache
def _small() -> bytes:
    walls = [m3.Manifold.cube([8, t, 2]).translate([0, 12 * t, 0]) for t in (0.5, 1.5)]
    return stl_bytes(np.concatenate([of(wall) for wall in walls]))


def _laid_out(folder: Path) -> None:
    """A repository with two parts, in a folder that is none yet."""
    if (folder / "part.stl").exists():
        return
    (folder / ".git").mkdir()  # here the repository ends
    (folder / "rules.yaml").write_text(LAYERED)
    (folder / "other.yaml").write_text(SPACE)
    (folder / "part.stl").write_bytes(_small())
    (folder / "a/b").mkdir(parents=True)
    (folder / "a/b/other.stl").write_bytes(_small())


def _reviewed(folder: Path) -> str:
    """Review a repository outside git, with what was found out before."""
    cache = folder.parent / f"{folder.name}-store"
    kept = SimpleNamespace(store=lambda root: Store(cache))
    how = How(cache=kept, today=date(2026, 12, 1))  # type: ignore[arg-type]
    with mock.patch.object(git, "in_repository", lambda folder: False):
        report = review(Asked(everything=True), how, here=folder).report
    shown(report)
    assert len(report.troubles) < 1000
    return "refused" if report.exit_code == 2 else "reviewed"


def _repository_inputs() -> Inputs:
    return _document(repository_schema(), _USUAL_REPOSITORY)


@target("wallguard.yaml", _repository_inputs, 150)
def _repository_run(data: bytes, folder: Path) -> str:
    _laid_out(folder)
    (folder / "wallguard.yaml").write_bytes(data)
    load_repository(folder)
    return _reviewed(folder)


# What code does that makes a part: what it says, how it ends, and what lies where its part should.
_LEFT = ("file", "file", "file", "nothing", "folder", "link", "dangling", "pipe")
_BY_CODE = """\
wallguard: 1
parts: [{files: '*', rules: rules.yaml}]
generated: [{part: 'code.py::made', command: [make, "{mesh.stl}"]}]
"""


@st.composite
def _generated_inputs(draw: Draw) -> bytes:
    said = draw(
        st.one_of(
            st.binary(max_size=200),
            st.sampled_from((b"", b"\x1b[31m", b"\n" * 5000, b"\xff" * 9000, b"::error::x\n" * 90)),
        )
    )
    code = draw(st.sampled_from((0, 0, 0, 1, 2, 3, 255, -9)))
    head = [code, draw(st.sampled_from(_LEFT)), said.decode("latin-1")]
    mesh = draw(st.one_of(st.just(_small()), damaged(_small()), st.just(b"")))
    return json.dumps(head).encode() + b"\n" + mesh


@target("generated part", _generated_inputs, 100)
def _generated_run(data: bytes, folder: Path) -> str:
    """Check a part that code makes, and does as it likes; a file elsewhere is not touched."""
    _laid_out(folder)
    (folder / "wallguard.yaml").write_text(_BY_CODE)
    head, _, mesh = data.partition(b"\n")
    code, kind, said = json.loads(head)

    def ran(words: Any, where: Any, kept: Any, out: Any, meanings: Any) -> str:
        out.write(said.encode("latin-1"))
        made = Path(words[1])
        match kind:
            case "file":
                made.write_bytes(mesh)
            case "folder":
                made.mkdir()
            case "link":
                made.symlink_to(folder / "part.stl")
            case "dangling":
                made.symlink_to(folder / "nowhere")
            case "pipe":
                os.mkfifo(made)
        return f"its code ended with {code}" if code else ""

    with (
        mock.patch.object(generated, "_ended", ran),
        mock.patch.object(git, "in_repository", lambda folder: False),
    ):
        report = review(Asked(paths=(folder / "code.py::made",)), How(), here=folder).report
    shown(report)
    assert (folder / "part.stl").read_bytes() == _small()
    assert code == 0 or report.exit_code == 2, "code that fails makes no part"
    assert kind == "file" or report.exit_code == 2, "what is no file is no part"
    return "refused" if report.exit_code == 2 else "reviewed"


@functools.cache
def _findings() -> list[dict[str, Any]]:
    """Waivers of what is found on the part that the repository holds, as `waive` writes them."""
    report = _report()["parts"][0]
    base = {"who": "A", "why": "because", "until": "2031-05-31"}
    return [
        {
            "part": "part.stl",
            "limits": [breach["check"] for breach in finding["breaches"]],
            "place": [0, 0, 0],
            "finding": finding["id"],
            **base,
        }
        for finding in report["findings"]
    ]


@st.composite
def _waivers_inputs(draw: Draw) -> bytes:
    return draw(_document(waivers_schema(), {"wallguard": 1, "waivers": _findings()}))


@target("waivers.yaml", _waivers_inputs, 150)
def _waivers_run(data: bytes, folder: Path) -> str:
    _laid_out(folder)
    (folder / "wallguard.yaml").write_text(yaml_text(_USUAL_REPOSITORY))
    (folder / "waivers.yaml").write_bytes(data)
    return _reviewed(folder)


_LIBRARY_RULES = yaml_text(_USUAL_RULES).encode()


def _lock_inputs() -> Inputs:
    lock = Lock().with_library("library", {"a.yaml": _LIBRARY_RULES}, "1", "0" * 40)
    return _document(LOCK_FILE.schema(), LOCK_FILE.plain(lock))


@target("wallguard.lock", _lock_inputs, 100)
def _lock_run(data: bytes, folder: Path) -> str:
    """Load rules that extend a library, as a lock says."""
    held = folder / "wallguard-libraries/library/a.yaml"
    held.parent.mkdir(parents=True, exist_ok=True)
    held.write_bytes(_LIBRARY_RULES)
    (folder / "own.yaml").write_text("wallguard: 1\nextends: library/a.yaml@1\n")
    (folder / "wallguard.lock").write_bytes(data)
    load_rules(folder / "own.yaml", folder)
    return "read"


@target("library", _rules_inputs, 60)
def _library_run(data: bytes, folder: Path) -> str:
    """Take a library from a folder, and make its catalogue."""
    shared = folder / "shared"
    shared.mkdir(exist_ok=True)
    (shared / "a.yaml").write_bytes(data)
    (shared / "b.yaml").write_bytes(_LIBRARY_RULES)
    wallguard(folder, "library", "catalogue", "shared")
    (folder / "wallguard.yaml").write_text(
        "wallguard: 1\nparts: [{files: '*.stl', rules: own.yaml}]\n"
        "libraries: [{name: library, folder: shared, revision: '1'}]\n"
    )
    done = update(here=folder)
    return "refused" if done.troubles or done.libraries[0].left else "taken"


# Readings of a coupon


_READINGS = """\
# rules: rules.yaml
# instrument: callipers
# instrument_error: 0.02
# unit: mm
feature,axis,nominal,reading_1,reading_2,reading_3,fill,note
wall,x,0.30,,,,missing,
wall,x,0.50,0.52,0.50,0.51,solid,
wall,x,0.90,0.93,0.92,0.94,solid,
wall,x,1.30,1.31,1.32,1.30,hollow,
wall,x,1.70,1.72,1.71,1.70,solid,
wall,y,0.50,0.52,0.53,0.51,solid,
wall,y,1.30,1.31,1.35,1.30,hollow,
gap,x,0.40,0.31,0.30,0.32,solid,
hole,vertical,2.00,1.85,1.86,1.84,solid,
pin,vertical,2.00,2.10,2.11,2.09,solid,
"""


@st.composite
def _readings(draw: Draw) -> bytes:
    said = _READINGS
    if draw(st.booleans()):
        walls = draw(
            st.lists(
                st.tuples(
                    st.sampled_from("xy"),
                    st.sampled_from((0.1, 0.3, 0.5, 0.7, 0.9, 1.1, 1.3, 1.7, 2.5, 9.0)),
                    st.sampled_from((-1.0, -0.1, 0.0, 0.02, 0.5, 100.0)),
                    st.sampled_from(("solid", "hollow", "missing", "")),
                ),
                max_size=40,
            )
        )
        said = "".join(said.splitlines(keepends=True)[:5])
        said += "".join(f"wall,{a},{t},{t + d},,,{fill},\n" for a, t, d, fill in walls)
    words = ("wall", "gap", "hole", "pin", "x", "y", "solid", "hollow", "missing", ";", "\t", '"')
    said = draw(reworded(said, (*words, "# source: toolpath\n", "±0.02 mm", "1,25"), 6))
    data = encoded(said)
    return draw(st.one_of(st.just(data), st.just(data), damaged(data)))


@target("readings", _readings, 150)
def _readings_run(data: bytes, folder: Path) -> str:
    (folder / "r.csv").write_bytes(data)
    (folder / "rules.yaml").write_text(LAYERED)
    codes = [
        wallguard(folder, "coupon", "fit", "r.csv", "--rules", "rules.yaml", "-o", "new.yaml"),
        wallguard(folder, "coupon", "drift", "rules.yaml", "r.csv"),
    ]
    (folder / "new.yaml").unlink(missing_ok=True)
    return "refused" if {ran.returncode for ran in codes} == {2} else "read"


# Reports that are read back


@functools.cache
def _report() -> dict[str, Any]:
    """A report on a part with findings, as JSON."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "part.stl"
        path.write_bytes(_small())
        _, rules = _both()[0]
        reports = check_part(
            Task("part.stl", path, ((Assignment("rules.yaml"), replace(rules, path="rules.yaml")),))
        )
    made: dict[str, Any] = json.loads(text(Report(tuple(reports))))
    return made


@st.composite
def _report_inputs(draw: Draw) -> bytes:
    form = draw(st.sampled_from((REPORT, REPORT, REHEARSAL)))
    tree = _report()
    if form is REHEARSAL or draw(st.booleans()):
        tree = {**draw(instance(form.schema())), "schema": form.name}
    if draw(st.integers(0, 2)):
        tree = draw(regrown(tree))
    said = json.dumps(tree)
    if draw(st.integers(0, 4)) == 0:
        said = draw(reworded(said, ("{", "}", "[", "]", '"\\ud800"', "1e999", "\\u0000")))
    data = encoded(said)
    return draw(st.one_of(st.just(data), st.just(data), st.just(data), damaged(data)))


@target("report", _report_inputs, 200)
def _report_run(data: bytes, folder: Path) -> str:
    """Make a comment of a report, show it, and accept a finding of it."""
    (folder / "walls.json").write_bytes(data)
    (folder / "waivers.yaml").unlink(missing_ok=True)
    soon = date.today() + timedelta(30)
    environment = {"TMPDIR": str(folder)}
    with mock.patch.dict(os.environ, environment, clear=True):
        dry = wallguard(folder, "comment", "walls.json", "--dry-run", "--forge", "github")
        because = ["--why", "x", "--until", str(soon), "--who", "A", "--report", "walls.json"]
        wallguard(folder, "waive", _findings()[0]["finding"], *because)
    from wallguard.commands.publish import read_report

    with contextlib.suppress(InputError):
        shown(read_report(folder / "walls.json"))
    return "refused" if dry.returncode else "shown"


# What was found out before


@functools.cache
def _entries() -> tuple[tuple[str, bytes], ...]:
    """The entries that checking a part leaves in a store: keys and contents."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "part.stl"
        path.write_bytes(_small())
        store = Store(Path(folder) / "store")
        check_part(Task("part.stl", path, _both(), store=store))
        files = sorted(each for each in store.folder.rglob("*") if each.is_file())
        made = []
        for each in files:
            key = each.parent.name + each.name
            content = store.get(key)
            assert content is not None
            made.append((key, content))
    return tuple(made)


@st.composite
def _store_inputs(draw: Draw) -> bytes:
    """The number of an entry, whether its checksum is right, and its content."""
    number = draw(st.integers(0, len(_entries()) - 1))
    content = _entries()[number][1]
    if draw(st.booleans()):
        tree = msgspec.msgpack.decode(content)
        values = (b"", b"\xff" * 64, b"\0" * 7)
        with contextlib.suppress(OverflowError, UnicodeEncodeError):
            content = msgspec.msgpack.encode(draw(regrown(tree, values)))
        return bytes([number, 1]) + content
    right = draw(st.integers(0, 1))
    if not right:
        content = _HEAD + _checksum(_entries()[number][0], content) + content
    return bytes([number, right]) + draw(damaged(content))


@functools.cache
def _plain(folder: Path) -> str:
    path = folder / "part.stl"
    return repr([replace(each, seconds=0) for each in check_part(Task("part.stl", path, _both()))])


@target("store", _store_inputs, 200)
def _store_run(data: bytes, folder: Path) -> str:
    """Check a part with a store of which one entry is hostile; one whose checksum is not right must
    change nothing."""
    (folder / "part.stl").write_bytes(_small())
    shutil.rmtree(folder / "store", ignore_errors=True)  # what an earlier input left
    store = Store(folder / "store")
    for at, (key, content) in enumerate(_entries()):
        # Reports would hide what was measured.
        if at != data[0] and b"watertight" not in content[:400]:
            store.put(key, content)
    key, right = _entries()[data[0]][0], data[1]
    if right:
        store.put(key, data[2:])
    else:
        store.put(key, b"")
        (store.folder / key[0] / key[1:]).write_bytes(data[2:])
    made = check_part(Task("part.stl", folder / "part.stl", _both(), store=store))
    if not right:
        assert repr([replace(each, seconds=0) for each in made]) == _plain(folder)
    shown(Report(tuple(made)))
    return "refused" if {each.status for each in made} == {"error"} else "checked"


# What git answers


_ASKED = (
    Asked(changed_since="HEAD~1"),
    Asked(staged=True),
    Asked(everything=True),
    Asked(everything=True, base="HEAD~1", gate="new"),
    Asked(base="HEAD~1"),
)


def _git(folder: Path, *words: str) -> None:
    settings = {"GIT_CONFIG_GLOBAL": os.devnull, "GIT_CONFIG_NOSYSTEM": "1"}
    for name in ("AUTHOR", "COMMITTER"):  # so that a commit has the same name every time
        settings |= {f"GIT_{name}_NAME": "a", f"GIT_{name}_EMAIL": "a@example.org"}
        settings[f"GIT_{name}_DATE"] = "2026-01-01T00:00:00Z"
    environment = {**os.environ, **settings}
    subprocess.run(["git", *words], cwd=folder, check=True, capture_output=True, env=environment)


@functools.cache
def _repository() -> tuple[Path, dict[tuple[str, ...], tuple[int, bytes]]]:
    """A repository that somebody works on, and what git answers in it."""
    folder = Path(tempfile.mkdtemp(prefix="git-")).resolve()
    (folder / "wallguard.yaml").write_text(yaml_text(_USUAL_REPOSITORY))
    (folder / "rules.yaml").write_text(LAYERED)
    (folder / "part.stl").write_bytes(_small())
    (folder / "old.stl").write_bytes(stl_bytes(of(m3.Manifold.cube([9, 5, 2]))))
    _git(folder, "init", "-q", "-b", "main")
    _git(folder, "add", ".")
    _git(folder, "commit", "-qm", "one")
    (folder / "more.stl").write_bytes(_small())
    _git(folder, "mv", "old.stl", "new.stl")
    _git(folder, "add", ".")
    _git(folder, "commit", "-qm", "two")
    (folder / "part.stl").write_bytes(stl_bytes(of(m3.Manifold.cube([9, 1, 2]))))
    _git(folder, "add", "part.stl")
    (folder / "loose.stl").write_bytes(_small())
    answers: dict[tuple[str, ...], tuple[int, bytes]] = {}
    real = git.run

    def noted(where: Path, *words: str) -> subprocess.CompletedProcess[bytes]:
        done = real(where, *words)
        answers[words] = done.returncode, done.stdout
        return done

    with mock.patch.object(git, "run", noted):
        for asked in _ASKED:
            review(asked, How(), here=folder)
    return folder, answers


@st.composite
def _git_inputs(draw: Draw) -> bytes:
    """Which question of those that are asked gets which answer, as JSON."""
    _, answers = _repository()
    known = sorted(answers)
    wrong = []
    for _ in range(draw(st.integers(1, 2))):
        at = draw(st.integers(0, len(known) - 1))
        code, said = answers[known[at]]
        code = draw(st.sampled_from((code, code, code, 0, 1, 128)))
        if draw(st.booleans()):
            words = (
                "R100",
                "A",
                "M",
                "D",
                "U",
                "T",
                "..",
                "../x",
                "/etc/passwd",
                "100644",
                "160000",
            )
            words += ("120000", "3", "HEAD", "a/../../b", ".git/x", "part.stl", "new.stl", "-x")
            pieces = said.decode("latin-1").replace("\0", "\n")
            said = encoded(draw(reworded(pieces, words))).replace(b"\n", b"\0")
        else:
            said = draw(damaged(said))
        wrong.append([at, code, said.decode("latin-1")])
    talk = draw(st.sampled_from(("", "", "", "blob", "missing", "x y z\n")))
    talk += draw(st.sampled_from(("", " 5\nabc", " -1\n", " 99999999999\nx", " blob 3\nabc\n")))
    asked = draw(st.integers(0, len(_ASKED) - 1))
    return json.dumps({"asked": asked, "wrong": wrong, "talk": talk}).encode()


@target("git", _git_inputs, 200)
def _git_run(data: bytes, folder: Path) -> str:
    where, answers = _repository()
    said = json.loads(data)
    known = sorted(answers)
    given = {**answers}
    for at, code, answer in said["wrong"]:
        given[known[at]] = code, answer.encode("latin-1")

    def run(_: Path, *words: str) -> subprocess.CompletedProcess[bytes]:
        # What nobody asked before comes of a name that an answer brought.
        code, out = given.get(words, (0 if "cat-file" in words else 128, b""))
        return subprocess.CompletedProcess(words, code, out, b"fatal: no")

    @contextlib.contextmanager
    def talking(_: Path, *words: str) -> Iterator[tuple[Any, Any]]:
        yield io.BytesIO(), io.BytesIO(said["talk"].encode() * 50)

    cache = SimpleNamespace(store=lambda root: Store(folder / "store"))
    how = How(cache=cache)  # type: ignore[arg-type]
    replaced = [mock.patch.object(git, "run", run)]
    if said["talk"]:
        replaced.append(mock.patch.object(git, "talking", talking))
    with contextlib.ExitStack() as stack:
        for each in replaced:
            stack.enter_context(each)
        report = review(_ASKED[said["asked"]], how, here=where).report
    shown(report)
    return "refused" if report.exit_code == 2 else "reviewed"


# What a forge answers, and what an event says


class _Clock:
    def __init__(self) -> None:
        self.past = 0.0

    def sleep(self, seconds: float) -> None:
        self.past += seconds

    def clock(self) -> float:
        return self.past

    def now(self) -> float:
        return 1_700_000_000.0 + self.past


_MARKED = "<!-- wallguard comment: walls -->\nold"
_COMMENT = {
    "id": 5,
    "body": _MARKED,
    "user": {"id": 7, "login": "a", "type": "Bot"},
    "author": {"id": 7, "username": "project_3_bot"},
}
_HEADERS = (
    *({}, {"Link": '<http://x/?page=2&per_page=100>; rel="next"'}, {"Retry-After": "5"}),
    *({"Retry-After": "Fri, 31 Dec 9999 23:59:59 GMT"}, {"Retry-After": "x"}, {"Location": "//e"}),
    *({"Retry-After": "9" * 400}, {"Retry-After": "Fri, 31 Dec 0000 23:59:59 +9999"}),
    *(
        {"X-RateLimit-Remaining": "0", "X-RateLimit-Reset": "1700000005"},
        {"Content-Encoding": "br"},
    ),
    *({"RateLimit-Remaining": "0", "RateLimit-Reset": "9" * 30}, {"Content-Encoding": "gzip"}),
    *(
        {"Link": ",;<<>>" * 9},
        {"Link": '<http://[::1>; rel="next"'},
        {"Link": '<?a=%ff>; rel="next"'},
    ),
    *({"Retry-After": "\u0665"}, {"Retry-After": "-5"}, {"Retry-After": "Fri"}),
)


@st.composite
def _forge_inputs(draw: Draw) -> bytes:
    """Answers of a forge in their order, as JSON: status, headers, content."""
    answers = []
    for _ in range(draw(st.integers(1, 6))):
        status = draw(st.sampled_from((*(200,) * 12, 201, 204, 301, 401, 403, 404, 422, 429, 500)))
        usual = draw(
            st.sampled_from(([_COMMENT], [_COMMENT] * 3, {"id": 7}, [], {"message": "no"}))
        )
        tree = draw(st.one_of(st.just(usual), regrown(usual)))
        content = encoded(json.dumps(tree))
        content = draw(st.one_of(st.just(content), st.just(content), damaged(content)))
        headers = draw(st.sampled_from(_HEADERS))
        if headers.get("Content-Encoding") == "gzip" and draw(st.booleans()):
            content = gzip.compress(content, mtime=0)
        answers.append([status, headers, base64.b64encode(content).decode()])
    return json.dumps(
        {"forge": draw(st.sampled_from(("github", "gitlab"))), "said": answers}
    ).encode()


@target("forge", _forge_inputs, 300)
def _forge_run(data: bytes, folder: Path) -> str:
    import urllib3

    asked = json.loads(data)
    left = list(asked["said"])

    class Pool:
        def request(self, *_: Any, **__: Any) -> urllib3.HTTPResponse:
            status, headers, content = left.pop(0) if len(left) > 1 else left[0]
            # As header lines come over the wire.
            plain = {name: value.encode().decode("latin-1") for name, value in headers.items()}
            return urllib3.HTTPResponse(
                io.BytesIO(base64.b64decode(content)), plain, status, preload_content=False
            )

    (folder / "walls.json").write_text(json.dumps(_report()))
    clock = _Clock()
    patience = Patience(180, sleep=clock.sleep, clock=clock.clock, now=clock.now)
    where = comment.Target(asked["forge"], "https://forge.example/api", "o/n", 5)
    environment = {"GITHUB_TOKEN": _TOKEN, "GITLAB_TOKEN": _TOKEN}
    out = io.StringIO()
    with (
        contextlib.chdir(folder),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(out),
        mock.patch.object(http, "_pool", lambda base: Pool()),
    ):
        word = "done"
        try:
            comment.run(Path("walls.json"), where, environment=environment, patience=patience)
        except InputError as error:
            word = "refused"
            out.write(str(error))
    assert _TOKEN not in out.getvalue(), "it shows the token"
    assert clock.past < 1000, "it waits too long"
    return word


_EVENT = {
    "pull_request": {
        "number": 5,
        "head": {"repo": {"full_name": "a/b"}},
        "base": {"repo": {"full_name": "c/d"}},
    },
    "number": 5,
}
_EARLIER = {
    "workflow_run": {
        "id": 8,
        "head_branch": "x",
        "head_repository": {"owner": {"login": "a"}},
        "pull_requests": [{"number": 4}],
    }
}


@st.composite
def _event_inputs(draw: Draw) -> bytes:
    tree = draw(regrown(draw(st.sampled_from((_EVENT, _EARLIER)))))
    data = encoded(json.dumps(tree))
    return draw(st.one_of(st.just(data), st.just(data), damaged(data)))


@target("event", _event_inputs, 200)
def _event_run(data: bytes, folder: Path) -> str:
    (folder / "event.json").write_bytes(data)
    (folder / "walls.json").write_text(json.dumps(_report()))
    told = {
        "GITHUB_ACTIONS": "true",
        "GITHUB_EVENT_PATH": str(folder / "event.json"),
        "GITHUB_REPOSITORY": "c/d",
        "GITHUB_RUN_ID": "77",
        "GITHUB_SERVER_URL": "https://github.example",
    }
    with mock.patch.dict(os.environ, {**told, "TMPDIR": str(folder)}, clear=True):
        ran = wallguard(folder, "comment", "walls.json", "--output", "out.md")
    return "refused" if ran.returncode else "done"


# What says that a folder holds a coupon


@functools.cache
def _coupon() -> dict[str, bytes]:
    """The example's coupon, and a toolpath that lays it."""
    files = [*(EXAMPLE / "coupon").iterdir(), EXAMPLE / "toolpaths/coupon-before.gcode.gz"]
    return {each.name: each.read_bytes() for each in files if each.suffix != ".html"}


@st.composite
def _coupon_inputs(draw: Draw) -> bytes:
    data = encoded(json.dumps(draw(regrown(json.loads(_coupon()["manifest.json"])))))
    return draw(st.one_of(st.just(data), st.just(data), damaged(data)))


@target("coupon", _coupon_inputs, 50)
def _coupon_run(data: bytes, folder: Path) -> str:
    """Read a toolpath of a coupon, leave its plates out of a check, and make it anew."""
    out = folder / "coupon"
    out.mkdir(exist_ok=True)
    for name, content in _coupon().items():
        (out / name).write_bytes(content)
    (out / "manifest.json").write_bytes(data)
    (folder / "rules.yaml").write_bytes((EXAMPLE / "rules/petg-0.4.yaml").read_bytes())
    fit = ["coupon", "fit", "--toolpath", "coupon/coupon-before.gcode.gz", "--coupon", "coupon"]
    ran = wallguard(folder, *fit, "--rules", "rules.yaml", "-o", "new.yaml")
    (folder / "new.yaml").unlink(missing_ok=True)
    load_repository(folder).excluded("coupon/plate-1.stl")
    wallguard(folder, "coupon", "make", "rules.yaml", "--quick", "-o", "coupon")
    return "refused" if ran.returncode else "read"


def warm() -> None:
    """Make once what processes that are forked would each make again."""
    for made in (_tube, _findings, _entries, _repository, _coupon, _program):
        made()
