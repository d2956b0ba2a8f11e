"""What a change does to waivers: which it adds, prolongs or widens."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from wallguard.waivers.load import Waiver


@dataclass(frozen=True)
class Strengthened:
    """A waiver that accepts more than before; `how`: "new", "until 2031-05-31 instead of ..."."""

    waiver: Waiver
    how: str


def strengthened(before: Sequence[Waiver], after: Sequence[Waiver]) -> tuple[Strengthened, ...]:
    """The waivers that are new, or that accept more or for longer than they did, in their order."""
    known: dict[tuple[object, ...], list[Waiver]] = {}
    for waiver in before:
        known.setdefault(_about(waiver), []).append(waiver)
    changes = []
    for waiver in after:
        same = known.get(_about(waiver), [])
        how = [_how(was, waiver) for was in same] or ["new"]
        if all(how):
            changes.append(Strengthened(waiver, how[0]))
    return tuple(changes)


def _about(waiver: Waiver) -> tuple[object, ...]:
    """Which finding a waiver is about."""
    if waiver.finding:
        return waiver.finding, waiver.part, waiver.rules, waiver.shape
    return waiver.part, waiver.rules, waiver.shape, waiver.place


def _how(was: Waiver, now: Waiver) -> str:
    """In what a waiver accepts more than it did; empty where it does not."""
    more = [check for check in now.limits if check not in was.limits]
    if more:
        return f"accepts {' and '.join(more)} too"
    if now.until > was.until:
        return f"until {now.until} instead of {was.until}"
    if now.alike > was.alike and now.shape:
        return f"accepts {now.alike} findings instead of {was.alike}"
    facts = ["fill", "size", "certain", "place", "body"]
    if set(now.limits) == set(was.limits):
        facts.append("measures")
    if any(getattr(now, name) != getattr(was, name) for name in facts):
        return "says otherwise what it accepts"
    return ""
