"""What a test asks of a part: the `walls` fixture."""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

import pytest

if TYPE_CHECKING:
    from wallguard.base.units import Unit
    from wallguard.findings.model import PartReport
    from wallguard.jobs.measures import Measures
    from wallguard.part.part import Part
    from wallguard.rules.model import Rules

Answer = TypeVar("Answer")
RuleFile: TypeAlias = "str | os.PathLike[str] | Rules"


class WallsWarning(UserWarning):
    """What a rule file warns of in a part that passes."""


@dataclass(frozen=True)
class Setting:
    """What is known of a test.

    name      the test's own, which a part is called by that has no other
    folders   where a rule file that is named by a path is looked for, one after the other
    rules     the rule files of its marker; empty: it has none
    pictures  where pictures of findings go; None: nowhere
    record    takes a property of the test, for JUnit XML; None: none is wanted
    """

    name: str
    folders: tuple[Path, ...]
    rules: tuple[str, ...] = ()
    pictures: Path | None = None
    record: Callable[[str, object], None] | None = None


class Walls:
    """Walls, gaps, holes and pins of parts, and rule files to hold them against.

    A part is whatever gives triangles: the path of a mesh, a trimesh mesh, a manifold3d solid, a
    build123d or CadQuery shape, arrays of vertices and faces. `up`, `scale` and `unit` say how it
    is printed, as `wallguard.load_part` and `wallguard.part_from` take them.
    """

    def __init__(self, setting: Setting) -> None:
        self._setting = setting
        self._checked = 0

    def check(
        self,
        part: Any,
        rules: RuleFile | Sequence[RuleFile] | None = None,
        *,
        name: str | None = None,
        up: str | Sequence[float] | None = None,
        scale: float | None = None,
        unit: Unit | None = None,
    ) -> tuple[PartReport, ...]:
        """Fail the test where the part breaks a limit of a rule file, with what, where, how much
        and what to draw instead; what the rules only warn of is a `WallsWarning`.

        rules  a rule file, or several; None: those of the test's marker `wallguard`, else those
               that the part's `wallguard.yaml` names. A path is looked for beside the test, and in
               each folder above it up to pytest's rootdir
        name   what the part is called; None: as its file, else as the test

        Returns a report for each rule file. What is waived in the repository fails here: a test
        says what its designer wants.
        """
        __tracebackhide__ = True
        self._checked += 1
        poses = (up, scale, unit)
        reports = _asked(lambda: list(self._reports(part, rules, name, poses)))
        failed = [report for report in reports if report.status == "failed"]
        if failed:
            pytest.fail("\n".join(self._failure(report) for report in failed))
        for report in reports:
            said = _warns(report)
            if said:
                warnings.warn(said, WallsWarning, stacklevel=2)
        return tuple(reports)

    def of(
        self,
        part: Any,
        rules: RuleFile | None = None,
        *,
        name: str | None = None,
        up: str | Sequence[float] | None = None,
        scale: float | None = None,
        unit: Unit | None = None,
    ) -> Measures:
        """What a part measures: `walls.of(part).thinnest`, `.narrowest` (gap), `.smallest_hole`,
        `.smallest_pin` in mm to two decimals, and `.walls`, `.gaps`, `.holes`, `.pins` with places.

        rules  whose layers it is cut in; None: layers of 0.2 mm
        """
        __tracebackhide__ = True

        def measured() -> Measures:
            from wallguard.api import measure

            loaded = self._rules(rules) if rules is not None else None
            return measure(self._part(part, loaded, self._name(name), (up, scale, unit)), loaded)

        return _asked(measured)

    def thickness(self, part: Any, rules: RuleFile | None = None) -> float:
        """The thinnest wall, mm; infinite where there is none."""
        __tracebackhide__ = True
        return _asked(lambda: self.of(part, rules).thinnest)

    def gap(self, part: Any, rules: RuleFile | None = None) -> float:
        """The narrowest gap, mm; infinite where there is none."""
        __tracebackhide__ = True
        return _asked(lambda: self.of(part, rules).narrowest)

    def hole(self, part: Any, rules: RuleFile | None = None) -> float:
        """The least diameter of a round hole, mm; infinite where there is none."""
        __tracebackhide__ = True
        return _asked(lambda: self.of(part, rules).smallest_hole)

    def pin(self, part: Any, rules: RuleFile | None = None) -> float:
        """The least diameter of a round pin, mm; infinite where there is none."""
        __tracebackhide__ = True
        return _asked(lambda: self.of(part, rules).smallest_pin)

    def _name(self, name: str | None) -> str:
        if name is not None:
            return name
        # Pictures are called after parts: two of one test are told apart.
        return self._setting.name + (f" ({self._checked})" if self._checked > 1 else "")

    def _part(self, thing: Any, rules: Rules | None, name: str, poses: tuple[Any, ...]) -> Part:
        from wallguard.api import load_part, part_from
        from wallguard.base.errors import InputError
        from wallguard.part.part import Part

        up, scale, unit = poses
        if isinstance(thing, Part):
            if poses != (None, None, None):
                what = "this part is loaded already, and lies as it was loaded"
                raise InputError(name, what, remedy="Say `up`, `scale` and `unit` there")
            return thing
        if isinstance(thing, str | os.PathLike):
            path = self._found(Path(os.fspath(thing)))
            return load_part(path, rules=rules, up=up, scale=scale, unit=unit)
        said = {"scale": scale} if scale is not None else {}
        return part_from(thing, name, up=up, unit=unit or "mm", **said)

    def _reports(
        self, thing: Any, rules: Any, given: str | None, poses: tuple[Any, ...]
    ) -> Iterator[PartReport]:
        from wallguard.jobs.check import report_on

        name = self._name(given)
        of_file = given is None and isinstance(thing, str | os.PathLike)
        views = "pictures" if self._setting.pictures else None
        for loaded in self._chosen(thing, rules, name):
            part = self._part(thing, loaded, name, poses)
            shown = part.path if of_file else name
            report = report_on(part.geometry, loaded, shown, views)  # type: ignore[arg-type]
            self._recorded(report)
            yield report

    def _chosen(self, thing: Any, rules: Any, name: str) -> list[Rules]:
        """The rules to check against. Raises InputError where there are none."""
        from wallguard.base.errors import InputError
        from wallguard.rules.model import Rules

        if isinstance(rules, str | os.PathLike | Rules):
            rules = [rules]
        asked = list(rules or self._setting.rules)
        if not asked and isinstance(thing, str | os.PathLike):
            asked = self._assigned(self._found(Path(os.fspath(thing))))
        if not asked:
            what = "no rule file is named that it could be held against"
            remedy = "Name one: walls.check(part, rules=...), or @pytest.mark.wallguard(...)"
            raise InputError(name, what, remedy=remedy)
        return [self._rules(each) for each in asked]

    def _assigned(self, path: Path) -> list[Path]:
        from wallguard.repository.changes import find_root, relative
        from wallguard.repository.nearest import Repositories

        root = find_root(path.parent)
        inner = relative(path, root)
        said = Repositories(root).assignments(inner) if inner else []
        return [root / assignment.rules for assignment in said]

    def _rules(self, rules: RuleFile) -> Rules:
        from wallguard.api import load_rules
        from wallguard.rules.model import Rules

        return rules if isinstance(rules, Rules) else load_rules(self._found(Path(rules)))

    def _found(self, path: Path) -> Path:
        """A file by its path, as seen from where the test runs; as it is where it is nowhere."""
        there = (folder / path for folder in self._setting.folders)
        found = next((each for each in there if each.exists()), path)
        try:
            return found.relative_to(Path.cwd())
        except ValueError:
            return found

    def _recorded(self, report: PartReport) -> None:
        """What goes into pytest's own JUnit XML."""
        from wallguard.base.plain import one_line
        from wallguard.findings.model import Report
        from wallguard.reports.junit import properties

        record = self._setting.record
        if record is None:
            return
        for key, value in properties(report, Report((report,))):
            if value:
                record(f"wallguard {key}", value)
        record("wallguard result", report.status)
        for finding in report.findings:
            advice = f" -> {finding.advice}" if finding.advice else ""
            record("wallguard finding", one_line(f"{finding.severity}: {finding.message}{advice}"))

    def _failure(self, report: PartReport) -> str:
        from wallguard.base.cautions import PARTS
        from wallguard.findings.model import Report
        from wallguard.reports import console
        from wallguard.reports.first import unmeasured

        fails = [finding for finding in report.findings if finding.severity == "fail"]
        more = f" (and {len(fails) - 1} more)" if len(fails) > 1 else ""
        said = [f"{report.path}: {fails[0].message}{more}", "", console.of_part(report)]
        said += [f"{notice.title}: {report.rules}." for notice in unmeasured(Report((report,)))]
        said += [f"picture: {path}" for path in self._pictured(report)]
        return "\n".join([*said, PARTS])

    def _pictured(self, report: PartReport) -> list[Path]:
        """The pictures of a part's findings, written."""
        from wallguard.base.write import write, write_bytes
        from wallguard.findings.model import Report
        from wallguard.reports.pictures import pictures

        folder = self._setting.pictures
        if folder is None:
            return []
        folder.mkdir(parents=True, exist_ok=True)
        paths = []
        for path, content in pictures(Report((report,)), folder):
            if isinstance(content, str):
                write(path, content)
            else:
                write_bytes(path, content)
            paths.append(path)
        return paths


def _asked(do: Callable[[], Answer]) -> Answer:
    """What is asked for; what cannot be used fails the test in plain words."""
    __tracebackhide__ = True
    from wallguard.base.errors import InputError

    try:
        return do()
    except InputError as error:
        said = str(error)
    pytest.fail(said)


def _warns(report: PartReport) -> str:
    """What a part is warned of, the first of it; empty: nothing."""
    said = [finding for finding in report.findings if finding.severity == "warn"]
    if not said:
        return ""
    more = f" (and {len(said) - 1} more)" if len(said) > 1 else ""
    advice = f"; {said[0].advice}" if said[0].advice else ""
    return f"{report.path} ({report.rules}): {said[0].message}{more}{advice}"
