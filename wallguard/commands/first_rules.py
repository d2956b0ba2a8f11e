"""The first rule file of a process, before anything was printed: its numbers, and whence they come.

What limits there are, and which a process knows, says `rules.features`; here stands with which
number to begin. A limit of which nothing stands here is offered without one.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import Any

from wallguard.documents.write import Comments
from wallguard.rules import write
from wallguard.rules.features import FEATURES
from wallguard.rules.model import Beads, Category, Limit, Rules

COMMON, GUESS = "common practice", "a guess of ours"
HEAD = """\
# What one printer, material and settings make of a wall, and what is asked of a part.
# Lengths are in mm. `wallguard schema rules` prints a JSON Schema with which editors complete and
# check this file. A key behind a # is left out: remove the # to use it; <...> says what may stand
# there.
#
# These are first numbers, and beside each stands where it comes from. `common practice` is
# common practice, no published source; `a guess of ours` not even that. Replace them with your own
# settings, and measure a print with callipers before you rely on them.
# A pass speaks of geometry only: not of strength, fit, supports, warping, or fitness for any use.
"""
_MINIMUM = (
    "Below `fail` the part fails, below `warn` the reviewer is told; above them where the largest "
    "allowed is asked for. What is left out is not asked."
)
_SUPPORTS = "without supports"
_GROWTH = "half of what callipers read more than was drawn"
_METAL = "of metal; plastic lies on its powder"


@dataclass(frozen=True)
class First:
    """The first levels of a limit.

    why   where they come from
    used  whether they are asked from the beginning, or only offered
    """

    fail: float | None
    warn: float | None
    why: str = COMMON
    used: bool = True

    @property
    def limit(self) -> Limit:
        """As rules hold it."""
        return Limit(self.fail, self.warn)


def offered(fail: float | None, warn: float | None, why: str = COMMON) -> First:
    """Levels that are only offered."""
    return First(fail, warn, why, used=False)


def first_rules(path: str, category: Category, nozzle: float | None, layer_height: float) -> str:
    """The text of the first rule file of a process; it loads.

    nozzle  diameter in mm, of material extrusion only
    """
    if nozzle:
        rules, beside = _extrusion(path, nozzle, layer_height)
        limits = {**_EXTRUSION, **_by_nozzle(nozzle)}
    else:
        tolerance = _TOLERANCES[category]
        rules = Rules(
            path=path,
            name=f"{category}, {layer_height:.4g} mm layers",
            category=category,
            layer_height=round(layer_height, 4),
            tolerance=(tolerance, tolerance),
        )
        beside = {"growth": _GROWTH}
        limits = {**_LIMITS[category], **_plates(_LIMITS[category]["wall"], layer_height)}
    return _text(rules, limits, {"tolerance": COMMON, **beside})


def _text(rules: Rules, limits: dict[str, First], beside: dict[str, str]) -> str:
    known = {row.id for row in FEATURES if row.limit and rules.category in row.categories}
    first = {name: limit for name, limit in limits.items() if name in known}
    used = {name: each.limit for name, each in first.items() if each.used}
    comments = Comments(
        above={
            "beads": ["Take these from the settings of the program that makes your toolpaths."],
            "minimum": [_MINIMUM],
        },
        beside={**beside, **{f"minimum.{name}": each.why for name, each in first.items()}},
        offered={
            f"minimum.{name}": write.limit_text(name, each.limit)
            for name, each in first.items()
            if not each.used
        },
    )
    made = Rules(**{**vars(rules), "minimum": used})
    return write.text(made, write.described(made, comments), head=[HEAD])


# Of material extrusion: bead settings and limits in nozzle diameters.
_BEADS = {
    "width": 1.1,
    "smallest_wall": 1,
    "squeeze": 0.25,
    "smallest_fill": 0.75,
    "uncertainty": 0.125,
}
_VARIES = (0.75, 1.75)
_IN_NOZZLES = {
    "wall": (2, 3),
    "free_wall": (3, 4),
    "gap": (0.5, 1),
    "hole": (2, 5),
    "pin": (4, 6),
    "clearance": (0.75, 1.25),
    "raised": (1.5, 2.5),
    "sunken": (1, 2),
    "upright_hole": (2, 5),
    "lying_hole": (2, 5),
}
_OFFERED_IN_NOZZLES = ("upright_hole", "lying_hole")
# The others.
_EXTRUSION = {
    "floor": First(3, 4),
    "roof": First(3, 4),
    "deep_hole": offered(20, 10, GUESS),
    "edge": offered(None, 30, GUESS),
    "edge_radius": offered(None, 0.2, GUESS),
    "raised_height": offered(0.2, 0.4, GUESS),
    "sunken_depth": offered(0.2, 0.4, GUESS),
    "slender": offered(20, 10),
    "overhang": offered(None, 45, f"{COMMON}, {_SUPPORTS}"),
    "ledge": offered(None, 1, f"{COMMON}, {_SUPPORTS}"),
    "bridge": offered(20, 10, f"{COMMON}, {_SUPPORTS}"),
    "island": offered(0, None, f"{_SUPPORTS}, what begins in mid-air falls"),
    "contact": offered(10, 5, GUESS),
    "contact_area": offered(None, 25, GUESS),
}


def _by_nozzle(d: float) -> dict[str, First]:
    return {
        name: First(
            round(fail * d, 4),
            round(warn * d, 4),
            f"{fail:g} and {warn:g} x nozzle: {COMMON}",
            name not in _OFFERED_IN_NOZZLES,
        )
        for name, (fail, warn) in _IN_NOZZLES.items()
    }


def _extrusion(path: str, d: float, h: float) -> tuple[Rules, dict[str, str]]:
    """First rules for a nozzle of `d` mm and layers of `h` mm, and how their numbers follow."""
    lengths: dict[str, Any] = {name: round(share * d, 4) for name, share in _BEADS.items()}
    beads = Beads(contours=2, nozzle=d, spacing="from volume", **lengths)
    rules = Rules(
        path=path,
        name=f"{d:.4g} mm nozzle, {h:.4g} mm layers",
        category="material extrusion",
        layer_height=round(h, 4),
        beads=beads,
    )
    narrowest, wide = (round(share * d, 4) for share in _VARIES)
    beside = {f"beads.{name}": f"{share:g} x nozzle: {COMMON}" for name, share in _BEADS.items()}
    from wallguard.bands.beads import shared  # which brings numpy

    apart = beads.width - shared(beads, h)
    beside["beads.contours"] = COMMON
    beside["beads.spacing"] = f"{apart:.3f} mm; or: width, {beads.width:g} mm; or a length"
    beside["beads.edge_uncertainty"] = f"{GUESS}: it covers what settings do not tell"
    beside["beads.between_one_and_two"] = "or: one bead, dropped"
    beside["beads.width_varies"] = (
        f"or [{narrowest:g}, {wide:g}] where it varies: {_VARIES[0]:g} and {_VARIES[1]:g} x nozzle"
    )
    return rules, beside


# Of the others, in mm.
_TOLERANCES: dict[Category, float] = {"vat photopolymerization": 0.1, "powder bed fusion": 0.2}
_LIMITS: dict[Category, dict[str, First]] = {
    "vat photopolymerization": {
        "wall": First(0.4, 0.6),
        "free_wall": First(0.6, 1.0),
        "gap": First(0.2, 0.4),
        "hole": First(0.5, 0.8),
        "pin": First(0.5, 0.8),
        "upright_hole": offered(0.5, 0.8),
        "lying_hole": offered(0.5, 0.8),
        "deep_hole": offered(20, 10, f"{GUESS}: resin stays in what is deep and narrow"),
        "clearance": First(0.3, 0.5),
        "edge": offered(None, 20, GUESS),
        "edge_radius": offered(None, 0.1, GUESS),
        "raised": First(0.2, 0.4),
        "raised_height": offered(0.1, 0.2, GUESS),
        "sunken": First(0.2, 0.4),
        "sunken_depth": offered(0.1, 0.2, GUESS),
        "slender": offered(20, 10),
        "overhang": offered(None, 30, f"{COMMON}, {_SUPPORTS}"),
        "ledge": offered(2, 1, f"{COMMON}, {_SUPPORTS}"),
        "bridge": offered(20, 10, f"{GUESS}, {_SUPPORTS}"),
        "island": offered(0, None, f"{_SUPPORTS}, what begins in mid-air stays on the film"),
        "trapped": First(0, None, "resin cannot leave what is closed"),
        "escape": First(2.5, 3.5),
        "escape_holes": First(None, 2, f"{COMMON}: one for resin, one for air"),
        "cup": First(None, 100, GUESS),
    },
    "powder bed fusion": {
        "wall": First(0.7, 1.0),
        "free_wall": First(0.8, 1.2),
        "gap": First(0.5, 0.7),
        "hole": First(1.0, 1.5),
        "pin": First(0.8, 1.2),
        "upright_hole": offered(1.0, 1.5),
        "lying_hole": offered(1.0, 1.5),
        "deep_hole": offered(20, 10, f"{GUESS}: powder stays in what is deep and narrow"),
        "clearance": First(0.5, 0.6),
        "edge": offered(None, 20, GUESS),
        "edge_radius": offered(None, 0.1, GUESS),
        "raised": First(0.5, 0.8),
        "raised_height": offered(0.2, 0.4, GUESS),
        "sunken": First(0.5, 0.8),
        "sunken_depth": offered(0.2, 0.4, GUESS),
        "slender": offered(20, 10),
        "overhang": offered(None, 45, f"{COMMON}, {_METAL}"),
        "ledge": offered(None, 1, f"{COMMON}, {_METAL}"),
        "bridge": offered(None, 2, f"{GUESS}, {_METAL}"),
        "trapped": First(0, None, "powder cannot leave what is closed"),
        "escape": First(3.5, 5),
        "escape_holes": First(None, 2, f"{COMMON}: powder leaves where air comes in"),
    },
}


def _plates(wall: First, h: float) -> dict[str, First]:
    """Floors and roofs, which count in layers of `h` mm."""
    fail, warn = (ceil(round((level or 0) / h, 6)) for level in (wall.fail, wall.warn))
    return {name: First(fail, warn, f"as thick as a wall: {COMMON}") for name in ("floor", "roof")}
