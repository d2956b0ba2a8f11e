"""`wallguard coupon`: its subcommands and their arguments."""

from __future__ import annotations

import argparse
from pathlib import Path

from wallguard.cli.shared import Commands, Parser, command, length


def add(commands: Commands) -> None:
    """Declare the command."""
    coupon = commands.add_parser(
        "coupon",
        help="make a test part, and a rule file from what callipers read on it",
        description="Characterise a process: make a coupon, print and measure it, fit the rules.",
    )
    parts = coupon.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_make(parts)
    _add_fit(parts)
    _add_next(parts)
    _add_drift(parts)


def _add_make(commands: argparse._SubParsersAction[Parser]) -> None:
    make = command(
        commands,
        "make",
        "write a printable test part with walls, gaps, holes and pins in steps",
        "wallguard coupon make rules/petg.yaml -o coupon",
        _make,
    )
    make.add_argument("rules", type=Path, metavar="RULES")
    make.add_argument("-o", "--output", type=Path, required=True, metavar="FOLDER")
    make.add_argument(
        "--steps", type=length, nargs="+", metavar="MM", help="thicknesses of the walls"
    )
    make.add_argument("--height", type=length, metavar="MM", help="of the walls (default 12 mm)")
    make.add_argument(
        "--features",
        nargs="+",
        choices=("wall", "gap", "hole", "pin"),
        help="which to put on it (default all)",
    )


def _add_fit(commands: argparse._SubParsersAction[Parser]) -> None:
    fit = command(
        commands,
        "fit",
        "turn readings into a rule file with a measured band table",
        "wallguard coupon fit coupon/readings.csv --rules rules/petg.yaml -o rules/measured.yaml",
        _fit,
    )
    fit.add_argument(
        "readings", nargs="*", type=Path, metavar="READINGS", help="CSV files, one for each round"
    )
    fit.add_argument(
        "--toolpath",
        action="append",
        type=Path,
        default=[],
        metavar="FILE",
        help="a program that makes a plate of the coupon: read what it lays (may be repeated)",
    )
    fit.add_argument(
        "--coupon", type=Path, metavar="FOLDER", help="the coupon that --toolpath makes"
    )
    fit.add_argument(
        "--filament",
        type=length,
        metavar="MM",
        help="its diameter for --toolpath (as in BASE, else 1.75)",
    )
    fit.add_argument(
        "--flow",
        type=length,
        metavar="FACTOR",
        help="between fed and laid for --toolpath (as in BASE, else 1)",
    )
    fit.add_argument("--rules", type=Path, required=True, metavar="BASE", help="what is known")
    fit.add_argument("-o", "--output", type=Path, required=True, metavar="NEW")
    fit.add_argument("--plot", type=Path, metavar="FILE", help="draw readings and bands as SVG")


def _add_next(commands: argparse._SubParsersAction[Parser]) -> None:
    following = command(
        commands,
        "next",
        "say which few walls to print next, to know most more",
        "wallguard coupon next rules/measured.yaml -o coupon-2",
        _next,
    )
    following.add_argument("rules", type=Path, metavar="RULES")
    following.add_argument(
        "-o", "--output", type=Path, metavar="FOLDER", help="make the coupon with these walls"
    )


def _add_drift(commands: argparse._SubParsersAction[Parser]) -> None:
    drift = command(
        commands,
        "drift",
        "hold a later print of the coupon against the rule file; ends with 1 if it has drifted",
        "wallguard coupon drift rules/measured.yaml coupon/readings-2027-03.csv",
        _drift,
    )
    drift.add_argument("rules", type=Path, metavar="RULES")
    drift.add_argument("readings", nargs="+", type=Path, metavar="READINGS")


def _make(arguments: argparse.Namespace) -> int:
    from wallguard.commands import coupon_make

    lines = coupon_make.run(
        arguments.rules,
        arguments.output,
        steps=arguments.steps,
        height=arguments.height,
        features=arguments.features,
    )
    print("\n".join(lines))
    return 0


def _fit(arguments: argparse.Namespace) -> int:
    from wallguard.commands import coupon_fit

    text = coupon_fit.run(
        arguments.readings,
        rules=arguments.rules,
        output=arguments.output,
        plot_file=arguments.plot,
        toolpaths=arguments.toolpath,
        coupon=arguments.coupon,
        filament=arguments.filament,
        flow=arguments.flow,
    )
    print(text, end="")
    return 0


def _next(arguments: argparse.Namespace) -> int:
    from wallguard.commands import coupon_next

    text, steps = coupon_next.run(arguments.rules)
    print(text, end="")
    if arguments.output and steps:
        from wallguard.commands import coupon_make

        print("\n".join(coupon_make.run(arguments.rules, arguments.output, steps=steps)))
    return 0


def _drift(arguments: argparse.Namespace) -> int:
    from wallguard.commands import coupon_drift

    text, code = coupon_drift.run(arguments.rules, arguments.readings)
    print(text, end="")
    return code
