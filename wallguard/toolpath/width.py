"""How wide a bead is.

The cross-section of a bead is a rectangle with half-round ends, A = h (w - h) + pi h^2 / 4, so
its width is w = A / h + h (1 - pi / 4). Where A is less than the area of a round strand as high as
the layer, pi h^2 / 4, no such shape fits: the bead is then a round strand of that area, narrower
than the layer is high, w = sqrt(4 A / pi). Both agree where they meet, at w = h.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wallguard.bands.section import round_ends

_Floats = NDArray[np.float64]


def bead_width(area: _Floats, height: _Floats) -> _Floats:
    """Width of beads from their cross-section (mm^2) and layer height (mm); see above.

    NaN where the height is not above zero.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        flat = area / height + round_ends(height)
        width: _Floats = np.where(flat < height, np.sqrt(4.0 * area / np.pi), flat)
    width[~(height > 0.0)] = np.nan
    return width
