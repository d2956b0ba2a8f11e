"""Parts against rules, with what can be shown of them, for the tests of pictures and pages."""

from __future__ import annotations

import manifold3d as m3
from solids import mesh

from wallguard.base.rotation import UPRIGHT
from wallguard.findings.model import PartReport
from wallguard.jobs.check import report_on
from wallguard.mesh.health import examine
from wallguard.part.geometry import Geometry
from wallguard.rules.model import Beads, Rules
from wallguard.views.model import View, What

OUTCOMES = {
    "hollow": "fail",
    "missing": "fail",
    "thickened": "warn",
    "thinned": "warn",
    "indeterminate": "warn",
}
# One plausible set of settings for a 0.4 mm nozzle: hollow from 1.225 to 1.725 mm.
BEADS = Beads(
    width=0.575,
    contours=2,
    smallest_wall=0.5,
    squeeze=0.075,
    smallest_fill=0.575,
    nozzle=0.4,
    edge_uncertainty=0,
)


def rules(**changes) -> Rules:
    given = {
        "path": "rules/petg.yaml",
        "name": "PETG",
        "category": "material extrusion",
        "layer_height": 0.2,
        "beads": BEADS,
        "outcomes": OUTCOMES,
    }
    return Rules(**(given | changes))


def report(
    solid,
    what: What | None = "pictures",
    *,
    scale=1.0,
    rotation=UPRIGHT,
    path="part.stl",
    **changes,
) -> PartReport:
    whole = mesh(solid) if isinstance(solid, m3.Manifold) else solid
    geometry = Geometry(whole, examine(whole), rotation, scale)
    return report_on(geometry, rules(**changes), path, what)


def view_of(part: PartReport, check: str) -> View:
    """The view of the first finding of a check."""
    assert part.views is not None
    found = next(one for one in part.findings if one.check == check)
    return next(view for view in part.views.pictures if view.finding == found.id)
