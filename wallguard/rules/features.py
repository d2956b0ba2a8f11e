"""All checks and their limits: one row each, in the order in which they are reported.

A row is everything that is said of a check outside its own module: the rule file's keys under
`minimum`, their validation, schema and comparison, and the lists of checks in reports follow from
it. To add a check, add its module in `checks/` and its row here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

# ISO/ASTM 52900:2021, 3.2: process categories (terms from memory).
Category = Literal["material extrusion", "vat photopolymerization", "powder bed fusion"]
CATEGORIES: tuple[Category, ...] = get_args(Category)


# What it costs where a check finds something, the worst first: the part as such, the print, a wall
# or what stands, what moves or stays open, a surface, lettering, an edge.
Cost = Literal["part", "print", "wall", "opening", "surface", "lettering", "edge"]
COSTS: tuple[Cost, ...] = get_args(Cost)


@dataclass(frozen=True)
class Asked:
    """What a limit is a limit of.

    what              in words: "thickness of a wall"
    unit, low, high   of the number in the rule file, whole numbers only where `whole`; the bounds
                      are wide, to notice another unit (common practice, no published source)
    smaller_is_worse  whether what lies below the limit breaks it, or what lies above
    """

    what: str
    unit: str = "mm"
    low: float = 0
    high: float = 100
    whole: bool = False
    smaller_is_worse: bool = True


@dataclass(frozen=True)
class Feature:
    """One check.

    id          its name in reports, waivers and, where it has a limit, under `minimum`
    meaning     what it makes sure of
    module      of the check in `checks/`, imported on use
    limit       None: it has no number of its own
    categories  the process categories that know it
    formerly    how its key was called before, so that an old rule file is told
    costs       what is lost where it finds something: findings are ranked by that
    """

    id: str
    meaning: str
    module: str
    limit: Asked | None = None
    categories: tuple[Category, ...] = CATEGORIES
    formerly: str = ""
    costs: Cost = "wall"


# What is not part is resin or powder.
_FILLED: tuple[Category, ...] = ("vat photopolymerization", "powder bed fusion")


def _layers(what: str) -> Asked:
    return Asked(what, "layers", high=1000, whole=True)


FEATURES: tuple[Feature, ...] = (
    Feature(
        "mesh",
        "the mesh is a closed and consistent solid",
        "mesh",
        costs="part",
    ),
    Feature(
        "unit",
        "the part's size fits its unit",
        "unit",
        costs="part",
    ),
    Feature(
        "build_volume",
        "the part fits the build volume",
        "build_volume",
        costs="part",
    ),
    Feature("fill", "walls come out solid and as thick as drawn", "fill"),
    Feature(
        "margin",
        "walls lie far enough from an outcome that is worse",
        "margin",
        costs="edge",
    ),
    Feature(
        "wall", "walls are at least as thick as the minimum", "wall", Asked("thickness of a wall")
    ),
    Feature(
        "free_wall",
        "walls that stand free are at least as thick as their minimum",
        "free_wall",
        Asked("thickness of a wall with a free edge"),
        formerly="unsupported_wall",
    ),
    Feature(
        "gap",
        "gaps are wide enough to stay open",
        "gap",
        Asked("distance between facing walls"),
        costs="opening",
    ),
    Feature(
        "hole",
        "round holes are at least as wide as the minimum",
        "hole",
        Asked("diameter of a hole"),
        costs="opening",
    ),
    Feature(
        "pin", "round pins are at least as wide as the minimum", "pin", Asked("diameter of a pin")
    ),
    Feature(
        "floor",
        "floors are at least as many layers thick as the minimum",
        "floor",
        _layers("thickness of a floor"),
    ),
    Feature(
        "roof",
        "roofs are at least as many layers thick as the minimum",
        "roof",
        _layers("thickness of a roof"),
    ),
    Feature(
        "upright_hole",
        "upright round holes are at least as wide as their minimum",
        "upright_hole",
        Asked("diameter of an upright hole"),
        costs="opening",
    ),
    Feature(
        "lying_hole",
        "lying round holes are at least as wide as their minimum",
        "lying_hole",
        Asked("diameter of a lying hole"),
        costs="opening",
    ),
    Feature(
        "deep_hole",
        "round holes are not too deep for their diameter",
        "deep_hole",
        Asked("depth over diameter of a hole", unit="", low=0.1, high=1000, smaller_is_worse=False),
        costs="opening",
    ),
    Feature(
        "clearance",
        "gaps between bodies are wide enough to let them move",
        "clearance",
        Asked("distance between two bodies"),
        costs="opening",
    ),
    Feature(
        "edge",
        "edges are not too sharp",
        "edge",
        Asked("angle of an edge", unit="degrees", low=1, high=179),
        costs="edge",
    ),
    Feature(
        "edge_radius",
        "edges are rounded enough",
        "edge_radius",
        Asked("radius of a convex edge"),
        costs="edge",
    ),
    Feature(
        "raised",
        "strokes that stand out of a face are wide enough",
        "raised",
        Asked("width of a raised stroke"),
        costs="lettering",
    ),
    Feature(
        "raised_height",
        "strokes that stand out of a face stand out far enough",
        "raised_height",
        Asked("height of a raised stroke"),
        costs="lettering",
    ),
    Feature(
        "sunken",
        "strokes that are sunk into a face are wide enough",
        "sunken",
        Asked("width of a sunken stroke"),
        costs="lettering",
    ),
    Feature(
        "sunken_depth",
        "strokes that are sunk into a face are deep enough",
        "sunken_depth",
        Asked("depth of a sunken stroke"),
        costs="lettering",
    ),
    Feature(
        "slender",
        "walls and pins that stand free are not too high for their thickness",
        "slender",
        Asked("height over thickness", unit="", low=1, high=1000, smaller_is_worse=False),
    ),
    Feature(
        "overhang",
        "undersides that end free are steep enough to carry themselves",
        "overhang",
        Asked("angle of an underside from level", unit="degrees", low=1, high=90),
        costs="surface",
    ),
    Feature(
        "ledge",
        "undersides do not reach too far beyond what carries them",
        "ledge",
        Asked("reach of an underside", low=0.1, high=1000, smaller_is_worse=False),
        costs="surface",
    ),
    Feature(
        "bridge",
        "undersides do not span too much between what carries them",
        "bridge",
        Asked("span of an underside", low=0.1, high=1000, smaller_is_worse=False),
        costs="surface",
    ),
    Feature(
        "island",
        "nothing begins in mid-air",
        "island",
        Asked("first layer of what begins in mid-air", "mm²", high=10000, smaller_is_worse=False),
        categories=("material extrusion", "vat photopolymerization"),
        costs="print",
    ),
    Feature(
        "contact",
        "pieces are not too high for the width they stand on",
        "contact",
        Asked("height over width of a footprint", "", 0.1, 1000, smaller_is_worse=False),
        categories=("material extrusion",),
        costs="print",
    ),
    Feature(
        "contact_area",
        "pieces stand on enough",
        "contact_area",
        Asked("area of a piece's first layer", "mm²", high=10000),
        categories=("material extrusion",),
        costs="print",
    ),
    Feature(
        "trapped",
        "nothing is trapped in cavities that it cannot leave",
        "trapped",
        Asked("volume of a cavity without a way out", "mm³", high=1e9, smaller_is_worse=False),
        categories=_FILLED,
        costs="print",
    ),
    Feature(
        "escape",
        "cavities have a way out that is wide enough",
        "escape",
        Asked("diameter of a cavity's widest way out"),
        categories=_FILLED,
        costs="opening",
    ),
    Feature(
        "escape_holes",
        "cavities have enough ways out that are wide enough",
        "escape_holes",
        Asked("number of ways out of a cavity", "count", high=100, whole=True),
        categories=_FILLED,
        costs="opening",
    ),
    Feature(
        "cup",
        "no hollow seals against the film while it is printed",
        "cup",
        Asked("area of a hollow that seals", "mm²", high=1e6, smaller_is_worse=False),
        categories=("vat photopolymerization",),
        costs="print",
    ),
)


def asked_of(check: str) -> Asked | None:
    """What a check's limit is a limit of; None where it has none, or there is no such check."""
    return next((feature.limit for feature in FEATURES if feature.id == check), None)


def cost_rank(check: str) -> int:
    """What it costs where a check finds something, 0: the most; of a name that no check has, a
    wall."""
    costs = next((feature.costs for feature in FEATURES if feature.id == check), Feature.costs)
    return COSTS.index(costs)


def larger_is_worse(check: str) -> bool:
    """Whether it is what lies above a check's limit that breaks it."""
    asked = asked_of(check)
    return asked is not None and not asked.smaller_is_worse
