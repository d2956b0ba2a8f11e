"""A result for who drew the part and owns no printer: one page without jargon, to be read or
printed on A4. Which walls, a picture of each, what to draw instead, and what was assumed. No
script, nothing fetched, nothing folded away; every text from outside is escaped.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from wallguard.base import cautions
from wallguard.base.plain import capital, counted, one_line, without_path
from wallguard.findings.groups import Group, alike_changes, groups
from wallguard.findings.impact import Change, Impact, PartImpact
from wallguard.findings.model import Finding, PartReport, Report, Trouble, in_force
from wallguard.findings.outcomes import doubtful
from wallguard.reports import impact_order
from wallguard.reports.formats import Setting
from wallguard.reports.templates import encoded, render
from wallguard.rules.model import Rules
from wallguard.rules.origin import origin

if TYPE_CHECKING:
    from wallguard.views.model import View

_PLACE = re.compile(r",? at \((-?\d+(?:\.\d+)?), (-?\d+(?:\.\d+)?), (-?\d+(?:\.\d+)?)\)")
_RANGE = re.compile(r"(\d\.\d\d)-(\d+\.\d\d)\b")
_WORDS = (
    ("≤ ", "at most "),
    ("≥ ", "at least "),
    ("± ", "plus or minus "),
    ("indeterminate", "uncertain"),
)
# What it means for the part, by how a wall comes out.
_MEANS = {
    "hollow": "The printer leaves air along the middle: two thin skins where one solid wall was "
    "drawn. It looks right and breaks easily.",
    "missing": "The printer leaves it out altogether.",
    "thickened": "It comes out thicker than drawn: what is to fit there may not.",
    "thinned": "It comes out thinner than drawn.",
    "porous": "It leans so far that small pores are left in it.",
    "uncertain": "It may come out well or not: nobody knows this printer that closely.",
}
_BASIS = {
    "measured": "measured on a print",
    "calculated": "calculated from the printer's settings, never measured on a print",
    "declared": "taken from a data sheet, never measured on this printer",
    "assumed": "not known; walls are taken to come out as drawn",
}
# Of a toolpath, whether the rule file describes the printer: nothing that a drawing can mend.
RULES_CHECK = "toolpath_rules"
# The check whether the size fits the unit; what is to be set is for who runs it.
_UNIT_CHECK, _UNIT = "unit", "if that is not its size, tell us in which unit it is drawn"
_UNIT_FIRST = "First of all its unit has to be known: all else here means nothing before"
_COULD_BE_BETTER = "It can be printed; some of it could be better"
_UNITS = "Places are x, y and z in your file, in mm."


@dataclass(frozen=True)
class Item:
    """One place to look at.

    title    what it is; said: what was found, in a sentence
    means    what that does to the part; instead: what to draw; where: its place in the file; more:
             how many alike there are; each may be empty
    picture  markup of ours: an SVG element, or an image of one; signs: samples of its patterns,
             with what they mean
    """

    title: str
    said: str
    means: str = ""
    instead: str = ""
    where: str = ""
    more: str = ""
    picture: str = ""
    signs: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Section:
    """One part on one printer.

    verdict  in one sentence; good: whether nothing has to change
    must, may, know  what has to change, what had better, what is good to know
    assumed  names and what is assumed
    unsure   whether its unit has to be known before anything else means something
    """

    part: str
    printer: str
    verdict: str
    good: bool
    must: Sequence[Item]
    may: Sequence[Item]
    know: Sequence[str]
    assumed: Sequence[tuple[str, str]]
    unsure: bool = False


def show_report(report: Report, setting: Setting) -> str:
    """The page of a check, or of toolpaths."""
    sections = [_section(report, part, setting) for part in report.parts]
    bad = [section for section in sections if not section.good]
    unsure = [section for section in sections if section.unsure]
    if report.troubles or any(part.error for part in report.parts):
        verdict = "Not everything could be checked"
    elif not sections:
        verdict = "Nothing was checked"
    elif unsure:
        verdict = f"First of all the unit of {_parts(unsure)} has to be known"
    elif bad and report.about == "toolpaths":
        # It may as well be the toolpath that is to change.
        verdict = f"Do not print {_parts(bad)} with this toolpath"
    elif bad:
        they = "it is" if len({section.part for section in bad}) == 1 else "they are"
        verdict = f"Please change {_parts(bad)} before {they} printed"
    elif any(section.may for section in sections):
        verdict = _COULD_BE_BETTER
    else:
        most = "All that was checked" if report.not_covered or report.left_out else "All of it"
        verdict = f"{most} comes out as drawn, as far as its walls go"
    uncovered = [
        f"{_file(path)}: nothing says which printer it is for" for path in report.not_covered
    ]
    left_out = [f"{_file(each.path)}: {one_line(_plain(each.why))}" for each in report.left_out]
    # What lies on a plate besides; other remarks are about rule files and waivers.
    beside = [
        each
        for each in report.remarks
        if report.about == "toolpaths" and each.path not in setting.rules
    ]
    return _page(
        verdict,
        bool(bad or report.troubles),
        sections,
        [*_troubles(report.troubles), *uncovered, *left_out, *_troubles(beside)],
        _about(report.started, report.version, report.caution),
    )


def show_impact(impact: Impact, setting: Setting) -> str:
    """The page of a change of process: what gets worse, and what to draw instead."""
    sections = [_changed(impact, part, setting) for part in impact.parts if _counts(part)]
    bad = [section for section in sections if not section.good]
    same = len(impact.parts) - len(sections)
    if impact_order.verdict(impact) in ("not done", "nothing compared"):
        verdict = "Not everything could be compared"
    elif bad:
        verdict = f"After the change of the printer, {_parts(bad)} would come out worse"
    else:
        verdict = "After the change of the printer, no part comes out worse"
    notes = [f"{counted(same, 'other part')} would come out no worse."] if same else []
    return _page(
        verdict,
        bool(bad or impact.troubles),
        sections,
        [*_troubles(impact.troubles), *notes],
        _about(impact.started, impact.version, cautions.PARTS),
    )


def _page(
    verdict: str,
    bad: bool,
    sections: Sequence[Section],
    notes: Sequence[str],
    about: Sequence[tuple[str, str]],
) -> str:
    from wallguard.drawings.svg import PLACES, patterns

    return render(
        "customer.html",
        verdict=verdict,
        bad=bad,
        sections=sections,
        notes=notes,
        about=about,
        units=_UNITS,
        patterns=patterns(PLACES),
    )


def _about(started: str, version: str, caution: str) -> list[tuple[str, str]]:
    day = started.partition("T")[0]
    return [
        ("Checked", f"on {day}, with wallguard {version}" if day else f"with wallguard {version}"),
        ("What this says", caution),
        (
            "What it does not say",
            "Whether the part is strong enough, fits, is watertight, or may touch food or bear a "
            "load. That takes somebody who is qualified for it, and a test of the printed part.",
        ),
    ]


def _parts(sections: Sequence[Section]) -> str:
    names = list(dict.fromkeys(section.part for section in sections))
    return names[0] if len(names) == 1 else counted(len(names), "part")


def _file(path: str) -> str:
    return PurePosixPath(path).name


def _why(path: str, error: str) -> str:
    return one_line(without_path(path, error)).rstrip(".")


def _troubles(troubles: Iterable[Trouble]) -> list[str]:
    return [one_line(trouble.message) for trouble in troubles]


def _section(report: Report, part: PartReport, setting: Setting) -> Section:
    rules = _rules(part.rules, setting)
    must: list[Item] = []
    may: list[Item] = []
    know: list[str] = []
    shown = [finding for finding in part.findings if in_force(finding, report.gate)]
    for group in groups(shown):
        finding = group.first
        if finding.check == RULES_CHECK:
            know.append(
                "The printer does not do what is written down of it: whoever runs it has to look "
                f"at that first. {_sentence(finding.message)}"
            )
            continue
        if finding.severity == "note":
            know.append(one_line(_plain(finding.message)))
            continue
        (must if finding.severity == "fail" else may).append(_item(part, group, setting))
    accepted = sum(bool(finding.waived) for finding in part.findings)
    if accepted:
        know.append(
            f"{counted(accepted, 'place was', 'places were')} looked at and accepted by who "
            "answers for the printer."
        )
    know += [
        one_line(check.note) for check in part.checks if check.note and check.status != "skipped"
    ]
    unsure = not part.error and doubtful(shown)
    if part.error:
        verdict = f"Could not be checked: {_why(part.path, part.error)}"
    elif unsure:
        verdict = _UNIT_FIRST
    elif must:
        verdict = f"{counted(len(must), 'thing has', 'things have')} to change"
    elif may:
        verdict = _COULD_BE_BETTER
    else:
        verdict = "Nothing has to change"
    return Section(
        _file(part.path),
        _printer(rules, part.rules_name, part.rules),
        verdict,
        not must and not part.error and not unsure,
        must,
        may,
        know,
        # What is known of a toolpath besides is for who makes toolpaths.
        list(_assumed(part, rules, () if report.about == "toolpaths" else part.facts)),
        unsure,
    )


def _rules(name: str, setting: Setting) -> Rules | None:
    """The rules of a report, which of a toolpath names that before them."""
    return setting.rules.get(name) or setting.rules.get(name.rpartition(", ")[2])


def _printer(rules: Rules | None, name: str, path: str) -> str:
    known = ", ".join(filter(None, (rules.printer, rules.material))) if rules else ""
    return known or name or _file(path)


def _assumed(
    part: PartReport, rules: Rules | None, facts: Sequence[str]
) -> Iterator[tuple[str, str]]:
    if rules is not None:
        if rules.printer:
            yield "Printer", rules.printer
        if rules.material:
            yield "Material", rules.material
        yield "Process", f"{rules.category}, layers of {rules.layer_height:g} mm"
        if said := origin(rules):
            yield "Known from", said
    yield "Limits", ", ".join(filter(None, (part.rules_name, part.rules)))
    if part.basis:
        yield "How walls come out", _BASIS[part.basis]
    if part.mesh is not None:
        size = " x ".join(f"{side:.1f}" for side in part.mesh.extents)
        unit = f", drawn in {part.mesh.unit}" if part.mesh.unit not in ("", "mm") else ""
        yield "Size of your file", f"{size} mm{unit}. If that is not its size, its unit is wrong."
    for fact in facts:
        yield "Besides", one_line(fact)


def _item(part: PartReport, group: Group, setting: Setting) -> Item:
    finding = group.first
    means = _MEANS["uncertain"] if finding.indeterminate else _MEANS.get(finding.fill or "", "")
    more = len(group.findings) - 1
    picture, signs = _picture(part, finding, setting)
    return Item(
        title=_title(finding),
        said=_sentence(finding.message),
        means=means if finding.subject and finding.subject.kind == "wall" else "",
        instead=_advice(_UNIT if finding.check == _UNIT_CHECK else finding.advice),
        where=_where(finding),
        more=f"The same in {counted(more, 'other place')}." if more else "",
        picture=picture,
        signs=signs,
    )


def _title(finding: Finding) -> str:
    names = {"": "The part as a whole", "cavity": "A hollow inside"}
    names |= {"raised": "A raised detail", "sunken": "A sunken detail"}
    kind = finding.subject.kind if finding.subject else ""
    article = "An" if kind[:1] in ("a", "e", "i", "o", "u") else "A"
    return names.get(kind, f"{article} {kind}")


def _sentence(message: str) -> str:
    return f"{capital(_plain(_PLACE.sub('', one_line(message))))}."


def _plain(text: str) -> str:
    for sign, words in _WORDS:
        text = text.replace(sign, words)
    return _RANGE.sub(r"\1 to \2", text)


def _advice(advice: str) -> str:
    said = _plain(one_line(advice))
    return f"{capital(said)}." if said else ""


def _where(finding: Finding) -> str:
    if finding.location is None:
        return ""
    return _spot(finding.location)


def _spot(place: tuple[float, float, float]) -> str:
    # A sum with 0.0 is no "-0.0".
    return ", ".join(
        f"{axis} {round(at, 1) + 0.0:.1f}" for axis, at in zip("xyz", place, strict=True)
    )


def _picture(
    part: PartReport, finding: Finding, setting: Setting
) -> tuple[str, tuple[tuple[str, str], ...]]:
    """Markup of the picture of a finding, and what its signs mean; empty where there is none."""
    if drawn := setting.drawn.get(finding.id):
        return _image(drawn), ()
    views = part.views.pictures if part.views else ()
    view = next((view for view in views if view.finding == finding.id), None)
    return _shown(view or setting.views.get((part.path, finding.id)))


def _shown(view: View | None) -> tuple[str, tuple[tuple[str, str], ...]]:
    if view is None:
        return "", ()
    from wallguard.drawings import finding as drawing
    from wallguard.drawings.svg import element

    samples = [
        (
            element("svg", drawing.swatch(key), viewBox="-0.5 -0.5 8 5", class_="swatch"),
            words,
        )
        for key, words in drawing.legend(view)
    ]
    return drawing.section(view) + drawing.overview(view), tuple(samples)


def _image(svg: str) -> str:
    """A picture that stands by itself, as an element: its styles and names stay its own."""
    return f'<img alt="" src="data:image/svg+xml;base64,{encoded(svg)}">'


def _counts(part: PartImpact) -> bool:
    return bool(part.error) or part.direction == "worse"


def _changed(impact: Impact, part: PartImpact, setting: Setting) -> Section:
    rules = setting.rules.get(part.rules or impact.after.rules)
    worse = alike_changes(change for change in part.changes if change.direction == "worse")
    must = [_change(part, same, setting) for same in worse]
    alone = PartReport(part.path, impact.after.rules, "", "passed", None, (), (), ())
    must += [_item(alone, group, setting) for group in groups(part.appeared)]
    if part.error:
        verdict = f"Could not be compared: {_why(part.path, part.error)}"
    else:
        verdict = f"{counted(len(must), 'place comes', 'places come')} out worse"
    assumed = [
        ("Printer as it was", f"{impact.before.name} ({impact.before.rules})"),
        ("Printer as it would be", f"{impact.after.name} ({impact.after.rules})"),
    ]
    if rules is not None and (said := origin(rules)):
        assumed.append(("Known from", said))
    return Section(
        _file(part.path),
        _printer(rules, impact.after.name, impact.after.rules),
        verdict,
        False,
        must,
        [],
        [one_line(note) for note in part.notes],
        assumed,
    )


def _change(part: PartImpact, same: Sequence[Change], setting: Setting) -> Item:
    change, more = same[0], len(same) - 1
    picture, signs = _shown(setting.views.get((part.path, str(change.location))))
    return Item(
        title="A wall",
        said=_sentence(change.message),
        means=_MEANS.get(change.after.verdict, ""),
        instead=_advice(change.advice),
        where=_spot(change.location),
        more=f"The same in {counted(more, 'other place')}." if more else "",
        picture=picture,
        signs=signs,
    )
