"""`wallguard init`: its arguments."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from wallguard.cli.shared import Commands, command, length


def add(commands: Commands) -> None:
    """Declare the command."""
    init = command(
        commands,
        "init",
        "write a commented wallguard.yaml, a first rule file and the hook's configuration",
        "wallguard init --nozzle 0.4 --layer-height 0.2",
        _init,
    )
    init.add_argument("folder", nargs="?", type=Path, default=Path(), metavar="FOLDER")
    init.add_argument("--nozzle", type=length, metavar="MM", help="nozzle diameter")
    init.add_argument("--layer-height", type=length, metavar="MM", help="layer height")
    init.add_argument(
        "--category",
        metavar="CATEGORY",
        help="'material extrusion', 'vat photopolymerization' or 'powder bed fusion'",
    )


def _init(arguments: argparse.Namespace) -> int:
    from wallguard.commands import init

    ask = _ask if sys.stdin.isatty() and sys.stdout.isatty() else None
    lines = init.run(
        arguments.folder,
        nozzle=arguments.nozzle,
        layer_height=arguments.layer_height,
        category=arguments.category,
        ask=ask,
    )
    print("\n".join(lines))
    return 0


def _ask(question: str, default: str) -> str:
    return input(f"{question} [{default}]: ").strip() or default
