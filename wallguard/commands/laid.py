"""What judging toolpaths of one part, and plates of several, share: how far it is, pictures, and
the report."""

from __future__ import annotations

import shutil
import sys
import time
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

from wallguard import __version__
from wallguard.base.text import mm
from wallguard.commands import publish
from wallguard.commands.replacing import refuse_foreign
from wallguard.drawings import kinds
from wallguard.findings.model import Report
from wallguard.reports.formats import Setting

if TYPE_CHECKING:
    from wallguard.commands.publish import Outputs
    from wallguard.jobs.toolpath import Compared, Judged, Task
    from wallguard.rules.model import Rules

# Changes that get a picture, of before and of after.
_PICTURES = 100


class Drawing(NamedTuple):
    """A picture (SVG), the name of its file, and the id of the finding that it shows, if any."""

    name: Path
    text: str
    finding: str = ""


Drawn: TypeAlias = list[Drawing]


@dataclass(frozen=True)
class Begun:
    """When a run began: the day and time, and for how long it runs."""

    started: str = field(default_factory=lambda: datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S"))
    clock: float = field(default_factory=time.perf_counter)


def published(
    begun: Begun,
    report: Report,
    rules: Rules | None,
    drawn: Drawn,
    folder: Path | None,
    outputs: Outputs,
) -> int:
    """Report on toolpaths, with pictures, which go into `folder`, too; returns the exit code.

    Raises InputError where a file cannot be written.
    """
    report = replace(
        report,
        version=__version__,
        started=begun.started,
        seconds=time.perf_counter() - begun.clock,
        about="toolpaths",
    )
    known = {rules.path: rules} if rules else {}
    by_finding = {each.finding: each.text for each in drawn if each.finding}
    setting = Setting(Path(), rules=known, drawn=by_finding)
    publish.publish("toolpath", report, outputs, setting)
    draw(folder, drawn)
    return report.exit_code


def draw(folder: Path | None, drawn: Drawn) -> None:
    """Write pictures into a folder; nothing where there is none."""
    if folder is not None:
        ours = partial(kinds.is_drawn, kinds.TOOLPATH)
        publish.write_all(
            ((folder / each.name, each.text) for each in drawn),
            partial(refuse_foreign, option="--pictures", wrote=ours),
        )


def drawn_of(judged: Judged, task: Task, plain: bool = False) -> Drawn:
    """A picture of the plate, and one of each finding about a wall; `plain`: without the names of
    checks."""
    from wallguard.drawings.laid import overview, picture
    from wallguard.jobs.laid_views import layer_view, plate_view

    verified, rules = judged.verified, judged.report.rules
    if verified is None:
        return []
    geometry, stem = task.part.geometry, _stem(Path(verified.path))
    pictures = [
        Drawing(
            Path(f"{stem}-{finding.id}.svg"),
            picture(
                layer_view(verified, geometry, wall),
                wall,
                finding.message,
                "" if plain else f"{finding.severity} · {finding.check} · {rules}",
            ),
            finding.id,
        )
        for finding, wall in judged.walls
    ]
    plate = overview(plate_view(verified, geometry), judged.walls, rules)
    return [Drawing(Path(f"{stem}-plate.svg"), plate), *pictures]


def changes_drawn(compared: Compared, task: Task) -> Drawn:
    """Pictures of what changes: before and after."""
    from wallguard.drawings.laid import picture
    from wallguard.jobs.laid_views import layer_view

    shown = [change for change in compared.changes if change.pair.worse or change.pair.changed]
    pictures = []
    for number, change in enumerate(shown[:_PICTURES], 1):
        pair = change.pair
        said = f"{pair.before} before, {pair.after} now: wall {mm(pair.thickness)} mm thick"
        for name, verified, wall in (
            ("before", compared.before, change.shown_before),
            ("after", compared.after, change.shown_after),
        ):
            about = f"{name} · {verified.path}"
            view = layer_view(verified, task.part.geometry, wall)
            drawn = picture(view, wall, said, about)
            pictures.append(Drawing(Path(f"change-{number:03}-{name}.svg"), drawn))
    return pictures


def _stem(file: Path) -> str:
    return "".join(char if char.isalnum() and char.isascii() else "-" for char in file.name)


class Progress:
    """What is being done and how far it is, on a terminal; else a line every ten seconds."""

    def __init__(self) -> None:
        self.stream = sys.stderr
        self.terminal = self.stream.isatty()
        self.last = time.monotonic()

    def __enter__(self) -> Progress:
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
