"""What the script of a page shows in space: surfaces and places, no text from files."""

from __future__ import annotations

from collections.abc import Sequence

from wallguard.drawings.svg import CIVIDIS, PLACES
from wallguard.findings.model import Finding, PartReport
from wallguard.reports import packing
from wallguard.reports.cards import Item
from wallguard.views.model import OUTCOMES, STEPS, Shown

# Places of one finding, and numbers of other findings that stand in the view.
_MOST_PLACES, _MOST_PINS = 5000, 40
# How an outcome is named in a colour's list, and the number of its pattern in `web/view.js`.
KEYS: dict[Shown, str] = {"indeterminate": "uncertain"}
WORDS: dict[Shown, str] = {
    "solid": "comes out solid and as drawn",
    "hollow": "hollow: a void along its middle",
    "missing": "missing: nothing is printed",
    "thickened": "thickened: printed thicker than drawn",
    "thinned": "thinned: printed thinner than drawn",
    "porous": "porous: leans so far that its air ends in every layer",
    "indeterminate": "indeterminate: may come out well or not",
}
_PATTERNS: dict[Shown, int] = {
    "hollow": 1,
    "missing": 2,
    "thickened": 3,
    "thinned": 4,
    "porous": 5,
    "indeterminate": 6,
}


def data(items: Sequence[Item], parts: Sequence[PartReport], room: int) -> dict[str, object]:
    """What the script reads: see `web/page.js`.

    room  for so many characters of surfaces; what comes later has none
    """
    # One file against several rule files may have one surface.
    surfaces: list[dict[str, object]] = []
    known: dict[tuple[object, ...], int] = {}
    made: list[dict[str, object]] = []
    for part in parts:
        shape = part.views.shape if part.views else None
        if shape is None or not shape.triangles:
            made.append({"why": "none"})
            continue
        said, key = packing.said(shape), (shape.low, shape.high, shape.vertices, shape.triangles)
        surface = None if key in known else packing.surface(shape)
        size = len(said) + (len(str(surface["packed"])) if surface else 0)
        if size > room:
            made.append({"why": "bare"})
            continue
        room -= size
        if surface is not None:
            known[key] = len(surfaces)
            surfaces.append(surface)
        made.append(
            {
                "surface": known[key],
                "up": shape.up,
                "packed": said,
                "scale": shape.scale,
                "simplified": shape.simplified,
                "drawn": shape.drawn,
            }
        )
    number = {id(part): at for at, part in enumerate(parts)}
    return {
        "surfaces": surfaces,
        "parts": made,
        "findings": [_place(item, number.get(id(item.part), -1)) for item in items],
        "outcomes": [
            {
                "name": shown,
                "colour": PLACES[KEYS.get(shown, shown)].colour,
                "pattern": _PATTERNS.get(shown, 0),
                "words": WORDS[shown],
            }
            for shown in OUTCOMES
        ],
        "cividis": CIVIDIS,
        "steps": STEPS,
        "pins": _MOST_PINS,
    }


def _place(item: Item, part: int) -> dict[str, object]:
    finding, subject = item.finding, item.finding.subject
    members = item.group.findings[:_MOST_PLACES]
    shape = item.part.views.shape if item.part.views else None
    up, scale = (shape.up, shape.scale) if shape else ((0.0, 0.0, 1.0), 1.0)
    places = [_top(member, up) for member in members if member.location] if len(members) > 1 else []
    return {
        "part": part,
        "sort": subject.kind if subject else "",
        "at": finding.location,
        "box": finding.box,
        "axis": subject.axis if subject else None,
        "long": subject.length / scale if subject else 0.0,
        "thick": subject.thickness.max / scale if subject else 0.0,
        "places": places,
    }


def _top(finding: Finding, up: tuple[float, float, float]) -> list[float]:
    """Where a mark of a place is seen from above: at its point, raised to the top of its box."""
    at, box = finding.location or (0.0, 0.0, 0.0), finding.box
    if box is None:
        return [*at]
    raised = sum(
        max(u * (low - x), u * (high - x)) for u, x, low, high in zip(up, at, *box, strict=True)
    )
    return [round(x + raised * u, 4) for x, u in zip(at, up, strict=True)]
