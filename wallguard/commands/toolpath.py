"""`wallguard toolpath`: what a program really lays, against the part and against the rule file."""

from __future__ import annotations

import argparse
import math
import shutil
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from wallguard import __version__
from wallguard.bands.declared import band_table
from wallguard.base.errors import InputError
from wallguard.commands import publish
from wallguard.commands.arguments import Commands, command, length
from wallguard.commands.publish import Outputs
from wallguard.findings.model import CheckRun, PartReport, Report
from wallguard.findings.naming import named
from wallguard.jobs.check import check_status, failed, mesh_info, status_of
from wallguard.repository.nearest import lies
from wallguard.rules.load import load_rules
from wallguard.rules.model import Rules

if TYPE_CHECKING:
    from wallguard.checks.case import Case, Draft
    from wallguard.jobs.verify import Verified
    from wallguard.part.geometry import Geometry
    from wallguard.toolpath.against import Against

FILAMENT = 1.75


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "toolpath",
        "wallguard toolpath bracket.gcode --part bracket.stl --rules rules/petg.yaml",
        _command,
    )
    parser.add_argument(
        "files", nargs="+", type=Path, metavar="FILE", help="programs (RS-274, plain or gzip)"
    )
    parser.add_argument(
        "--part", type=Path, required=True, metavar="PART", help="the part they make"
    )
    parser.add_argument(
        "--rules",
        type=Path,
        metavar="FILE",
        help="compare with what these rules say, and use their levels and tolerance",
    )
    parser.add_argument(
        "--against",
        type=Path,
        metavar="OTHER",
        help="the program as it was before: tell only what changes, and fail if a wall gets worse",
    )
    parser.add_argument(
        "--place",
        type=place,
        default=None,
        metavar="auto|X,Y",
        help="near which place of the plate the middle of the part's box lies (default: search)",
    )
    parser.add_argument(
        "--filament",
        type=length,
        metavar="MM",
        help="its diameter (default: as the rules say, else 1.75 mm)",
    )
    parser.add_argument(
        "--flow",
        type=length,
        metavar="FACTOR",
        help="between filament fed and material laid (default: as the rules say, else 1)",
    )
    publish.declare(parser, "toolpath")
    parser.add_argument(
        "--pictures", type=Path, metavar="FOLDER", help="write a picture of each finding (SVG)"
    )


def place(text: str) -> tuple[float, float] | None:
    """`auto`, or a place on the plate."""
    if text == "auto":
        return None
    try:
        x, y = map(float, text.split(","))
    except ValueError:
        x = y = math.nan
    if not (abs(x) < 1e5 and abs(y) < 1e5):
        raise argparse.ArgumentTypeError(f"{text!r} is neither auto nor a place such as 110,90")
    return x, y


def _command(arguments: argparse.Namespace) -> int:
    return run(
        arguments.files,
        part=arguments.part,
        rules=arguments.rules,
        against=arguments.against,
        place=arguments.place,
        filament=arguments.filament,
        flow=arguments.flow,
        outputs=publish.outputs(arguments, "toolpath"),
        pictures=arguments.pictures,
    )


def run(
    files: Sequence[Path],
    *,
    part: Path,
    rules: Path | None = None,
    against: Path | None = None,
    place: tuple[float, float] | None = None,
    filament: float | None = None,
    flow: float | None = None,
    outputs: Outputs | None = None,
    pictures: Path | None = None,
) -> int:
    """Verify programs against the part they make; returns the exit code: 0 all walls come out, 1
    some fail (with `against`: some get worse), 2 a program could not be used.

    against   another program of the same part: how it was before; only what changes is told
    place     near which place of the plate (mm) the middle of the part's box lies; None: search
    filament  diameter in mm, flow: factor between what is fed and what is laid; None: as the rules
              say, else 1.75 and 1
    pictures  a folder for one SVG for each finding that has a place

    Raises InputError where the part or the rules cannot be used, where files are named that do not
    go together, or where a report cannot be written.
    """
    from wallguard.checks.case import Case
    from wallguard.jobs.verify import verify
    from wallguard.part.part import Part

    started = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S")
    begun = time.perf_counter()
    outputs = outputs or Outputs()
    if not files:
        raise InputError("toolpath", "no program is named", remedy="Name one or more")
    if against is not None and (len(files) != 1 or pictures):
        raise InputError(
            against,
            "two toolpaths are compared with each other, without pictures",
            remedy="Name one toolpath besides --against, without --pictures",
        )
    publish.ready(outputs, "against" if against is not None else "toolpath")
    loaded = load_rules(rules) if rules else None
    if loaded is not None and loaded.category != "material extrusion":
        raise InputError(
            loaded.path,
            f"these rules are for {loaded.category}, which lays no beads",
            remedy="Name rules for material extrusion",
        )
    how = lies(part, *([rules] if rules else []))
    geometry = Part.load(part, how).geometry
    case = Case(geometry, loaded, band_table(loaded)) if loaded else None
    with _Progress() as progress:
        work = partial(
            verify,
            geometry=geometry,
            part=str(part),
            filament=filament or (loaded and loaded.filament) or FILAMENT,
            flow=flow or (loaded and loaded.flow) or 1.0,
            at=place,
            largest=case.largest if case else 4.0,
            splits=case.splits if case else (),
            step=progress.step,
        )
        if against is not None:
            compared = _against(work, files[0], against, part, geometry, loaded, started)
            publish.publish("against", compared, outputs)
            return compared.exit_code
        parts, drawn = [], []
        for file in files:
            one = _report(work, file, part, rules, geometry, case)
            parts.append(one[0])
            drawn += one[1] if pictures else []
    report = Report(
        parts=tuple(parts),
        version=__version__,
        started=started,
        seconds=time.perf_counter() - begun,
        about="toolpaths",
    )
    publish.publish("toolpath", report, outputs)
    if pictures is not None:
        _folder(pictures)
        publish.write_all((pictures / name, text) for name, text in drawn)
    return report.exit_code


