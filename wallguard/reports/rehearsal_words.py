"""What every report on a rehearsal says of its toolpaths, and the verdict."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wallguard.bands.advice import range_text
from wallguard.base import cautions
from wallguard.base.plain import counted
from wallguard.base.text import mm
from wallguard.findings.impact import Kind
from wallguard.findings.rehearsal import (
    Before,
    Edge,
    Otherwise,
    Printer,
    Rehearsal,
    Rehearsed,
    Row,
    Setting,
    Unlike,
    Verdict,
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
    "not asked": "no toolpath changed",
}
# In a matrix, of a part that was not compared.
ELSEWHERE = "answers to other rules"
MARKS: dict[Kind, str] = {
    "error": "! error",
    "worse": "x worse",
    "other": "~ changed",
    "better": "+ better",
    "same": "= same",
}
_MANY = 6


def word(rehearsal: Rehearsal | Printer) -> str:
    """The verdict in a few words."""
    return WORDS[rehearsal.verdict]


def mark(kind: Kind | None) -> str:
    """What a toolpath does to a part; `-` where it was not compared."""
    return "-" if kind is None else MARKS[kind]


def telling(rehearsal: Rehearsal) -> tuple[Row, ...]:
    """The rows of the matrix in which something happens."""
    return tuple(row for row in rehearsal.matrix if not set(row.kinds) <= {"same", None})


def rules(printer: Printer) -> str:
    """A rule file with its name."""
    return printer.rules.rules + (printer.rules.name and f" ({printer.rules.name})")


def held_back(held: Sequence[str]) -> str:
    """Parts to hold back; empty where there are none."""
    if not held:
        return ""
    named = ", ".join(held[:_MANY]) + (f" and {len(held) - _MANY} more" * (len(held) > _MANY))
    return f"{counted(len(held), 'part')} to hold back: {named}"


def summary(rehearsal: Rehearsal) -> str:
    """What the verdict rests on, as clauses."""
    said = list(_clauses(rehearsal))
    return "; ".join(said)


def _clauses(rehearsal: Rehearsal) -> Iterator[str]:
    troubles, held = len(rehearsal.every_trouble), rehearsal.hold_back
    if troubles:
        yield f"{counted(troubles, 'file')} could not be used"
    if held:
        yield held_back(held)
    if len(rehearsal.toolpaths) == 1:
        yield order.summary(rehearsal.toolpaths[0].impact)
    elif rehearsal.toolpaths:
        many = len(rehearsal.printers)
        of = f" of {many} rule files" if many > 1 else ""
        yield (
            f"{counted(len(rehearsal.matrix), 'part')} by {len(rehearsal.toolpaths)} toolpaths{of}"
        )
    if rehearsal.unchanged:
        same = "it is as it was" if len(rehearsal.unchanged) == 1 else "they are as they were"
        named = ", ".join(rehearsal.unchanged[:_MANY])
        more = len(rehearsal.unchanged) - _MANY
        yield f"not rehearsed, since {same}: {named}" + (f" and {more} more" if more > 0 else "")
    if held and any(toolpath.before and toolpath.before.unlike for toolpath in rehearsal.toolpaths):
        yield "the rules do not describe what is laid today, see above"


def read(rehearsed: Rehearsed) -> str:
    """What was read of a toolpath."""
    return f"{counted(rehearsed.walls, 'wall')} of the coupon read"


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


def unlike(unlike: Unlike) -> str:
    """A wall that the toolpath of before lays otherwise than the rules say."""
    said = _outcome(unlike.fill_said, unlike.printed_said)
    laid = _outcome(unlike.fill_laid, unlike.printed_laid)
    return f"{mm(unlike.nominal)} mm along {unlike.axis}: the rules say {said}, it lays {laid}"


def otherwise(otherwise: Otherwise) -> str:
    """A range of thickness that comes out otherwise."""
    reach = range_text(
        otherwise.lower, float("inf") if otherwise.upper is None else otherwise.upper
    )
    if otherwise.before == otherwise.after:
        printed = (otherwise.printed_before, otherwise.printed_after)
        thick = " -> ".join("nothing" if each is None else mm(each) for each in printed)
        what = f"{otherwise.before}, printed {thick} mm thick at {mm(otherwise.lower)} mm"
    else:
        what = f"{otherwise.before} -> {otherwise.after}"
    walls = ", ".join(map(mm, otherwise.read[:_MANY]))
    return f"{reach} mm: {what}" + (f" (read at {walls})" if walls else "")


def edge(edge: Edge) -> str:
    """An edge of the band table that moved, came or went."""
    name = f"{edge.below} -> {edge.above}"
    if edge.before is None or edge.after is None:
        there = edge.before or edge.after or (0.0, 0.0)
        return f"{name} {'is no more' if edge.before else 'is new'}: {_place(there)}"
    least, most = edge.shift or (0.0, 0.0)
    moved = f"{least:+.2f}" if abs(most - least) < 0.005 else f"{least:+.2f} to {most:+.2f}"
    return f"{name}: {_place(edge.before)}, now {_place(edge.after)} ({moved} mm)"


def _place(ends: tuple[float, float]) -> str:
    low, high = ends
    return f"from {mm(low)} mm" if low == high else f"from somewhere in {mm(low)}-{mm(high)} mm"


def stand(edge: Edge) -> str:
    """An edge that stands, and how well it was seen."""
    low, high = edge.after or (0.0, 0.0)
    return (
        f"{edge.below} -> {edge.above}: {_place(edge.before or (0.0, 0.0))}, told by what is laid "
        f"of {mm(low)} and of {mm(high)} mm"
    )


def more(rehearsed: Rehearsed) -> str:
    """Which walls on the coupon would tell more; empty: none would."""
    if not rehearsed.next_walls:
        return ""
    walls = " ".join(map(mm, rehearsed.next_walls))
    return (
        f"walls of {walls} mm on the coupon too (`coupon make --steps`) would tell most of what is "
        "uncertain"
    )


def setting(setting: Setting) -> str:
    """A bead setting, before and after."""
    key = setting.key.replace("_", " ")
    return f"{key}: {setting.before or 'not said'} by the rules, {setting.after} explains it"


def _outcome(fill: str, printed: float | None) -> str:
    return fill if printed is None else f"{fill}, {mm(printed)} mm thick"
