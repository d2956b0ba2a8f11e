"""The measurement sheet: how to print and measure a coupon, in words; and as Markdown.

What it asks for is common practice, no published source. It defers to the machine's manual.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from wallguard.base.plain import capital, listed
from wallguard.coupon.layout import Plate
from wallguard.coupon.plan import STROKE, Axis, Feature, Kind, Plan
from wallguard.coupon.rows import CAME_OUT
from wallguard.reports.markdown_text import code, prose
from wallguard.rules.model import Category, Rules

# What concerns everybody who prints and measures a coupon. Common practice, no published source.
_EVERYWHERE = (
    "Do not leave the machine alone while it prints. Keep children away from it, from the coupon "
    "and from its waste.",
    "Thin walls break: small pieces fly off and can be swallowed. Protect your eyes, gather them.",
    "Cut edges are sharp: cut away from your hand.",
    "Solvents, resin, powder and what was wiped up with them are waste that local codes rule: "
    "never into the drain.",
    "The machine's manual, the makers' data sheets of the material and of what cleans it, and "
    "local codes come before this sheet.",
)
_SAFETY: dict[Category, tuple[str, ...]] = {
    "material extrusion": (
        "Nozzle, plate and chamber stay hot after the print has ended: let them cool, "
        "or wear gloves that stand the heat.",
        "Hot plastic gives off fumes and fine dust, and so does filing: air the room.",
    ),
    "vat photopolymerization": (
        "Uncured resin harms skin and eyes: wear nitrile gloves and goggles, air the room. "
        "Solvents that wash it off burn easily.",
        "Wash and cure the coupon fully before you touch or measure it.",
        "Dust of cured resin harms too: cut and file it wet or under suction, with a mask.",
        "Curing light harms the eyes: keep the cover closed.",
    ),
    "powder bed fusion": (
        "The powder cake stays hot for hours: let it cool right through before unpacking.",
        "Powder is fine dust, and some of it burns: wear a mask, keep sparks and flames away; the "
        "same where you cut or file.",
        "Get all powder out of gaps and holes before you measure, under suction and with gloves. "
        "Powder that burns is handled and swept up as its data sheet says; where it asks for inert "
        "gas, never open the machine before its time.",
    ),
}


# What is looked at and not measured.
_LOOKED_AT: dict[Kind, str] = {
    "raised": (
        f"Raised strokes (H, {STROKE:g} mm high): whole from end to end, with straight sides, seen "
        'at arm\'s length: "legible"; else "illegible".'
    ),
    "sunken": (
        f"Sunken strokes (C, {STROKE:g} mm deep): open from end to end and down to the floor: "
        '"legible"; filled in or run together: "illegible".'
    ),
    "escape": (
        "Ways out (E, into a chamber each): empty the chamber as you do every day. Nothing left, "
        'seen with a lamp: "clear"; else "stuck".'
    ),
}
# What is done with the coupon before it is measured.
_CLEANED: dict[Category, tuple[str, ...]] = {
    "material extrusion": (),
    "vat photopolymerization": (
        "The arrow points to the drain side: lay the plate so on the machine that this side is "
        "reached last by the resin that runs off, hold it downward to drain, and write down how it "
        "lay if it was tilted: a tilt changes lying holes, gaps and strokes.",
    ),
    "powder bed fusion": (
        "In the middle of the bed, where other parts lie; freed of powder as every part is.",
    ),
}


@dataclass(frozen=True)
class Table:
    """Rows to fill in: a nominal size, measured along or about each of the axes; without readings
    what is only looked at."""

    title: str
    kind: Kind
    axes: tuple[Axis, ...]
    readings: int
    rows: tuple[tuple[Feature, ...], ...]

    @property
    def asked(self) -> str:
        """What stands over the last column."""
        return " / ".join(CAME_OUT.get(self.kind, ("fill",)))


def instructions(
    rules: Rules, plan: Plan, plates: int, takes: Sequence[str] = ()
) -> list[tuple[str, list[str]]]:
    """Headings, and under each its sentences; `takes`: what it takes to print."""
    kinds = {each.kind for each in plan.features}
    heights = listed([f"{height:g}" for height in plan.sizes.measured])
    measure = [
        "Write down the instrument and the largest error its maker states. Clean the jaws; closed, "
        "they must read 0.00.",
    ]
    if "wall" in kinds:
        measure += [
            f"Walls: in the middle of the free length, three readings, {heights} mm above the "
            "base: clear of the first layers, the seam, the ends and the top rim.",
            "Light pressure: let the jaws only just touch. A hollow wall gives way and then reads "
            "too thin.",
            "Fill: cut or file the free end off and look. Solid: material all through. Hollow: air "
            "between two skins, also only in places. Missing: nothing was printed; no reading.",
        ]
    if "gap" in kinds:
        measure.append(
            'Gaps (G): the thickest feeler gauge that slides in without force, and "clear"; grown '
            'shut: "shut", no reading.'
        )
    if "hole" in kinds:
        measure.append(
            "Holes (U upright, L lying): the thickest gauge pin that goes through without force, "
            'and "clear"; closed: "shut".'
        )
    if "pin" in kinds:
        measure.append(
            "Pins (P): across, three heights, a quarter turn on from one to the next, and "
            '"whole"; bent, gone or broken off: "broken".'
        )
    measure += [words for kind, words in _LOOKED_AT.items() if kind in kinds]
    return [
        ("Safety", [*_SAFETY[rules.category], *_EVERYWHERE]),
        (
            "Print",
            [
                "As the plate lies: x of the file along x of the machine, the cut-off corner in "
                "front on the left. Not scaled, not turned.",
                "With the settings of this process, as on every other day; change nothing for the "
                "coupon.",
                "Let it cool to the room's temperature before you take it off and measure.",
                *_CLEANED[rules.category],
                *(f"{capital(take)}." for take in takes),
            ],
        ),
        ("Measure", measure),
        (
            "Note",
            [
                "A mark is the nominal size in hundredths of a millimetre: 135 is 1.35 mm. It "
                "stands under its wall, or to the right of its gap, hole or pin, as you read it.",
                *(["The number at the cut-off corner is that of the plate."] if plates > 1 else []),
                "Write millimetres into readings.csv. Leave empty what you could not measure.",
            ],
        ),
    ]


def tables(plan: Plan) -> list[Table]:
    """What is to be filled in, by kind."""
    wanted: tuple[tuple[str, Kind, tuple[Axis, ...], int], ...] = (
        ("Walls", "wall", ("x", "y"), 3),
        ("Gaps", "gap", ("x", "y"), 1),
        ("Holes", "hole", ("vertical", "horizontal"), 1),
        ("Pins", "pin", ("vertical",), 3),
        ("Raised", "raised", ("x",), 0),
        ("Sunken", "sunken", ("x",), 0),
        ("Ways out", "escape", ("vertical",), 0),
    )
    held = {(each.kind, each.axis) for each in plan.features}
    carried = (
        (title, kind, tuple(axis for axis in axes if (kind, axis) in held), readings)
        for title, kind, axes, readings in wanted
    )
    return [
        Table(title, kind, axes, readings, rows)
        for title, kind, axes, readings in carried
        if (rows := tuple(zip(*(plan.of(kind, axis) for axis in axes), strict=True)))
    ]


def markdown_sheet(
    rules: Rules, plan: Plan, plates: Sequence[Plate], takes: Sequence[str] = ()
) -> str:
    """The sheet as Markdown (GFM); `takes`: what it takes to print."""
    return "\n".join(_lines(rules, plan, plates, takes)) + "\n"


def _lines(
    rules: Rules, plan: Plan, plates: Sequence[Plate], takes: Sequence[str]
) -> Iterator[str]:
    sizes = plan.sizes
    yield f"# Coupon: {prose(rules.name)}"
    yield ""
    about = [prose(part) for part in (rules.printer, rules.material) if part]
    yield (
        f"{', '.join([*about, rules.category])}. Rule file: "
        f"{code(rules.path.rpartition('/')[2])}. Layers of {sizes.layer_height:g} mm, walls "
        f"{sizes.height:g} mm high on a base of {sizes.base:g} mm. A drawing of it is in "
        "`measure.html`."
    )
    yield ""
    for plate in plates:
        yield f"- plate {plate.number}: {plate.size[0]:.0f} x {plate.size[1]:.0f} mm"
    for heading, sentences in instructions(rules, plan, len(plates), takes):
        yield ""
        yield f"## {heading}"
        yield ""
        for sentence in sentences:
            yield f"- {sentence}"
    yield ""
    yield "Date: ____________ Instrument: ________________________ Its error: ________ mm"
    for table in tables(plan):
        yield ""
        yield f"## {table.title}"
        yield ""
        heads = ["mark", "nominal, mm"]
        for axis in table.axes:
            heads += [*(f"{axis} {at}" for at in range(1, table.readings + 1))]
            heads.append(f"{axis} {table.asked}")
        yield f"| {' | '.join(heads)} |"
        yield "|" + " --- |" * len(heads)
        for row in table.rows:
            blank = [""] * (len(heads) - 2)
            yield f"| {' | '.join([row[0].mark, f'{row[0].nominal:.2f}', *blank])} |"
