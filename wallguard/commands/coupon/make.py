"""`wallguard coupon make`: a test part for one process, and all that is needed to measure it."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from wallguard.base.plain import counted, listed
from wallguard.commands.arguments import Commands, command, length
from wallguard.coupon.plan import HEIGHT, KINDS, WALLS, Extent
from wallguard.reports.coupon_sheet import markdown_sheet
from wallguard.reports.coupon_sheet_html import html_sheet

if TYPE_CHECKING:
    from wallguard.jobs.characterise import Coupon

# Where the kind is no noun.
_NAMES = {"raised": "raised stroke", "sunken": "sunken stroke", "escape": "chamber"}


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "make",
        "wallguard coupon make rules/petg.yaml -o coupon",
        _command,
        summary="write a printable test part with walls, gaps, holes, pins and more in steps",
    )
    parser.add_argument("rules", type=Path, metavar="RULES")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FOLDER")
    which = parser.add_mutually_exclusive_group()
    which.add_argument(
        "--steps", type=length, nargs="+", metavar="MM", help="thicknesses of the walls"
    )
    which.add_argument(
        "--quick",
        dest="extent",
        action="store_const",
        const="quick",
        default="usual",
        help=f"only the {WALLS['quick']} walls along each axis that tell most",
    )
    which.add_argument(
        "--fine",
        dest="extent",
        action="store_const",
        const="fine",
        help="with every step that tells anything, which takes longer",
    )
    parser.add_argument(
        "--height", type=length, metavar="MM", help=f"of the walls (default {HEIGHT:g} mm)"
    )
    parser.add_argument(
        "--features",
        nargs="+",
        choices=KINDS,
        help="which to put on it (default what the process asks for)",
    )


def _command(arguments: argparse.Namespace) -> int:
    lines = run(
        arguments.rules,
        arguments.output,
        steps=arguments.steps,
        height=arguments.height,
        features=arguments.features,
        extent=arguments.extent,
    )
    print("\n".join(lines))
    return 0


def run(
    rules: Path,
    out: Path,
    *,
    steps: Sequence[float] | None = None,
    height: float | None = None,
    features: Iterable[str] | None = None,
    extent: Extent = "usual",
) -> list[str]:
    """Make the coupon for the rule file `rules` in the folder `out`, and say what was written.

    steps     thicknesses of the walls, mm; None: chosen from the rules
    height    of the walls, mm; None: 6
    features  of `coupon.plan.KINDS`; None: what is usual, of a quick coupon walls only
    extent    how much it carries, see `coupon.plan`

    Raises InputError: rules or values that no coupon follows from, a build volume too small, or
    files in the way that are not an untouched earlier coupon. Nothing is then written.
    """
    from wallguard.jobs.characterise import make_coupon

    coupon = make_coupon(rules, steps=steps, height=height, features=features, extent=extent)
    return write_coupon(coupon, out)


def write_coupon(coupon: Coupon, out: Path) -> list[str]:
    """Write a coupon with its sheets into the folder `out`, and say so.

    Raises InputError: files in the way that are not an untouched earlier coupon.
    """
    from wallguard.coupon.folder import write_folder

    planned, plates, takes = coupon.plan, coupon.plates, coupon.effort.words
    sheets = {
        "measure.md": markdown_sheet(coupon.rules, planned, plates, takes),
        "measure.html": html_sheet(coupon.rules, planned, plates, coupon.round_number, takes),
    }
    files = coupon.files() | {name: text.encode("utf-8") for name, text in sheets.items()}
    written = write_folder(out, coupon.manifest(), files)
    counts = listed(
        [
            counted(number, _NAMES.get(kind, kind))
            for kind in KINDS
            if (number := sum(each.kind == kind for each in planned.features))
        ]
    )
    sizes = ", ".join(f"{plate.size[0]:.0f} x {plate.size[1]:.0f} mm" for plate in plates)
    return [
        f"a coupon of {counts} on {counted(len(plates), 'plate')} ({sizes})",
        *takes,
        *(f"note: {remark}" for remark in planned.remarks),
        *(f"wrote: {path}" for path in written),
        "Read Safety in measure.html before printing.",
        "Next: print it, measure it as measure.html says, and fill in readings.csv.",
    ]
