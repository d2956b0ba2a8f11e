"""How thick the walls are that stand free and high: a screen, in few thick layers.

In space each tenth of a millimetre of thickness that is asked for costs, and a wall that is too
high may be as thick as a tenth of the part's height. So before walls in space are looked for, those
that might be too high are looked for in layers, as thick as the walls that are looked for anyway:
there walls as thick as that are found in a tenth of the time. Only where there is one walls in
space are asked for that are as thick.

What is told is told of walls in space: here nothing is missed that stands free (held on fewer than
two sides, see `trace`) and leans by up to 60 degrees. What ends less than a layer below something
else counts as held by it.
"""

from __future__ import annotations

import math

from wallguard.base.errors import TooLargeError
from wallguard.mesh.mesh import Mesh
from wallguard.sections.cut import cut
from wallguard.walls.trace import find_walls_mostly_held

# A wall that leans by 60 degrees is so many times as thick in its layers.
_LEANS = 2.0
# A wall may be so much thinner or higher in space than here: it narrows, or its layers are coarse.
_SLACK = 0.9


def thickest_standing(mesh: Mesh, above: float, times: float, *, untangle: bool) -> float:
    """How thick, mm, the thickest wall may be that stands free, is thicker than `above` (mm), and
    more than so many times as high as thick; 0: there is none. Where that is too much to look
    for in layers, the thickest that could be.

    untangle  whether the mesh's bodies may overlap
    """
    low, high = mesh.vertices[:, 2].min(), mesh.vertices[:, 2].max()
    most = float(high - low) / times
    if most <= above:
        return 0.0
    thickest = 0.0
    sections = cut(mesh, above, untangle=untangle)
    try:
        walls = find_walls_mostly_held(sections, _LEANS * most)
    except TooLargeError:
        return most  # any may be as thick: walls in space tell
    for wall in walls:
        along = math.sqrt(1 + wall.slope**2)
        thickness, height = wall.typical / along, (wall.high - wall.low + above) * along
        if wall.sides < 2 and thickness > _SLACK * above and height > _SLACK * times * thickness:
            thickest = max(thickest, wall.maximum / along / _SLACK)
    return thickest
