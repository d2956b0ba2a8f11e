"""Draw the parts of the Snail and Thistle puppet theatre.

    python make_parts.py [FOLDER]

writes every part into FOLDER (this folder, if none is named). Each run writes the same bytes.
It needs numpy and manifold3d; what is committed was made with manifold3d 3.5, and another release
may cut the same faces into other triangles. Each function draws one part, in the unit it says.
"""

from __future__ import annotations

import io
import math
import sys
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
from manifold3d import CrossSection, JoinType, Manifold
from numpy.typing import NDArray

# Steps (in the part's own unit) that coordinates are rounded to, so that no last digit of a sine,
# which differs between computers, gets into a file.
STEP = 1e-4
FACETS = 64


# Outlines


def rectangle(width: float, depth: float, x: float = 0.0, y: float = 0.0) -> CrossSection:
    """A rectangle about the point (x, y)."""
    return CrossSection.square([width, depth], center=True).translate([x, y])


def disc(diameter: float, x: float = 0.0, y: float = 0.0) -> CrossSection:
    """A disc about the point (x, y), its facets outside and inside the true circle in turn."""
    radius = diameter / 2 / math.sqrt(math.cos(math.pi / FACETS))
    return CrossSection.circle(radius, FACETS).translate([x, y])


def oval(width: float, depth: float) -> CrossSection:
    """An ellipse."""
    return CrossSection.circle(0.5, FACETS).scale([width, depth]).simplify(0.001)


def bar(length: float, width: float) -> CrossSection:
    """A bar along x with round ends."""
    ends = disc(width, -(length - width) / 2), disc(width, (length - width) / 2)
    return CrossSection.batch_hull(list(ends))


def shell(outline: CrossSection, wall: float) -> CrossSection:
    """What lies within `wall` of the outline's edge, inside."""
    return outline - outline.offset(-wall, JoinType.Miter, 4).simplify(0.001)


# Solids


def raised(outline: CrossSection, low: float, high: float) -> Manifold:
    """An outline drawn up from one height to another."""
    return Manifold.extrude(outline, high - low).translate([0, 0, low])


def box(size: tuple[float, float, float], corner: tuple[float, float, float]) -> Manifold:
    """A box by its size and its lowest corner."""
    return Manifold.cube(size).translate(corner)


# Marionettes, in millimetres


def control_bar() -> Manifold:
    """The cross that a puppet hangs from, with a 2.2 mm hole for each of five strings."""
    cross = bar(110, 16) + bar(80, 16).rotate(90).translate([20, 0])
    places = [(-47, 0), (0, 0), (47, 0), (20, 32), (20, -32)]
    for x, y in places:
        cross -= disc(2.2, x, y)
    return raised(cross, 0, 6)


def string_spool() -> Manifold:
    """Holds a spare string: a drum between two flanges, 6.0 mm bore."""
    flange = disc(30)
    spool = raised(flange, 0, 2.4) + raised(disc(16), 1, 19) + raised(flange, 17.6, 20)
    return spool - raised(disc(6), -1, 21)


def goose_head() -> Manifold:
    """A cup of 1.7 mm walls, with a beak."""
    head, beak = disc(34), CrossSection.hull_points([[14, -6], [30, -1.5], [30, 1.5], [14, 6]])
    whole = head + beak
    return raised(whole, 0, 2) + raised(shell(whole, 1.7), 0, 32)


def goose_body() -> Manifold:
    """An oval cup of 1.4 mm walls."""
    body = oval(64, 40)
    return raised(body, 0, 2) + raised(shell(body, 1.4), 0, 48)


def goose_wing() -> Manifold:
    """A wing with three feathers that stand on it, 0.35 mm thick."""
    wing = raised(bar(72, 30), 0, 2.4)
    for place in range(3):
        wing += box((0.35, 20, 9), (-20 + 20 * place, -10, 2))
    return wing


def crown() -> Manifold:
    """The queen's crown: a ring of 0.7 mm with eight points."""
    ring = raised(shell(disc(34), 0.7), 0, 20)
    tooth = Manifold.extrude(CrossSection.hull_points([[-5, 0], [5, 0], [0, -10]]), 60)
    notch = tooth.translate([0, 0, -30]).rotate([90, 0, 0]).translate([0, 0, 20.5])
    for step in range(4):
        ring -= notch.rotate([0, 0, 45 * step + 20])
    return ring


def shoulder_plate() -> Manifold:
    """A plate stiffened by one lone rib, 1.15 mm thick."""
    return raised(bar(60, 24), 0, 3) + box((44, 1.15, 12), (-22, -0.575, 2))


def hand() -> Manifold:
    """A mitten, with a hole for the string that is only 0.9 mm wide."""
    palm = CrossSection.batch_hull([disc(14, 0, 0), disc(12, 0, 14)])
    thumb = CrossSection.batch_hull([disc(7, 3, 1), disc(6, 12, 6)])
    return raised(palm + thumb - disc(0.9, 0, 15), 0, 5)


