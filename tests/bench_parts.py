"""Parts to time a check with, made here: what slants, turns, comes in many bodies or in small
letters. `bench_check.py --parts` takes their names; each is a function that returns a solid."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable

import manifold3d as m3
import numpy as np

# Strokes of letters on a grid of 4 by 6: polylines.
LETTERS = {
    "A": ["0,0 2,6 4,0", "0.8,2.2 3.2,2.2"],
    "B": ["0,0 0,6 3,6 3.6,4.6 3,3.2 0,3.2", "3,3.2 4,1.7 3,0 0,0"],
    "E": ["4,0 0,0 0,6 4,6", "0,3 3,3"],
    "N": ["0,0 0,6 4,0 4,6"],
    "O": ["1,0 0,1.5 0,4.5 1,6 3,6 4,4.5 4,1.5 3,0 1,0"],
    "S": ["4,5 3,6 1,6 0,4.8 1,3.3 3,2.7 4,1.4 3,0 1,0 0,1"],
    "T": ["2,0 2,6", "0,6 4,6"],
    "4": ["3,0 3,6 0,2 4,2"],
}


def drafted(size: tuple[float, float], height: float, draft: float) -> m3.Manifold:
    """A block that stands on z = 0, whose sides lean inward by `draft` degrees."""
    inset = 2 * height * np.tan(np.radians(draft))
    top = [1 - inset / each for each in size]
    return m3.CrossSection.square(size, True).extrude(height, scale_top=top)


def drafted_box() -> m3.Manifold:
    """A drafted box with thin drafted ribs, turned a little."""
    solid = drafted((120, 80), 50, 1) - drafted((116, 76), 50, 1).translate([0, 0, 2])
    for i in range(12):
        solid += drafted((1.0, 78), 30, 0.5).translate([-55 + 10 * i, 0, 1])
    return solid.rotate([0, 5, 7])


def leaning_fins() -> m3.Manifold:
    """A heat sink whose fins taper and lean, over 1,500 layers."""
    solid = m3.Manifold.cube([80, 6, 300])
    for i in range(16):
        solid += drafted((1.6, 30), 300, 0.15).translate([4 + 4.8 * i, 20, 0])
    return solid.rotate([2, 0, 3])


def tall_fins() -> m3.Manifold:
    """A heat sink of 3,000 layers with bores across it."""
    solid = m3.Manifold.cube([120, 8, 600])
    for x in np.arange(25) * 4.7:
        fin = [[2 + x, 8], [4.4 + x, 8], [3.7 + x, 48], [2.7 + x, 48]]
        solid += m3.CrossSection([fin]).extrude(600)
    for i in range(6):
        bore = m3.Manifold.cylinder(30, 2.6, 2.6, 64).rotate([90, 0, 0])
        solid -= bore.translate([20 + 80 * (i % 2), 20, 60 + 240 * (i // 2)])
    return solid


def vase() -> m3.Manifold:
    """A turned vase with a wavy wall of changing thickness, of 240 facets all round."""
    height = np.linspace(0, 180, 120)
    radius = 35 + 14 * np.sin(height / 28) + 4 * np.sin(height / 7)
    outer = np.column_stack([radius, height])
    inner = np.column_stack([radius - 1.6 - 0.4 * np.sin(height / 20), height])[height > 3][::-1]
    profile = np.vstack([[[0, 0]], outer, inner, [[0, inner[-1, 1]]]])
    return m3.CrossSection([profile]).revolve(240)


def assembly() -> m3.Manifold:
    """30 bodies on one plate: cups, boxes, hollow balls, twisted crosses, cogged drums."""
    draw = random.Random(5)
    bodies = []
    for i in range(30):
        kind = i % 5
        if kind == 0:
            body = m3.Manifold.cylinder(30, 15, 12, 90)
            body -= m3.Manifold.cylinder(31, 13.5, 10.7, 90).translate([0, 0, 2])
        elif kind == 1:
            body = m3.Manifold.cube([30, 30, 20], True).translate([0, 0, 10])
            body -= m3.Manifold.cube([27, 27, 20], True).translate([0, 0, 11.5])
        elif kind == 2:
            body = m3.Manifold.sphere(14, 96) - m3.Manifold.sphere(12.8, 96)
            body = body.translate([0, 0, 15])
        elif kind == 3:
            body = m3.Manifold()
            for size in ((30, 1.2), (1.2, 30)):
                blade = m3.CrossSection.square(size, True)
                body += blade.extrude(25, n_divisions=40, twist_degrees=60)
        else:
            angle = np.linspace(0, 2 * np.pi, 480, endpoint=False)
            radius = 12 + 1.2 * np.clip(2 * np.sin(20 * angle), -1, 1)
            cogs = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
            body = m3.CrossSection([cogs]).extrude(8, n_divisions=20, twist_degrees=10)
        body = body.rotate([0, 0, draw.uniform(0, 90)])
        bodies.append(body.translate([(i % 6) * 42.0, (i // 6) * 42.0, 0]))
    return m3.Manifold.compose(bodies)


def letters() -> m3.Manifold:
    """A plate with lines of letters: raised ones, and one line sunk."""
    plate = m3.Manifold.cube([150, 60, 3])
    for line, text in enumerate(("BEST BONE BOATS", "NOTES 44 TO 444", "SO TEN TONS BE")):
        for place, letter in enumerate(text):
            strokes = m3.Manifold()
            for stroke in LETTERS.get(letter, []):
                points = np.array([each.split(",") for each in stroke.split()], float)
                for one, other in itertools.pairwise(points):
                    ends = [
                        m3.CrossSection.circle(0.4, 24).translate(each) for each in (one, other)
                    ]
                    strokes += m3.CrossSection.batch_hull(ends).extrude(1.6)
            at = [5 + 9.3 * place, 44 - 18 * line, 2.8 if line < 2 else 2.2]
            strokes = strokes.scale([1.5, 1.5, 1]).translate(at)
            plate = plate + strokes if line < 2 else plate - strokes
    return plate


def lamp() -> m3.Manifold:
    """A lamp shade of 400,000 triangles: two rippled skins, 1.2 mm apart."""
    around, up = 500, 200
    angle, height = np.meshgrid(
        np.linspace(0, 2 * np.pi, around, endpoint=False), np.linspace(0, 160, up)
    )
    ripples = 60 - 0.15 * height + 3 * np.sin(24 * angle + height / 12)
    skins = [
        np.stack([radius * np.cos(angle), radius * np.sin(angle), height], -1).reshape(-1, 3)
        for radius in (ripples, ripples - 1.2)
    ]
    number = np.arange(around * up).reshape(up, around)
    beside = np.roll(number, -1, 1)
    quads = number[:-1], beside[:-1], beside[1:], number[1:]
    skin = np.concatenate([_fan(*quads[:3]), _fan(quads[0], quads[2], quads[3])])
    count = around * up
    rims = []
    for ring, turned in ((number[-1], 1), (number[0], -1)):
        after = np.roll(ring, -1)
        rim = [_fan(ring, after, after + count), _fan(ring, after + count, ring + count)]
        rims.append(np.concatenate(rim)[:, ::turned])
    triangles = np.concatenate([skin, skin[:, ::-1] + count, *rims])
    points = np.concatenate(skins).astype(np.float32)
    return m3.Manifold(m3.Mesh(points, triangles.astype(np.uint32)))


def _fan(*corners: np.ndarray) -> np.ndarray:
    return np.stack(corners, -1).reshape(-1, 3)


MADE: dict[str, Callable[[], m3.Manifold]] = {
    each.__name__: each
    for each in (drafted_box, leaning_fins, tall_fins, vase, assembly, letters, lamp)
}
