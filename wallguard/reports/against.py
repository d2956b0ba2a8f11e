"""Two toolpaths of one part against each other: for a terminal, as Markdown, and as JSON."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from wallguard.base import cautions
from wallguard.base.plain import counted, plain, without_path
from wallguard.base.text import mm, place
from wallguard.findings.groups import gathered, size
from wallguard.reports.console import painter, wrapped
from wallguard.reports.json_codec import Format
from wallguard.reports.json_report import FRAME
from wallguard.reports.markdown_text import code, prose
from wallguard.reports.order import one_of
from wallguard.reports.page import COORDINATES, Section, fitted
from wallguard.toolpath.against import Against, Pair, Side

_SHOWN = 20


def text(compared: Against, *, width: int = 80, colour: bool = False) -> str:
    """For a terminal of `width` columns; ends with a line break."""
    paint = painter(colour)
    out = [f"{plain(compared.part)}: {plain(compared.before.path)} -> {plain(compared.after.path)}"]
    for row in _totals(compared):
        out += wrapped(row, "  ", width)
    out += [] if compared.troubles else ["", "  walls by outcome, before -> after"]
    for (before, after), times in _counts(compared):
        out.append(f"    {before:>9} -> {after:<9} {counted(times, 'wall')}")
    shown = _changed(compared)
    out += [""] if shown else []
    for same in shown[:_SHOWN]:
        word = _way(same[0])
        said = wrapped(_words(same[0]), " " * 11, width)
        said += [f"{' ' * 11}{one_of(len(same))}"] if len(same) > 1 else []
        mark = paint(f"{word:<6}", {"worse": "fail", "better": "passed"}.get(word, "warn"))
        out += [f"    {mark} {said[0].lstrip()}", *said[1:]]
    if len(shown) > _SHOWN:
        out.append(f"    and {sum(map(len, shown[_SHOWN:]))} more; the JSON report has them all")
    for note in compared.notes:
        out += wrapped(f"note: {note}", "  ", width)
    for trouble in compared.troubles:
        out += wrapped(plain(trouble.message), "  ", width)
    word, _, rest = _verdict(compared).partition(":")
    outcome = {0: "passed", 1: "failed", 2: "error"}[compared.exit_code]
    out += ["", paint(word, outcome) + f":{rest}"]
    out += wrapped(cautions.TOOLPATHS, "", width)
    return "\n".join(out) + "\n"


def markdown(compared: Against, *, limit: int = 65000) -> str:
    """As GitHub-flavoured Markdown of at most `limit` characters."""
    word, _, rest = _verdict(compared).partition(":")
    head = f"**{word.capitalize()}**:{rest}\n\n"
    head += f"{code(compared.part)}: {code(compared.before.path)} → {code(compared.after.path)}\n\n"
    totals = [f"- {prose(row)}\n" for row in _totals(compared)]
    outcomes = [
        f"| {before} | {after} | {times} |\n" for (before, after), times in _counts(compared)
    ]
    changed = [_item(same) for same in _changed(compared)]
    troubles = [
        f"- {code(trouble.path)}: {prose(without_path(trouble.path, trouble.message))}\n"
        for trouble in compared.troubles
    ]
    sections = [
        Section("file", "files", troubles, "### Files that could not be used\n\n"),
        Section("total", "totals", totals, ""),
        Section("outcome", "outcomes", outcomes, "| before | after | walls |\n|---|---|---:|\n"),
        Section("wall", "walls", changed, "### Walls that come out otherwise\n\n"),
        Section(
            "note", "notes", [f"- {prose(note)}\n" for note in compared.notes], "### Notes\n\n"
        ),
    ]
    foot = f"{COORDINATES}\n\n{cautions.TOOLPATHS}\n"
    return fitted(head, [section for section in sections if section.items], foot, limit)


def _changed(compared: Against) -> list[tuple[Pair, ...]]:
    """Walls that come out otherwise; alike ones together."""

    def alike(pair: Pair) -> tuple[object, ...]:
        return (
            _way(pair),
            pair.before,
            pair.after,
            pair.copies,
            size(pair.thickness, pair.length, pair.z),
        )

    return gathered((pair for pair in compared.pairs if pair.changed or pair.worse), alike)


def _way(pair: Pair) -> str:
    return "worse" if pair.worse else "better" if pair.better else "other"


def _item(same: tuple[Pair, ...]) -> str:
    way, more = _way(same[0]), one_of(len(same))
    way = f"**{way}**" if way == "worse" else way
    return f"- {way}: {prose(_words(same[0]))}{more and f' ({more})'}\n"


@dataclass(frozen=True)
class Outcomes:
    """How many walls come out `before` and `after` so."""

    before: str
    after: str
    walls: int


@dataclass(frozen=True)
class Summary:
    """Counts of walls."""

    walls: int
    worse: int
    better: int
    changed: int
    outcomes: tuple[Outcomes, ...]


def summary(compared: Against) -> Summary:
    """The counts of a comparison."""
    return Summary(
        walls=len(compared.pairs),
        worse=len(compared.worse),
        better=sum(pair.better for pair in compared.pairs),
        changed=sum(pair.changed for pair in compared.pairs),
        outcomes=tuple(Outcomes(*ends, times) for ends, times in _counts(compared)),
    )


def caution(compared: Against) -> str:
    """What it does not say."""
    return cautions.TOOLPATHS


AGAINST = Format(
    name="wallguard-toolpaths/2",
    title="wallguard toolpath --against",
    of=Against,
    frame=FRAME,
    beyond={Against: (caution, summary), Pair: ("worse", "better", "changed")},
)


def _counts(compared: Against) -> list[tuple[tuple[str, str], int]]:
    counts = Counter((pair.before, pair.after) for pair in compared.pairs)
    return sorted(counts.items(), key=lambda item: (item[0][0] == item[0][1], item[0]))


def _totals(compared: Against) -> list[str]:
    if compared.troubles:
        return []
    before, after = compared.before, compared.after
    share = after.volume / before.volume - 1 if before.volume else 0.0
    rows = [
        f"material laid: {before.volume:.1f} -> {after.volume:.1f} mm³ ({share:+.2%})",
        f"usual bead: {mm(before.width)} -> {mm(after.width)} mm wide",
        f"layers: {before.layers} of {before.height:.3g} mm -> {after.layers} of "
        f"{after.height:.3g} mm",
    ]
    if before.copies != after.copies or before.copies > 1:
        rows.append(f"copies: {before.copies} -> {after.copies}")
    if before.turned != after.turned:
        rows.append(f"turned by: {_angles(before)} -> {_angles(after)}")
    rows += [
        f"{side.path} lays the part as in a mirror: x runs the other way, before it is turned"
        for side in (before, after)
        if side.mirrored
    ]
    rows += [
        f"from {mm(low)} to {mm(high)} mm above the plate nothing is laid {name}"
        for side, name in ((before, "before"), (after, "now"))
        for low, high in side.skipped
    ]
    return rows


def _angles(side: Side) -> str:
    angles = list(dict.fromkeys(side.turned))
    more = f" and {len(angles) - 4} more" if len(angles) > 4 else ""
    return ", ".join(f"{angle:g}°" for angle in angles[:4]) + more


def _words(pair: Pair) -> str:
    return (
        f"wall {mm(pair.thickness)} mm thick at {place(pair.location)}, {mm(pair.length)} mm long, "
        f"z {mm(pair.z[0])} to {mm(pair.z[1])}: {_state(pair, 0)} -> {_state(pair, 1)}{_on(pair)}"
    )


def _on(pair: Pair) -> str:
    """On which copies, where it is not the first alone."""
    if pair.copies == (1,):
        return ""
    many = "ies" if len(pair.copies) > 1 else "y"
    return f", on cop{many} {', '.join(map(str, pair.copies))}"


def _state(pair: Pair, index: int) -> str:
    outcome = (pair.before, pair.after)[index]
    printed = pair.printed[index]
    if outcome == "missing" or printed is None:
        return outcome
    air = f" with {mm(pair.air[index])} mm of air" if pair.air[index] > 0 else ""
    return f"{outcome}{air}, {mm(printed)} mm"


def _verdict(compared: Against) -> str:
    worse, better = len(compared.worse), sum(pair.better for pair in compared.pairs)
    total = counted(len(compared.pairs), "wall")
    if compared.troubles:
        return "NOT COMPARED: it could not be done, and nothing is known of any wall"
    if compared.mirrored:
        return "WORSE: one of them lays the part as in a mirror, and the other does not" + (
            f", and {worse} of {total} come{'s' * (worse == 1)} out worse" if worse else ""
        )
    if compared.exit_code and not worse:
        what = "copies" if compared.after.copies < compared.before.copies else "layers"
        return f"WORSE: {what} are missing that were there before"
    if worse:
        return f"WORSE: {worse} of {total} come{'s' * (worse == 1)} out worse" + (
            f", {better} better" if better else ""
        )
    if any(pair.changed for pair in compared.pairs):
        return f"NOT WORSE: none of {total} comes out worse" + (
            f", {better} better" if better else ""
        )
    return f"SAME: all of {total} come out as before"
