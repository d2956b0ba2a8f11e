"""`wallguard coupon next`: which walls to print next, so that less is uncertain."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from wallguard.commands.arguments import Commands, command
from wallguard.commands.coupon import make

if TYPE_CHECKING:
    from wallguard.fitting.next_steps import NextStep


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "next",
        "wallguard coupon next rules/measured.yaml -o coupon-2",
        _command,
        summary="name the few walls to print next that narrow the doubt most",
    )
    parser.add_argument("rules", type=Path, metavar="RULES")
    parser.add_argument(
        "-o", "--output", type=Path, metavar="FOLDER", help="make the coupon with these walls"
    )


def _command(arguments: argparse.Namespace) -> int:
    text, steps = run(arguments.rules)
    print(text, end="")
    if arguments.output and steps:
        print("\n".join(make.run(arguments.rules, arguments.output, steps=steps)))
    return 0


def run(rules: Path, *, at_most: int = 8) -> tuple[str, tuple[float, ...]]:
    """What to tell of the walls to print next, and their thicknesses (mm, rising; none: nothing
    is uncertain any more) for the coupon that carries them.

    Raises InputError where the rule file cannot be used.
    """
    from wallguard.jobs.characterise import next_steps

    steps = next_steps(rules, at_most)
    if not steps:
        return "nothing is uncertain by more than 0.02 mm: no further coupon is needed\n", ()
    thicknesses = tuple(step.thickness for step in steps)
    numbers = ", ".join(f"{thickness:.2f}" for thickness in thicknesses)
    return "\n".join([f"print next: {numbers} mm", *map(_row, steps)]) + "\n", thicknesses


def _row(step: NextStep) -> str:
    below, above = step.fills
    if step.why == "thickness":
        what = f"{below} throughout, but the printed thickness changes its rule"
    elif below == above:
        what = f"{below} on both sides, and not known between"
    else:
        what = f"{below} below, {above} above"
    return f"  {step.thickness:.2f}  divides {step.lower:.2f}-{step.upper:.2f}: {what}"
