r"""Whether the air along the middle of a wall stays open where the wall leans.

Seen along the wall, a of air in layers of height h; each layer moves on by s = h tan(lean):

        ____      ____                   ____      ____
       (____) a  (____)                 (____) a  (____)
      ____      ____               ____      ____          :
     (____) a  (____)             (____) a  (____)         : a bead over the air
       s < a: it goes on up              s >= a: it ends in every layer

    | holds where                      | inside    | because                                    |
    |----------------------------------|-----------|--------------------------------------------|
    | nobody knows a, or s < a         | hollow    | the air of one layer meets the next one's  |
    | s < a + U + h (1 - pi / 4)       | uncertain | a is known to U; beads have round ends     |
    | else                             | porous    | each layer's air lies between beads alone  |

a is by volume. Where beads are laid as far apart as they are wide, their round ends take h (1 - pi
/ 4) less than the rectangle that a is counted by (`bands.beads`), so there is that much more air.
With round ends a neck of sqrt((a + h pi / 4 - s)^2 + h^2) - h stays between two beads that lie over
each other (closed form): a quarter of h at most where s = a, which squeezing closes.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from wallguard.bands.section import round_ends
from wallguard.rules.model import Fill

# What is inside a printed wall; `porous`: filled, with air that ends in every layer.
Inside = Literal[Fill, "porous"]


class Lean(NamedTuple):
    """How a wall leans: the height of its layers, mm, and by how much its section moves on with
    height, mm a mm."""

    height: float = 0.0
    moves: float = 0.0

    @property
    def shift(self) -> float:
        """By how much (mm) each layer moves on."""
        return self.height * self.moves


UPRIGHT = Lean()


def margin(uncertainty: float, height: float) -> float:
    """By how much more (mm) than the air is wide layers must move on for the air to end."""
    return uncertainty + round_ends(height)


def inside(air: float, uncertainty: float, lean: Lean) -> Literal["hollow", "uncertain", "porous"]:
    """What is inside a wall with so much air (mm, by volume; 0: nobody knows), by the table."""
    if air <= 0 or lean.shift < air:
        return "hollow"
    return "porous" if lean.shift >= air + margin(uncertainty, lean.height) else "uncertain"