def _report(
    work: partial[Verified],
    file: Path,
    part: Path,
    rules: Path | None,
    geometry: Geometry,
    case: Case | None,
) -> tuple[PartReport, list[tuple[Path, str]]]:
    from wallguard.drawings.laid import picture
    from wallguard.toolpath import verdict

    begun = time.perf_counter()
    told = f"{file}, {rules}" if rules else str(file)
    name = case.rules.name if case else ""
    try:
        verified = work(file)
    except (InputError, MemoryError) as error:
        message = str(error) or f"{file}: there is not enough memory for it"
        return failed(str(part), told, name, message), []
    copies = verdict.Copies(verified.places)
    fills = [*verdict.fill_drafts(geometry, verified.walls, copies, case)]
    differs = [*verdict.rule_drafts(geometry, verified.walls, case)] if case else []
    odd = [*verdict.bead_drafts(verified.laid)]
    drafts = [draft for draft, _ in (*fills, *differs)] + odd
    findings = named([draft.finding() for draft in drafts], told)
    report = PartReport(
        path=str(part),
        rules=told,
        rules_name=name,
        status=status_of(findings),
        mesh=mesh_info(geometry),
        checks=_runs(verified, [d for d, _ in fills], [d for d, _ in differs], odd, case),
        walls=verdict.report_walls(geometry, verified.walls),
        findings=tuple(findings),
        facts=(_placed(verified),),
        seconds=time.perf_counter() - begun,
    )
    shown = verdict.with_walls([*fills, *differs], findings)
    pictures = [
        (Path(f"{_stem(file)}-{finding.id}.svg"), picture(verified, geometry, wall, finding, told))
        for finding in findings
        if (wall := shown.get(finding.id)) is not None
    ]
    return report, pictures


def _stem(file: Path) -> str:
    return "".join(char if char.isalnum() and char.isascii() else "-" for char in file.name)


def _placed(verified: Verified) -> str:
    placed = "; ".join(place.words() for place in verified.places)
    copies = f"{len(verified.places)} copies: " if len(verified.places) > 1 else ""
    return copies + placed


def _runs(
    verified: Verified,
    fills: Sequence[Draft],
    differs: Sequence[Draft],
    odd: Sequence[Draft],
    case: Case | None,
) -> tuple[CheckRun, ...]:
    from wallguard.toolpath import verdict

    empty = sum(level.layer < 0 for one in verified.comparisons for level in one.levels)
    note = f"in {empty} layers nothing is laid" if empty else ""
    return (
        CheckRun("toolpath_reading", "passed", "; ".join(verified.notes)),
        CheckRun("toolpath_placing", "passed"),
        CheckRun(verdict.BEADS, check_status(odd)),
        CheckRun(verdict.FILL, check_status(fills), note),
        CheckRun(verdict.RULES, check_status(differs))
        if case
        else CheckRun(verdict.RULES, "skipped", "no rules were named"),
    )


def _against(
    work: partial[Verified],
    file: Path,
    other: Path,
    part: Path,
    geometry: Geometry,
    rules: Rules | None,
    started: str,
) -> Against:
    from wallguard.toolpath import against

    before, after = work(other), work(file)
    first, second = (one.comparisons[0].walls for one in (before, after))
    tolerance = (rules.tolerance,) if rules else ()
    return against.Against(
        part=str(part),
        before=against.side(str(other), before.laid, len(before.places)),
        after=against.side(str(file), after.laid, len(after.places)),
        pairs=against.pairs(geometry, first, second, *tolerance),
        notes=tuple(dict.fromkeys((*before.notes, *after.notes))),
        version=__version__,
        started=started,
    )


def _folder(path: Path) -> None:
    try:
        path.mkdir(exist_ok=True)
    except OSError as error:
        raise InputError(
            path, f"cannot be made: {error.strerror}", remedy="Name another folder"
        ) from None


class _Progress:
    """What is being done and how far it is, on a terminal; else a line every ten seconds."""

    def __init__(self) -> None:
        self.stream = sys.stderr
        self.terminal = self.stream.isatty()
        self.last = time.monotonic()

    def __enter__(self) -> _Progress:
        return self

    def step(self, what: str, share: float) -> None:
        now = time.monotonic()
        said = f"{what} {share:.0%}" if share > 0 else what
        if self.terminal and (now - self.last > 0.1 or share == 0):
            self.last = now
            room = shutil.get_terminal_size().columns - 1
            self.stream.write(f"\r{said[:room]}\x1b[K")
            self.stream.flush()
        elif not self.terminal and now - self.last > 10:
            self.last = now
            print(said, file=self.stream, flush=True)

    def __exit__(self, *_: object) -> None:
        if self.terminal:
            self.stream.write("\r\x1b[K")
            self.stream.flush()
