"""3MF out: solids as a package. The same solids give the same bytes: no dates, one order, no
compression (whose output may differ between versions of its library)."""

from __future__ import annotations

import html
import io
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallguard.mesh.formats.drawing import Drawing

# 3MF Core Specification 1.3 and Open Packaging Conventions (ISO/IEC 29500-2), from memory.
_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_MODEL_TYPE = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_XML = '<?xml version="1.0" encoding="UTF-8"?>\n'
_CONTENT_TYPES = (
    f'{_XML}<Types xmlns="{_PACKAGE}/content-types">'
    '<Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" '
    'ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>'
    "</Types>\n"
)
_RELATIONSHIPS = (
    f'{_XML}<Relationships xmlns="{_PACKAGE}/relationships">'
    f'<Relationship Id="rel0" Type="{_MODEL_TYPE}" Target="/3D/3dmodel.model"/>'
    "</Relationships>\n"
)
# The earliest date a zip archive can hold; a real one would change the bytes.
_NO_DATE = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, eq=False)
class Solid:
    """An object of a package: its name, vertices (n, 3) and triangles (m, 3)."""

    name: str
    vertices: NDArray[np.float64]
    triangles: NDArray[np.integer]


def package(solids: Sequence[Solid], title: str, number: Callable[[float], str] = repr) -> bytes:
    """A 3MF package of these solids, in millimetres.

    title   and names are plain text
    number  how a coordinate is written; `repr` loses nothing
    """
    objects = "".join(_object(at, each, number) for at, each in enumerate(solids, 1))
    items = "".join(f'<item objectid="{at}"/>\n' for at in range(1, len(solids) + 1))
    model = (
        f'{_XML}<model unit="millimeter" xml:lang="en-US" xmlns="{_CORE}">\n'
        f'<metadata name="Title">{html.escape(title)}</metadata>\n'
        f"<resources>\n{objects}</resources>\n<build>\n{items}</build>\n</model>\n"
    )
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_STORED) as packed:
        for name, content in (
            ("[Content_Types].xml", _CONTENT_TYPES),
            ("_rels/.rels", _RELATIONSHIPS),
            ("3D/3dmodel.model", model),
        ):
            entry = zipfile.ZipInfo(name, _NO_DATE)
            entry.create_system = 3  # the same on every system
            entry.external_attr = 0o644 << 16
            packed.writestr(entry, content.encode("utf-8"))
    return made.getvalue()


def _object(number: int, solid: Solid, written: Callable[[float], str]) -> str:
    vertices = "\n".join(
        f'<vertex x="{written(x)}" y="{written(y)}" z="{written(z)}"/>'
        for x, y, z in solid.vertices.tolist()
    )
    triangles = "\n".join(
        f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in solid.triangles.tolist()
    )
    name = html.escape(solid.name)
    return (
        f'<object id="{number}" type="model" name="{name}">\n<mesh>\n'
        f"<vertices>\n{vertices}\n</vertices>\n<triangles>\n{triangles}\n</triangles>\n"
        f"</mesh>\n</object>\n"
    )


def threemf_of(drawing: Drawing, title: str) -> bytes:
    """A drawing in millimetres as `mesh.objects` gives it, each of its objects a solid with its own
    name: it has triangles, and its vertices and triangles are in the order of its objects."""
    assert drawing.triangles is not None and drawing.objects is not None
    numbers = np.arange(len(drawing.names) + 1)
    start = np.searchsorted(drawing.objects, numbers)
    first = np.searchsorted(drawing.objects[drawing.triangles[:, 0]], numbers)
    solids = []
    for at, name in enumerate(drawing.names):
        vertices = drawing.vertices[start[at] : start[at + 1]].astype(np.float64)
        faces = drawing.triangles[first[at] : first[at + 1]]
        if len(faces):
            solids.append(Solid(name, vertices, faces - start[at]))
    return package(solids, title)
