"""How a part comes out at each reduction, as JSON."""

from __future__ import annotations

from wallguard.base import cautions
from wallguard.findings.scale import Reduction, Scales
from wallguard.reports.json_codec import Format


def best(scales: Scales) -> str | None:
    """The largest reduction at which all walls come out."""
    return None if scales.best is None else scales.best.name


def held_back_at(scales: Scales) -> str | None:
    """The reduction whose walls hold the model back."""
    return None if scales.held_back is None else scales.held_back.name


def caution(scales: Scales) -> str:
    """What it does not say."""
    return cautions.PARTS


SCALE = Format(
    name="wallguard-scale/2",
    title="wallguard scale",
    of=Scales,
    frame="Places and drawn sizes are at full size in the part file's own frame, in mm; printed "
    "sizes are of the model at its reduction, in mm.",
    beyond={Scales: (best, held_back_at, caution), Reduction: ("name",)},
)
