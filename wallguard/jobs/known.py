"""What was found out before: reports by what they follow from, and measures apart from them.

A report follows from the bytes of the part, how it lies, what its rules ask, and the program: all
of these are in its key, and nothing else is, so that a part that was moved, a base revision and a
clone of the repository have the same. What was measured follows from the bytes and how it lies
alone: where only rules changed, parts are judged anew and not cut.

    bytes of the part, how it lies, program  ->  measures  (`part.memory`)
    the same, what the rules ask             ->  report

Errors are not kept: they may be of the machine, and cost little.
"""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from wallguard.findings.model import (
    Basis,
    Body,
    CheckRun,
    Finding,
    MeshInfo,
    PartReport,
    Status,
    Wall,
    check_run,
)
from wallguard.store.stamp import stamp
from wallguard.store.store import Store, key_of

if TYPE_CHECKING:
    from wallguard.repository.entry import Assignment
    from wallguard.rules.model import Rules


class KnownPart:
    """What is known of one part, from its bytes and the suffix that says how to read them."""

    def __init__(self, store: Store, data: bytes, suffix: str) -> None:
        self._store = store
        digest = hashlib.blake2b(data, digest_size=32).digest()
        self._part = key_of(stamp(), digest, suffix.lower())

    def memory(self, pose: str) -> Drawer:
        """Where what is measured on the part is kept, as it lies some way."""
        return Drawer(self._store, key_of(self._part, "measures", pose))

    def report(self, assignment: Assignment, rules: Rules) -> PartReport | None:
        """The report on it that was made before, under no name."""
        import msgspec

        content = self._store.get(self._key(assignment, rules))
        if content is None:
            return None
        with suppress(msgspec.MsgspecError, ValueError, TypeError):
            return _report(_decode(content), rules)
        return None

    def keep(self, assignment: Assignment, rules: Rules, report: PartReport) -> None:
        """Keep a report, where nothing of it is lost by that."""
        import msgspec

        if report.status == "error" or report.views is not None:
            return
        with suppress(msgspec.MsgspecError, TypeError, UnicodeError):
            content = msgspec.msgpack.encode(_Stored.of(report))
            again = _report(_decode(content), rules)
            if msgspec.msgpack.encode(_Stored.of(again)) == content:
                self._store.put(self._key(assignment, rules), content)

    def _key(self, assignment: Assignment, rules: Rules) -> str:
        # The path of the rules stays in it, since findings are called after it.
        how = repr((assignment.unit, assignment.rotation, assignment.scale, assignment.chord))
        return key_of(self._part, "report", how, repr(rules.asking()))


@dataclass(frozen=True)
class Drawer:
    """Part of a store: a `part.memory.Memory`."""

    store: Store
    key: str

    def recall(self, name: str) -> bytes | None:
        """What was kept under this name; None: nothing."""
        return self.store.get(key_of(self.key, name))

    def keep(self, name: str, content: bytes) -> None:
        """Keep something under a name."""
        self.store.put(key_of(self.key, name), content)


@dataclass(frozen=True)
class _Stored:
    """What is kept of a report.

    whole  which sizes are whole numbers, though the format wants a fraction: finding, breach, and
           whether it is the limit
    """

    status: Status
    mesh: MeshInfo | None
    checks: tuple[CheckRun, ...]
    walls: tuple[Wall, ...]
    findings: tuple[Finding, ...]
    bodies: tuple[Body, ...]
    basis: Basis
    whole: tuple[tuple[int, int, bool], ...]

    @classmethod
    def of(cls, report: PartReport) -> _Stored:
        """What is kept of this report."""
        return cls(
            report.status,
            report.mesh,
            report.checks,
            report.walls,
            report.findings,
            report.bodies,
            report.basis,
            _whole(report.findings),
        )


@functools.cache
def _decoder() -> object:
    import msgspec

    return msgspec.msgpack.Decoder(_Stored)


def _decode(content: bytes) -> _Stored:
    stored: _Stored = _decoder().decode(content)  # type: ignore[attr-defined]
    return stored


def _whole(findings: Sequence[Finding]) -> tuple[tuple[int, int, bool], ...]:
    return tuple(
        (number, at, limit)
        for number, finding in enumerate(findings)
        for at, breach in enumerate(finding.breaches)
        for limit, value in ((False, breach.measured), (True, breach.limit))
        if isinstance(value, int)
    )


def _report(stored: _Stored, rules: Rules) -> PartReport:
    """The report that was kept. Raises ValueError where it makes no sense."""
    findings = list(stored.findings)
    for number, at, limit in stored.whole:
        if not (number < len(findings) and at < len(findings[number].breaches)):
            raise ValueError("there is no such breach")
        breaches = list(findings[number].breaches)
        name = "limit" if limit else "measured"
        value = getattr(breaches[at], name)
        if value is None:
            raise ValueError("there is no such size")
        whole: Any = {name: int(value)}
        breaches[at] = replace(breaches[at], **whole)
        findings[number] = replace(findings[number], breaches=tuple(breaches))
    return PartReport(
        path="",
        rules=rules.path,
        rules_name=rules.name,
        status=stored.status,
        mesh=stored.mesh,
        checks=tuple(check_run(run.name, run.status, run.note) for run in stored.checks),
        walls=stored.walls,
        findings=tuple(findings),
        bodies=stored.bodies,
        basis=stored.basis,
    )
