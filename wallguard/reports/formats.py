"""All report formats in one table: a format is a module and a row here.

The module has one function for each kind of result that the row says it can show, by name:
`show_report` (of `check` and `toolpath`), `show_impact`, `show_against`, `show_rehearsal`. Each
takes the result and a `Setting` and returns the text of the file, whole or in pieces where it grows
with every part, or for a folder its files.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from wallguard.base import cautions
from wallguard.drawings.kinds import PLACE, pattern

if TYPE_CHECKING:
    from wallguard.rules.model import Rules
    from wallguard.views.model import View

# What a command has to show; `against`: two toolpaths.
Kind = Literal["check", "toolpath", "impact", "against", "rehearsal"]
Text: TypeAlias = str | Iterable[str]
Files: TypeAlias = Iterable[tuple[Path, str | bytes]]

_SHOWS: Mapping[Kind, str] = {
    "check": "show_report",
    "toolpath": "show_report",
    "impact": "show_impact",
    "against": "show_against",
    "rehearsal": "show_rehearsal",
}


@dataclass(frozen=True)
class Setting:
    """Where a report goes and what stands beside it.

    path      of the file or folder
    folder    where the report's paths begin, seen from the top of the git repository
    pictures  the folder of the pictures that are written too; None: there are none
    rules     the rule files that were used, None where one could not be
    drawn     pictures (SVG) that are no views: of findings of toolpaths, by their ids
    views     what can be shown of an impact, by part and the place of a wall or the id of a finding
    """

    path: Path
    folder: str = ""
    pictures: Path | None = None
    rules: Mapping[str, Rules | None] = field(default_factory=dict)
    drawn: Mapping[str, str] = field(default_factory=dict)
    views: Mapping[tuple[str, str], View] = field(default_factory=dict)


@dataclass(frozen=True)
class Format:
    """One format.

    option   on the command line, without its hyphens
    module   in `wallguard.reports`
    meaning  for the help
    kinds    of results that it can show
    goes     to a `file`, into a `folder` or to the `terminal`
    mark     a regular expression that matches, from the beginning, a report that wallguard wrote
    instead  the option that it stands in for with `--for` and its own; empty: it has an option
    """

    option: str
    module: str
    meaning: str
    kinds: tuple[Kind, ...]
    goes: Literal["file", "folder", "terminal"] = "file"
    mark: str = ""
    instead: str = ""

    def wrote(self, content: str) -> bool:
        """Whether a file's content is an earlier report of this format, or nothing."""
        content = content.strip()
        return content in _NOTHING or re.match(self.mark, content, re.DOTALL) is not None

    @property
    def name(self) -> str:
        """The option as a name in Python."""
        return self.option.replace("-", "_")

    def show(self, kind: Kind, result: Any, setting: Setting) -> Any:
        """The `Text` of a file, or the `Files` of a folder."""
        function: Callable[[Any, Setting], Any] = getattr(
            import_module(f"wallguard.reports.{self.module}"), _SHOWS[kind]
        )
        return function(result, setting)


_ALL: tuple[Kind, ...] = ("check", "toolpath", "impact", "against", "rehearsal")
_REPORTS: tuple[Kind, ...] = ("check", "toolpath")
_CAUTION = f"({re.escape(cautions.PARTS)}|{re.escape(cautions.TOOLPATHS)})"
# What reports without parts are, and files that were made to be written to.
_NOTHING = ("", "[]", '<?xml version="1.0" encoding="UTF-8"?>\n<testsuites />')
FORMATS = (
    Format(
        "junit",
        "junit",
        "write JUnit XML",
        (*_REPORTS, "impact", "rehearsal"),
        mark=r'<\?xml.*name="wallguard"',
    ),
    Format("markdown", "markdown", "write a Markdown summary", _ALL, mark=rf"[^<{{\[].*{_CAUTION}"),
    Format(
        "json", "json_report", "write all of it as JSON", _ALL, mark=r'\{\s*"schema": "wallguard-'
    ),
    Format(
        "sarif",
        "sarif",
        "write SARIF, for code-scanning services",
        _REPORTS,
        mark=r'\{\s*"\$schema".*"name": "wallguard"',
    ),
    Format(
        "code-quality",
        "code_quality",
        "write code-quality JSON, for merges",
        _REPORTS,
        mark=r'\[\n \{\n  "description": ',  # no name of ours is in it, but how it is laid out
    ),
    Format(
        "annotations",
        "annotations",
        "also print workflow commands, which CI services show beside the files",
        _REPORTS,
        goes="terminal",
    ),
    Format(
        "html",
        "html",
        "write one page for a browser, of a check with a 3D view of each part",
        ("check", "impact", "rehearsal"),
        mark=r"<!DOCTYPE html>.*<title>[^<]* - wallguard</title>",
    ),
    Format(
        "customer",
        "customer",
        "with --for customer: one page without jargon, for who drew the part",
        ("check", "toolpath", "impact"),
        mark=r"<!DOCTYPE html>.*<title>[^<]* - wallguard</title>",
        instead="html",
    ),
    Format(
        "pictures",
        "pictures",
        "write the section around each finding, as SVG and PNG",
        ("check",),
        goes="folder",
        mark=pattern(PLACE),
    ),
)


def of_kind(kind: Kind) -> tuple[Format, ...]:
    """The formats that can show results of this kind."""
    return tuple(form for form in FORMATS if kind in form.kinds)


def terminal(kind: Kind, brief: bool = False) -> Callable[..., str]:
    """What shows a result on a terminal: `(result, width=, colour=)`; of a check also in brief."""
    module, name = {
        "check": ("console", "brief" if brief else "text"),
        "toolpath": ("console", "text"),
        "impact": ("impact_console", "text"),
        "against": ("against", "text"),
        "rehearsal": ("rehearsal_console", "text"),
    }[kind]
    function: Callable[..., str] = getattr(import_module(f"wallguard.reports.{module}"), name)
    return function
