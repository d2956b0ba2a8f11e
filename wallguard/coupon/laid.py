"""What a toolpath lays across a wall of a coupon, where a print could only be measured outside."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from wallguard.coupon.rows import Seen


class Strand(NamedTuple):
    """A bead that runs along a wall: its middle, from the middle of the wall across it, and its
    width; mm."""

    middle: float
    width: float


@dataclass(frozen=True)
class LaidAcross:
    """One wall as a toolpath lays it. Lengths in mm.

    axis      machine axis along which it runs
    fill      as verified over the whole wall
    strands   that run along it at the same place in nearly all layers, from one face to the other
    filled    whether more is laid in it: strands that run across it, or change from layer to layer
    """

    axis: str
    nominal: float
    fill: Seen
    strands: tuple[Strand, ...]
    filled: bool
