"""Parts that code makes: which of them a run makes, and how.

Code of a change is code of whoever proposes it. So a part is made only

    where its name stands on the command line          whoever typed it asks for it
    where `run: always` of the very same entry         then the repository asks for it, and not
    stands in the revision that the check is against   the change that is checked

and else left out, with why. What was made is kept by the content of all that it is made from.

Where a part that is made is held against a base, the code of then is run too, as the base has it:
from its `sources` alone, which are laid out in a folder of their own. It was merged already.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from wallguard.base import files
from wallguard.base.errors import InputError
from wallguard.base.formats import MAX_BYTES, PART_SUFFIXES
from wallguard.base.plain import plain
from wallguard.findings.model import LeftOut, Trouble
from wallguard.jobs.calling import ENDS
from wallguard.jobs.check import Task, failed
from wallguard.jobs.choose import answered
from wallguard.repository.entry import MESH

if TYPE_CHECKING:
    from wallguard.jobs.base import Against
    from wallguard.jobs.choose import Asked, Chosen
    from wallguard.jobs.design import Design
    from wallguard.repository.entry import GeneratedEntry
    from wallguard.store.store import Store

# Seconds that one part may take, and how much of what its code says is told: bytes and lines.
SECONDS = 600.0
_SAID, _LINES = 20_000, 30
# So many parts are named where another was meant.
_KNOWN = 5
# All that a part is made from, bytes.
_SOURCES = 64 * 1024**2
# What a name of a variable holds that is nobody's business but the run's own.
_SECRET = re.compile("TOKEN|SECRET|PASSW|CREDENTIAL|PRIVATE|_KEY", re.IGNORECASE)
_CALLS = "wallguard.jobs.calling"


@dataclass(frozen=True)
class Maker:
    """Makes parts.

    root    the top of the run, where the code lies
    into    a folder for what is made
    store   what was made before; None: all is made anew
    """

    root: Path
    into: Path
    store: Store | None = None
    _numbers: count[int] = field(default_factory=count)

    def mesh(self, entry: GeneratedEntry, every: Sequence[str]) -> Path:
        """The file of the part, made or known; `every`: all files of the repository.

        Raises InputError: the code fails, takes too long, or writes no file.
        """
        suffix = _suffix(entry)
        made = self.into / f"{next(self._numbers)}{suffix}"
        key = self._key(entry, every) if self.store else ""
        known = self.store.get(key) if self.store else None
        if known is not None:
            made.write_bytes(known)
            return made
        self._run(entry, made)
        with suppress(OSError):
            if 0 < made.stat().st_size <= MAX_BYTES and not made.is_symlink():
                if self.store:
                    self.store.put(key, made.read_bytes())
                return made
        what, remedy = "its code ended before it gave a part", ""
        if entry.command:
            what = "its code ended well and wrote no mesh"
            remedy = "Let the command write to the name it is given"
        raise InputError(entry.part, what, remedy=remedy)

    def _key(self, entry: GeneratedEntry, every: Sequence[str]) -> str:
        """All that the part follows from: its sources, how it is made, and what is installed."""
        from importlib import metadata

        from wallguard.store.stamp import stamp
        from wallguard.store.store import key_of

        parts: list[str | bytes] = [stamp(), "made", entry.part, *entry.command]
        parts += sorted(f"{each.name} {each.version}" for each in metadata.distributions())
        size = 0
        for path in every:
            if entry.is_from(path):
                fewer = "Name fewer files under `sources` of this part"
                kind, left = "a source", _SOURCES - size
                content = files.read(
                    self.root / path, left, kind=kind, shown=path, root=self.root, smaller=fewer
                )
                size += len(content)
                parts += [path, content]
        return key_of(*parts)

    def _run(self, entry: GeneratedEntry, made: Path) -> None:
        """Run the code. Raises InputError where it fails."""
        folder = self.root / entry.folder
        file = self.root / entry.file
        if not entry.command and not file.is_file():
            what = f"`generated` of wallguard.yaml names {plain(entry.file)}, which is not there"
            raise InputError(entry.part, what, remedy="Correct the name there")
        if entry.command:
            words = [re.sub(MESH, lambda _: str(made), word) for word in entry.command]
            words[0] = sys.executable if words[0] in ("python", "python3") else words[0]
        else:
            words = [sys.executable, "-P", "-m", _CALLS]
            words += [str(folder), str(file), entry.name, str(made)]
        kept = {name: value for name, value in os.environ.items() if not _SECRET.search(name)}
        house = str(Path(__file__).resolve().parents[2])
        # The folder that wallguard runs from, which need not be installed.
        kept["PYTHONPATH"] = os.pathsep.join(filter(None, (kept.get("PYTHONPATH"), house)))
        with tempfile.TemporaryFile() as said:
            problem = _ended(words, folder, kept, said, {} if entry.command else ENDS)
            if problem:
                raise InputError(entry.part, problem, told=_told(said))


def _ended(
    words: Sequence[str],
    folder: Path,
    variables: dict[str, str],
    said: BinaryIO,
    meanings: Mapping[int, str],
) -> str:
    """How a program ended that did not end well; empty: it did.

    said      takes all that it says
    meanings  of the codes that it may end with
    """
    try:
        program = subprocess.Popen(
            words,
            cwd=folder,
            env=variables,
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        return f"not made, because {plain(words[0])} cannot be run: {error}"
    try:
        code = program.wait(SECONDS)
    except subprocess.TimeoutExpired:
        return f"not made, because its code took more than {SECONDS:g} s"
    finally:
        _end(program)
    return meanings.get(code, f"not made, because its code ended with {code}") if code else ""


def _end(program: subprocess.Popen[bytes]) -> None:
    """End a program, and what it started."""
    with suppress(OSError):
        if hasattr(os, "killpg"):
            os.killpg(program.pid, signal.SIGKILL)
        else:
            program.kill()
    program.wait()


def _told(said: BinaryIO) -> list[str]:
    """The end of what a program said, line by line."""
    size = said.seek(0, os.SEEK_END)
    said.seek(max(0, size - _SAID))
    lines = [line for line in said.read(_SAID).decode("utf-8", "replace").splitlines() if line]
    return [plain(line)[:300] for line in lines[-_LINES:]]


def _suffix(entry: GeneratedEntry) -> str:
    if not entry.command:
        return ".3mf"
    named = [f".{each}" for word in entry.command for each in re.findall(MESH, word)]
    if not named or any(each not in PART_SUFFIXES for each in named) or len(set(named)) > 1:
        what = "its `command` does not name the file to write, in a format that is read"
        raise InputError(entry.part, what, remedy='Let a word of it be "{mesh.stl}"')
    return named[0]


def add(
    chosen: Chosen,
    design: Design,
    touched: Sequence[GeneratedEntry],
    kept_back: Callable[[GeneratedEntry], str],
    maker: Maker,
) -> None:
    """Make the parts that are to be made, and put them among what is checked.

    touched    parts that are asked for though they are not named
    kept_back  why the code of such a one is not run; empty: it is
    """
    named = filter(None, map(design.generated, chosen.generated))
    wanted = {entry.part: (entry, "") for entry in named}
    for entry in touched:
        wanted.setdefault(entry.part, (entry, kept_back(entry)))
    for part, (entry, why) in wanted.items():
        excluded = "" if design.given else design.repository(part).exclusion(part)
        if excluded and part in chosen.generated:
            _refuse(design, part, excluded, "Name a rule file with --rules")
        elif why or excluded:
            chosen.left_out.append(LeftOut(part, why or excluded))
        else:
            _add(chosen, design, entry, maker)


def kept_back(asked: Asked, against: Against | None) -> Callable[[GeneratedEntry], str]:
    """Says of code that nobody named why it is not run; empty: it is."""
    revision = asked.base or asked.changed_since

    def why(entry: GeneratedEntry) -> str:
        by_name = f"name it to make it: wallguard check {plain(entry.part)}"
        if entry.run != "always" or revision is None or against is None:
            return f"code makes it, which is not run by itself; {by_name}"
        if asked.staged:
            return f"code makes it, of the work tree and not of what is staged; {by_name}"
        # Where there was no such file then, what is said then is what is said now.
        before = None if against.is_first else against.then.generated(entry.part)
        if before == entry:
            return ""
        return (
            f"code makes it, and {plain(revision)}, which decides, does not say `run: always` of "
            f"the same entry; {by_name}"
        )

    return why


def made_then(against: Against, into: Path, store: Store | None) -> Callable[[str], Path | None]:
    """Makes a part as it was in the base, by the code and the entry of then; None: there was none.
    What it makes raises InputError where that code fails."""
    source, then = against.source, against.then
    maker = Maker(source.content, into, store)

    def made(part: str) -> Path | None:
        entry = then.generated(part)
        if entry is None or not (entry.command or source.holds(entry.file)):
            return None
        source.files(path for path in source.every if entry.is_from(path))
        (source.content / entry.folder).mkdir(parents=True, exist_ok=True)
        return maker.mesh(entry, source.every)

    return made


def _add(chosen: Chosen, design: Design, entry: GeneratedEntry, maker: Maker) -> None:
    part = entry.part
    usable, unusable = answered(design, design.assignments(part))
    for assignment in unusable:
        message = f"{part}: not checked, because {plain(assignment.rules)} cannot be used."
        chosen.reports.append(failed(part, assignment.rules, "", message))
    if not usable:
        if part in chosen.generated and not unusable:
            why = f"no entry under `parts` of {design.repository(part).name} names it"
            _refuse(design, part, why, "Let `files` of one match it, or name rules with --rules")
        elif not unusable:
            chosen.not_covered.append(part)
        return
    try:
        file = maker.mesh(entry, design.source.every)
    except InputError as error:
        for _, rules in usable:
            chosen.reports.append(failed(part, rules.path, rules.name, str(error)))
        return
    folder = "" if design.given else design.repository(part).folder
    chosen.tasks.append(Task(part, file, usable, maker.into, folder, made=True))


def _refuse(design: Design, part: str, why: str, remedy: str) -> None:
    """Say of a part that somebody named why it is not checked: no hook names such parts, so that
    this is no pass."""
    problem = f"not checked, because {why}"
    design.troubles[part] = Trouble(part, str(InputError(part, problem, remedy=remedy)))


def unknown(design: Design, part: str) -> InputError:
    """What to say of a name that no entry has."""
    repository = design.repository(part)
    known = [plain(entry.part) for entry in repository.generated]
    if len(known) > _KNOWN:
        known[_KNOWN:] = [f"and {len(known) - _KNOWN} more"]
    what = f"`generated` of {repository.name} does not name this part, and no other code is run"
    remedy = f"Known are {', '.join(known)}" if known else f"Add an entry `part: {plain(part)}`"
    return InputError(part, what, remedy=remedy)