def knee_joint() -> list[Manifold]:
    """A fork and the tongue that is to swing in it: two bodies with 0.25 mm of air between."""
    fork = rectangle(30, 20) - rectangle(20, 8, 5, 0)
    tongue = rectangle(26, 7.5, 8.25, 0)
    return [raised(fork, 0, 12), raised(tongue, 0, 12)]


# Crown jewels, in millimetres


def column(across: float, low: float, high: float, top: float = 1.0) -> Manifold:
    """An upright column of eight sides, so wide from corner to corner; `top`: how much of it is
    left at its upper end."""
    corners = CrossSection.circle(across / 2, 8).rotate(22.5)
    return Manifold.extrude(corners, high - low, scale_top=(top, top)).translate([0, 0, low])


def orb(across: float) -> Manifold:
    """Two blunt pyramids of eight sides, foot to foot."""
    half = column(across, 0, across / 2, 0.4)
    return (half + half.rotate([180, 0, 0])).translate([0, 0, across / 2])


def royal_orb() -> Manifold:
    """A hollow orb, walls of 2 mm, closed all around."""
    return orb(30) - orb(25).translate([0, 0, 2.5])


def goose_egg() -> Manifold:
    """A hollow egg of eight sides, with a hole of 1.5 mm at each end to thread it on a ribbon."""
    egg = column(24, 0, 34, 0.6) - column(20, 2, 31, 0.6)
    return egg - raised(disc(1.5), -1, 40)


def goblet() -> Manifold:
    """A goblet that is printed standing, as it is drawn: its bowl is 24 mm wide inside."""
    return column(28, 0, 30) - column(24, 4, 40)


def brooch() -> Manifold:
    """A brooch with two edges of 42 degrees."""
    side = math.tan(math.radians(42) / 2) * 8
    return raised(CrossSection.hull_points([[-8, 0], [0, -side], [8, 0], [0, side]]), 0, 12)


def sceptre() -> Manifold:
    """A rod 1.6 mm wide and 40 mm high upon a foot."""
    return column(16, 0, 3) + column(1.6, 2, 43)


def chain() -> list[Manifold]:
    """A ring and the bar that is to turn in it: two bodies with 0.2 mm of air between."""
    ring = rectangle(14, 14) - rectangle(6, 6)
    return [raised(ring, 0, 4), raised(rectangle(5.6, 5.6), -6, 10)]


def medal() -> Manifold:
    """For the goose's footman: a plate with a raised boss, and a hole for its ribbon."""
    return column(30, 0, 2) + column(16, 1, 4) - raised(disc(2.5, 0, 12), -1, 5)


# Scenery


def stage_clip() -> Manifold:
    """In millimetres, drawn lying on its back: holds painted cloth to a rail of 20 mm."""
    clip = disc(26) - disc(20) - rectangle(14, 14, 0, -9)
    return raised(clip, 0, 16).rotate([90, 0, 0])


def cart_wheel() -> Manifold:
    """In inches, from the founder's own drawings: 3 inches across, six spokes, 1/4 inch bore."""
    wheel = disc(3) - disc(2.5) + disc(0.75)
    for step in range(3):
        wheel += rectangle(2.7, 0.1875).rotate(60 * step)
    return raised(wheel - disc(0.25), 0, 0.25)


def town_hall() -> Manifold:
    """In metres, as the architect drew it for building: panels of 0.1 m."""
    hall = box((24, 0.1, 9), (-12, -8, 0)) + box((24, 0.1, 9), (-12, 7.9, 0))
    gable = CrossSection.hull_points([[-8, 0], [8, 0], [8, 9], [0, 15], [-8, 9]])
    end = Manifold.extrude(gable, 0.1).rotate([90, 0, 90])
    hall += end.translate([-12, 0, 0]) + end.translate([11.9, 0, 0])
    hall += box((0.1, 15.9, 9), (0, -7.95, 0))
    for place in (-10, 2, 8):
        hall -= box((1.6, 20, 2.4), (place, -10, 4))
    return hall - box((2.4, 4, 3.2), (-5, -10, 0))


def bell_tower() -> Manifold:
    """In metres too, but drawn for the stage: walls of 0.5 m, which print 2.5 mm thick."""
    plan = rectangle(9, 9)
    tower = raised(plan, 0, 1) + raised(shell(plan, 0.5), 0, 32)
    for turn in (0, 90):
        arch = rectangle(2.5, 4) + disc(2.5, 0, 2)
        opening = Manifold.extrude(arch, 12).translate([0, 0, -6]).rotate([90, 0, turn])
        notch = box((2, 12, 2.5), (-1, -6, 30))
        tower -= opening.translate([0, 0, 22]) + notch.rotate([0, 0, turn])
    return tower


