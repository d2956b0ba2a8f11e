"""What lies between faces that lean too far apart for a wall, and is as thick as walls of interest.

    |  bore           A section through a thread on a tube, through a bevel or below a ridge runs
    |____             between two outlines as that of a wall does, but the surfaces there do not
    |    \\           face each other within 40 degrees (`chains.FACING`): so it is no wall, and
    |    /  thread    nothing is said of its thickness. This finds where that is, so that a report
    |____\\           can say what it does not judge.

It is a look, not a measure: of very many layers some are taken, evenly, and nothing is followed
from one to the next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wallguard.base.arrays import distinct
from wallguard.sections.sections import Sections
from wallguard.walls.edges import Edges, material_edges
from wallguard.walls.samples import FACING, Samples, take_samples
from wallguard.walls.stretch import Point

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]

# Two faces lean apart by more than 40 degrees only where one of them leans by half of that.
_STEEP = float(np.sin(np.radians(20.0)))
# Then the section grows by so much (mm a mm) with height at least, so that a fillet, a bevel or a
# ridge crosses a range in few layers; what comes in more comes again and again, as a thread does.
_WIDENS = 2 * float(np.tan(np.radians(20.0)))
# No more distinct sections than this are looked at.
_MOST = 25


@dataclass(frozen=True)
class Aslant:
    """Where sections are of a thickness in question between faces that lean apart. All in mm.

    layers       of those looked at, how many have such places
    least, most  thickness there
    low, high    from the lowest of these layers to the highest
    point        one place, about half way up
    """

    layers: int
    least: float
    most: float
    low: float
    high: float
    point: Point


def find_aslant(sections: Sections, ranges: Sequence[tuple[float, float]]) -> list[Aslant]:
    """Places of a thickness in any of the ranges (from, below; mm) that come in more layers than
    one slope crosses that range in, told as one; none: an empty list."""
    edges = _steep(material_edges(sections))
    if not ranges or not len(edges.length):
        return []
    upright = np.column_stack([np.ones(len(edges.length)), np.zeros(len(edges.length))])
    splits = distinct(np.array(ranges))
    samples = take_samples(
        replace(edges, lean=upright),
        float(splits[-1]),
        lambda thickness: np.searchsorted(splits, thickness, side="right").astype(np.int64),
        dense=False,
    )
    hit = _apart(edges, samples)
    thickness, section = samples.thickness[hit], edges.section[samples.edge[hit]]
    asked = np.zeros(len(hit), bool)
    for low, high in ranges:
        inside = (thickness >= low) & (thickness < high)
        crossed = (high - low) / (_WIDENS * sections.layer_height) + 1
        if np.isin(sections.distinct, section[inside]).sum() > crossed:
            asked |= inside
    hit, thickness, section = hit[asked], thickness[asked], section[asked]
    if not len(hit):
        return []
    layers = np.flatnonzero(np.isin(sections.distinct, section))
    middle = int(layers[len(layers) // 2])
    at = int(np.flatnonzero(section == sections.distinct[middle])[0])
    x, y = samples.centre[hit[at]].tolist()
    heights, half = sections.heights, sections.layer_height / 2
    return [
        Aslant(
            layers=len(layers),
            least=float(thickness.min()),
            most=float(thickness.max()),
            low=float(heights[layers[0]] - half),
            high=float(heights[layers[-1]] + half),
            point=(x, y, float(heights[middle])),
        )
    ]


def _steep(edges: Edges) -> Edges:
    """The edges of some sections that have faces which lean far; whole sections."""
    leans = np.abs(edges.lean[:, 1]) > _STEEP
    found = distinct(edges.section[leans])
    if len(found) > _MOST:
        found = found[np.linspace(0, len(found) - 1, _MOST).round().astype(np.int64)]
    return edges.some(np.flatnonzero(np.isin(edges.section, found)))


def _apart(edges: Edges, samples: Samples) -> _Ints:
    """The samples, taken as if all faces were upright, that lie in no wall as their faces lean.

    Of two normals with elevations a and b, and directions in the plane that are opposite by cosine
    f, the cosine is sin a sin b + f cos a cos b.
    """
    number = np.flatnonzero(samples.wall & (samples.share > 0))
    own, held = samples.edge[number], samples.discs.edge[number]
    level = samples.discs.facing[number]
    facing = edges.lean[own, 1] * edges.lean[held, 1]
    facing += level * edges.lean[own, 0] * edges.lean[held, 0]
    found: _Ints = number[facing > FACING]
    return found
