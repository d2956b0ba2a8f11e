"""`wallguard coupon drift`: a later print of the coupon against the rule file."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from wallguard.commands.arguments import Commands, command

if TYPE_CHECKING:
    from wallguard.fitting.drift import Compared, Drift, Since


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "drift",
        "wallguard coupon drift rules/measured.yaml coupon/readings-2027-03.csv",
        _command,
        summary="hold a later print of the coupon against the rule file; ends with 1 on drift",
    )
    parser.add_argument("rules", type=Path, metavar="RULES")
    parser.add_argument("readings", nargs="+", type=Path, metavar="READINGS")


def _command(arguments: argparse.Namespace) -> int:
    text, code = run(arguments.rules, arguments.readings)
    print(text, end="")
    return code


def run(rules: Path, readings: Sequence[Path]) -> tuple[str, int]:
    """What to tell of the comparison, and the exit code: 1 on drift, else 0.

    Raises InputError where the rule file or the readings cannot be used.
    """
    from wallguard.jobs.characterise import drift

    result = drift(rules, readings)
    lines = [*_lines(result), *(f"note: {remark}" for remark in result.remarks)]
    return "\n".join(lines) + "\n", int(result.drifted)


def _lines(drift: Drift) -> list[str]:
    walls = len(drift.walls)
    lines = [
        f"drift: the process no longer does what the rules say ({walls} walls compared)"
        if drift.drifted
        else f"no drift: {walls} walls come out as the rules say"
    ]
    if drift.drifted:
        lines.append(f"when: {_when(drift.since)}")
    if drift.changed:
        lines += ["", "changed outcomes:", *map(_changed, drift.changed)]
    if drift.outside:
        chance = "no more than chance and the instrument may bring"
        if drift.many:
            chance = "more than chance and the instrument would bring"
        elif drift.far:
            chance = f"{len(drift.far)} of them farther than chance would bring"
        lines += ["", f"outside the uncertainty: {len(drift.outside)} of {walls}, {chance}:"]
        lines += map(_outside, drift.outside)
    settled = [wall for wall in drift.walls if wall.settles]
    if settled:
        lines += ["", "not known before (fit these readings together with the earlier ones):"]
        lines += [f"  {_where(wall)}: {wall.step.fill}{_read(wall, ' at ')}" for wall in settled]
    return lines


def _when(since: Since) -> str:
    """Between which days it was, as far as that is known."""
    good = (
        f"{since.good}, {'when the rules were measured' if since.measured else 'when it was not'}"
    )
    if since.good and since.bad:
        return f"after {good}, and by {since.bad}"
    if since.good:
        return f"after {good}; no readings that say their day (`# date:`) drift by themselves"
    if since.bad:
        return f"by {since.bad}; the rules do not say when they were measured (`measured_on`)"
    return "not known: neither rules (`measured_on`) nor readings (`# date:`) say their day"


def _where(wall: Compared) -> str:
    return f"{wall.step.nominal:.2f} mm along {wall.axis}"


def _read(wall: Compared, before: str) -> str:
    return f"{before}{wall.step.mean:.2f} mm" if wall.step.readings else ""


def _changed(wall: Compared) -> str:
    return f"  {_where(wall)}: {wall.outcome.fill} -> {wall.step.fill}{_read(wall, ', read ')}"


def _outside(wall: Compared) -> str:
    outcome = wall.outcome
    off = wall.step.mean - (outcome.printed or 0.0)
    return (
        f"  {_where(wall)}: read {wall.step.mean:.2f} ± {wall.u_mean:.2f}, rules say "
        f"{outcome.printed:.2f} ± {outcome.uncertainty:.2f} mm: {off:+.2f} mm"
    )