def cheese() -> Manifold:
    """In millimetres: the cheese that the goose steals, a prop that nobody entered anywhere yet."""
    wedge = raised(CrossSection.hull_points([[0, 0], [48, -12], [48, 12]]), 0, 20)
    for x, y, size in ((30, 2, 5), (40, -5, 7), (38, 6, 4)):
        wedge -= Manifold.sphere(size, FACETS // 2).translate([x, y, 20])
    return wedge


PARTS = {
    "marionettes/control_bar.stl": control_bar,
    "marionettes/string_spool.stl": string_spool,
    "marionettes/goose_head.stl": goose_head,
    "marionettes/goose_body.stl": goose_body,
    "marionettes/goose_wing.stl": goose_wing,
    "marionettes/crown.stl": crown,
    "marionettes/shoulder_plate.stl": shoulder_plate,
    "marionettes/hand.stl": hand,
    "marionettes/knee_joint.3mf": knee_joint,
    "scenery/stage_clip.stl": stage_clip,
    "scenery/cart_wheel.stl": cart_wheel,
    "scenery/town_hall.stl": town_hall,
    "scenery/bell_tower.stl": bell_tower,
    "jewels/royal_orb.stl": royal_orb,
    "jewels/goose_egg.stl": goose_egg,
    "jewels/goblet.stl": goblet,
    "jewels/brooch.stl": brooch,
    "jewels/sceptre.stl": sceptre,
    "jewels/chain.3mf": chain,
    "jewels/medal.stl": medal,
    "props/cheese.stl": cheese,
}


# Files


def corners(solid: Manifold) -> NDArray[np.float64]:
    """Three corners for each triangle, (n, 3, 3), rounded, in an order of their own making."""
    mesh = solid.to_mesh64()
    steps = np.rint(mesh.vert_properties[:, :3] / STEP).astype(np.int64)
    triangles = sorted(_lowest_first(steps[triangle].tolist()) for triangle in mesh.tri_verts)
    return np.array(triangles, np.float64) * STEP


def _lowest_first(triangle: list[list[int]]) -> list[list[int]]:
    start = triangle.index(min(triangle))
    return triangle[start:] + triangle[:start]


def stl(name: str, solid: Manifold) -> bytes:
    """Binary STL; its normals are left at zero, for readers to compute."""
    points = corners(solid)
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("extra", "<u2")])
    records = np.zeros(len(points), record)
    records["corners"] = points
    head = f"Snail and Thistle: {name}".encode().ljust(80)
    return head + len(points).to_bytes(4, "little") + records.tobytes()


_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_TYPES = f"""<?xml version="1.0" encoding="UTF-8"?>
<Types xmlns="{_PACKAGE}/content-types">
<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>
<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>
</Types>
"""
_RELATIONS = f"""<?xml version="1.0" encoding="UTF-8"?>
<Relationships xmlns="{_PACKAGE}/relationships">
<Relationship Id="model" Target="/3D/part.model"
 Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>
</Relationships>
"""


def threemf(name: str, solids: list[Manifold]) -> bytes:
    """3MF (core specification 1.x, names from memory) with one object for each solid."""
    model = ElementTree.Element("model", {"xmlns": _CORE, "unit": "millimeter"})
    resources = ElementTree.SubElement(model, "resources")
    build = ElementTree.SubElement(model, "build")
    for number, solid in enumerate(solids, 1):
        part = ElementTree.SubElement(
            resources, "object", {"id": f"{number}", "type": "model", "name": f"{name} {number}"}
        )
        _mesh(ElementTree.SubElement(part, "mesh"), corners(solid))
        ElementTree.SubElement(build, "item", {"objectid": f"{number}"})
    text = ElementTree.tostring(model, encoding="UTF-8", xml_declaration=True)
    packed = io.BytesIO()
    # Stored, not compressed: compressing gives other bytes with another release of zlib.
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as package:
        for entry, content in (
            ("[Content_Types].xml", _TYPES.encode()),
            ("_rels/.rels", _RELATIONS.encode()),
            ("3D/part.model", text),
        ):
            info = zipfile.ZipInfo(entry, (1980, 1, 1, 0, 0, 0))
            info.create_system = 3
            package.writestr(info, content)
    return packed.getvalue()


def _mesh(parent: ElementTree.Element, points: NDArray[np.float64]) -> None:
    places, index = np.unique(points.reshape(-1, 3), axis=0, return_inverse=True)
    vertices = ElementTree.SubElement(parent, "vertices")
    for place in places.tolist():
        values = (f"{round(value, 4) + 0.0:g}" for value in place)
        ElementTree.SubElement(vertices, "vertex", dict(zip("xyz", values, strict=True)))
    triangles = ElementTree.SubElement(parent, "triangles")
    for triangle in index.reshape(-1, 3).tolist():
        names = (f"{number}" for number in triangle)
        ElementTree.SubElement(
            triangles, "triangle", dict(zip(("v1", "v2", "v3"), names, strict=True))
        )


def contents() -> dict[str, bytes]:
    """The bytes of every part, by its path."""
    made = {}
    for path, draw in PARTS.items():
        name, drawn = Path(path).stem, draw()
        made[path] = threemf(name, drawn) if isinstance(drawn, list) else stl(name, drawn)
    return made


def main(arguments: list[str]) -> None:
    """Write all parts."""
    folder = Path(arguments[0]) if arguments else Path(__file__).parent
    for path, data in contents().items():
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
        print(f"{path}: {len(data) / 1000:.1f} kB")


if __name__ == "__main__":
    main(sys.argv[1:])
