"""What every report on a rehearsal says of its toolpaths, and the verdict."""

from __future__ import annotations

from collections.abc import Iterator

from wallguard.bands.advice import range_text
from wallguard.base import cautions
from wallguard.base.plain import counted
from wallguard.base.text import mm
from wallguard.findings.impact import Kind
from wallguard.findings.rehearsal import (
    Before,
    Edge,
    Otherwise,
    Rehearsal,
    Rehearsed,
    Setting,
    Unlike,
    Verdict,
    verdict,
)
from wallguard.reports import impact_order as order

CAUTION = cautions.REHEARSALS
WORDS: dict[Verdict, str] = {
    "not done": "not done",
    "hold back": "hold back",
    "nothing compared": "nothing compared",
    "unproven": "nothing gets worse, but the rules do not describe what is laid today",
    "no change": "may be rolled out, as far as walls go",
    "not worse": "may be rolled out, as far as walls go",
}
MARKS: dict[Kind, str] = {
    "error": "! error",
    "worse": "x worse",
    "other": "~ changed",
    "better": "+ better",
    "same": "= same",
}
_MANY = 6


def word(rehearsal: Rehearsal) -> str:
    """The verdict in a few words."""
    return WORDS[verdict(rehearsal)]


def summary(rehearsal: Rehearsal) -> str:
    """What the verdict rests on, as clauses."""
    said = list(_clauses(rehearsal))
    return "; ".join(said)


def _clauses(rehearsal: Rehearsal) -> Iterator[str]:
    if rehearsal.troubles:
        yield f"{counted(len(rehearsal.troubles), 'toolpath')} could not be used"
    held = rehearsal.hold_back
    if held:
        named = ", ".join(held[:_MANY]) + (f" and {len(held) - _MANY} more" * (len(held) > _MANY))
        yield f"{counted(len(held), 'part')} to hold back: {named}"
    if len(rehearsal.toolpaths) == 1:
        yield order.summary(rehearsal.toolpaths[0].impact)
    else:
        yield f"{counted(len(rehearsal.matrix), 'part')} by {len(rehearsal.toolpaths)} toolpaths"
    if held and any(one.before and one.before.unlike for one in rehearsal.toolpaths):
        yield "the rules do not describe what is laid today, see above"


def read(one: Rehearsed) -> str:
    """What was read of a toolpath."""
    return f"{counted(one.walls, 'wall')} of the coupon read"


def proof(before: Before) -> str:
    """Whether the rules describe the toolpath of before."""
    number = len(before.unlike)
    if not number:
        return f"the rules describe all of its {counted(before.walls, 'wall')}"
    come = "comes" if number == 1 else "come"
    return (
        f"the rules do NOT describe it: {number} of {counted(before.walls, 'wall')} {come} out "
        "otherwise. There parts are compared by what it lays, not by the rules"
    )


def unlike(one: Unlike) -> str:
    """A wall that the toolpath of before lays otherwise than the rules say."""
    said = _outcome(one.fill_said, one.printed_said)
    laid = _outcome(one.fill_laid, one.printed_laid)
    return f"{mm(one.nominal)} mm along {one.axis}: the rules say {said}, it lays {laid}"


def otherwise(one: Otherwise) -> str:
    """A range of thickness that comes out otherwise."""
    reach = range_text(one.lower, float("inf") if one.upper is None else one.upper)
    if one.before == one.after:
        printed = (one.printed_before, one.printed_after)
        thick = " -> ".join("nothing" if each is None else mm(each) for each in printed)
        what = f"{one.before}, printed {thick} mm thick at {mm(one.lower)} mm"
    else:
        what = f"{one.before} -> {one.after}"
    walls = ", ".join(map(mm, one.read[:_MANY]))
    return f"{reach} mm: {what}" + (f" (read at {walls})" if walls else "")


def edge(one: Edge) -> str:
    """An edge of the band table that moved, came or went."""
    name = f"{one.below} -> {one.above}"
    if one.before is None or one.after is None:
        there = one.before or one.after or (0.0, 0.0)
        return f"{name} {'is no more' if one.before else 'is new'}: {_place(there)}"
    least, most = one.shift or (0.0, 0.0)
    moved = f"{least:+.2f}" if abs(most - least) < 0.005 else f"{least:+.2f} to {most:+.2f}"
    return f"{name}: {_place(one.before)}, now {_place(one.after)} ({moved} mm)"


def _place(ends: tuple[float, float]) -> str:
    low, high = ends
    return f"from {mm(low)} mm" if low == high else f"from somewhere in {mm(low)}-{mm(high)} mm"


def stand(one: Edge) -> str:
    """An edge that stands, and how well it was seen."""
    low, high = one.after or (0.0, 0.0)
    return (
        f"{one.below} -> {one.above}: {_place(one.before or (0.0, 0.0))}, seen between walls of "
        f"{mm(low)} and {mm(high)} mm"
    )


def more(one: Rehearsed) -> str:
    """Which walls on the coupon would tell more; empty: none would."""
    if not one.next_walls:
        return ""
    walls = " ".join(map(mm, one.next_walls))
    return (
        f"walls of {walls} mm on the coupon too (`coupon make --steps`) would tell most of what is "
        "uncertain"
    )


def setting(one: Setting) -> str:
    """A bead setting, before and after."""
    key = one.key.replace("_", " ")
    return f"{key}: {one.before or 'not said'} by the rules, {one.after} explains it"


def _outcome(fill: str, printed: float | None) -> str:
    return fill if printed is None else f"{fill}, {mm(printed)} mm thick"
