"""The files of a coupon as bytes: STL, 3MF, the manifest and the readings to fill in.

The same coupon gives the same bytes: no dates, one order, no compression (whose output may differ
between versions of its library).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from wallguard.base.coupon import SCHEMA
from wallguard.base.plain import plain
from wallguard.coupon.layout import Plate
from wallguard.coupon.plan import Plan
from wallguard.coupon.shapes import Placed
from wallguard.mesh.mesh import Mesh
from wallguard.mesh.threemf_file import Solid, package
from wallguard.rules.model import Rules

READINGS_HEAD = "feature,axis,nominal,reading_1,reading_2,reading_3,fill,note"

_STL_FACE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("extra", "<u2")])


def stl(mesh: Mesh) -> bytes:
    """Binary STL; lengths in mm, single precision."""
    corners = mesh.vertices[mesh.triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    faces = np.zeros(len(corners), _STL_FACE)
    faces["normal"] = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    faces["corners"] = corners
    # Not to begin with "solid", by which the text form of STL is known.
    head = b"wallguard coupon, millimetres".ljust(80)
    return head + len(faces).to_bytes(4, "little") + faces.tobytes()


def threemf(mesh: Mesh, title: str) -> bytes:
    """A 3MF package of one object, in millimetres; `title` is plain text."""
    whole = Solid("coupon", mesh.vertices, mesh.triangles)
    return package([whole], plain(title), number=_short)


def manifest(
    rules: Rules, plan: Plan, plates: Sequence[Plate], round_number: int
) -> dict[str, Any]:
    """Which feature is where, in the frame of its plate's files (mm, z = 0 under the base)."""
    sizes = plan.sizes
    return {
        "schema": SCHEMA,
        "process": rules.name,
        "rules": _file_name(rules),
        "category": rules.category,
        "round": round_number,
        "unit": "mm",
        "frame": "the plate's files: origin at the front left corner, z = 0 under the base",
        "layer_height": sizes.layer_height,
        "base": sizes.base,
        "wall_height": sizes.height,
        "free_beside_walls": sizes.lane,
        "mark_stroke": sizes.pen.stroke,
        "plates": [
            {
                "plate": plate.number,
                "files": [f"{stem(plate)}.stl", f"{stem(plate)}.3mf"],
                "size": [_round(plate.size[0]), _round(plate.size[1])],
                "features": [_placed(each) for each in plate.content.placed],
            }
            for plate in plates
        ],
    }


def json_bytes(value: Mapping[str, Any]) -> bytes:
    return (json.dumps(value, indent=1, ensure_ascii=False) + "\n").encode("utf-8")


def readings_csv(rules: Rules, plan: Plan, round_number: int) -> bytes:
    """One row for each feature: its readings (mm) and its fill are to be filled in."""
    lines = [
        f"# rules: {_file_name(rules)}",
        f"# process: {rules.name}",
        "# date:",
        "# read_by:",
        "# software:",
        "# firmware:",
        "# instrument:",
        "# instrument_error:",
        "# unit: mm",
        f"# round: {round_number}",
        "# source: print",
        READINGS_HEAD,
    ]
    lines += [f"{each.kind},{each.axis},{each.nominal:.2f},,,,," for each in plan.features]
    return ("\n".join(lines) + "\n").encode("utf-8")


def stem(plate: Plate) -> str:
    """Name of a plate's files, without the ending."""
    return f"plate-{plate.number}"


def _placed(placed: Placed) -> dict[str, Any]:
    feature = placed.feature
    return {
        "feature": feature.kind,
        "axis": feature.axis,
        "nominal": feature.nominal,
        "mark": feature.mark,
        "box": [[_round(value) for value in corner] for corner in placed.box],
        "measure": {
            "across": placed.across,
            "at": [[_round(value) for value in point] for point in placed.measure],
        },
    }


def _file_name(rules: Rules) -> str:
    """Of the rule file, without folders: they are those of whoever made the coupon."""
    return rules.path.replace("\\", "/").rpartition("/")[2]


def _round(value: float) -> float:
    return round(value, 3) + 0.0


def _short(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")
