"""Where the numbers of a rule file are from: what a fit writes of it, and if it still holds."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path, PurePosixPath

from wallguard.base import files
from wallguard.base.errors import InputError
from wallguard.base.plain import clipped, listed, plain
from wallguard.coupon.readings import Readings
from wallguard.rules.model import Rules
from wallguard.rules.origin import stale
from wallguard.rules.provenance import CouponFile, MadeWith

# Settings and readings are small texts; a toolpath is read once, by the fit.
_LARGEST, _TOOLPATH = 16 * 1024**2, 2 * 1024**3
# Of a text in a rule file, characters.
_LONGEST = 200


@dataclass(frozen=True)
class Stated:
    """What a user says of how a coupon was made; empty: as the heads of its readings say.

    settings  the file of the slicing software's settings
    """

    software: str = ""
    settings: Path | None = None
    firmware: str = ""
    measured_by: str = ""


def remarks(rules: Rules, root: Path | None, today: date) -> Iterator[str]:
    """What to mend in where the numbers are from: they are old, or a file is not what it was.

    root  the folder that the names in `rules` are relative to, which no file may leave; None: they
          are as given
    """
    if old := stale(rules, today):
        yield old
    made = rules.made_with
    if _differs(rules, root, made.settings, made.hash):
        yield (
            f"`made_with`: {made.settings} is not what it was when this was measured: see "
            "`wallguard rehearse` with a toolpath of now"
        )
    for each in rules.coupon:
        if each.readings and _differs(rules, root, each.readings, each.hash):
            yield (
                f"`coupon`: {each.readings} is not what it was when this was fitted to it: fit it "
                "again with `wallguard coupon fit`"
            )


def _differs(rules: Rules, root: Path | None, name: str, digest: str) -> bool:
    """Whether a file is there and has another hash. It is looked for beside the rule file and
    those that it extends."""
    for file in rules.files if name and digest else ():
        path = (root or Path()) / PurePosixPath(file).parent / name
        with suppress(InputError):
            return hash_of(path, root) != digest
    return False


def hash_of(path: Path, root: Path | None = None, largest: int = _LARGEST) -> str:
    """SHA-256 of a file, as a rule file has it. Raises InputError where it cannot be read."""
    with files.opened(path, root=root) as stream:
        if os.fstat(stream.fileno()).st_size > largest:
            raise InputError(path, f"is larger than {largest // 1024**2} MiB")
        digest = hashlib.sha256()
        while block := stream.read(1024**2):
            digest.update(block)
        return f"sha256:{digest.hexdigest()}"


def stated(
    base: Rules, said: Stated, read: Sequence[Readings], toolpaths: Sequence[Path], beside: Path
) -> Rules:
    """`base` with what is known of where a fit to these files is from, and nothing that was known
    of its own numbers: these go.

    read    files of readings of prints
    beside  the rule file that will say so; files are named relative to it

    Raises InputError where a file cannot be read.
    """
    heads = [file.keys for file in read]

    def of(option: str, name: str) -> str:
        texts = [option, *(keys.get(name, "") for keys in reversed(heads))]
        return clipped(plain(next(filter(None, texts), "")), _LONGEST)

    made = MadeWith(
        software=of(said.software, "software"),
        settings=_relative(said.settings, beside) if said.settings else "",
        hash=hash_of(said.settings) if said.settings else "",
        firmware=of(said.firmware, "firmware"),
    )
    of_prints = [
        CouponFile(_relative(Path(file.path), beside), hash=hash_of(Path(file.path)))
        for file in read
    ]
    of_toolpaths = [
        CouponFile(toolpath=_relative(path, beside), hash=hash_of(path, largest=_TOOLPATH))
        for path in toolpaths
    ]
    return replace(
        base,
        made_with=made,
        measured_on=max(filter(None, map(day_of, read)), default=None),
        measured_by=of(said.measured_by, "read_by"),
        coupon=(*of_prints, *of_toolpaths),
    )


def odd(said: Stated, read: Sequence[Readings]) -> Iterator[str]:
    """What is odd about what readings say of where they are from."""
    for file in read:
        if day_of(file) is None:
            known = file.keys.get("date", "")
            why = f"`# date: {known}` is no year-month-day" if known else "no `# date:` is stated"
            yield f"{file.path}: {why}, so nobody will know how old these readings are"
    for option, name in ((said.software, "software"), (said.firmware, "firmware")):
        names = dict.fromkeys(filter(None, (file.keys.get(name, "") for file in read)))
        if len(names) > 1 and not option:
            yield f"{name} differs between the files: {listed([*names])}; the last is written"


def day_of(read: Readings) -> date | None:
    """The day of the readings; None where the file names none."""
    with suppress(ValueError):
        return date.fromisoformat(read.keys.get("date", ""))
    return None


def _relative(path: Path, beside: Path) -> str:
    """The name of a file, seen from the folder of another."""
    try:
        name = os.path.relpath(path, beside.parent)
    except ValueError:  # another drive
        name = path.name
    return clipped(plain(PurePosixPath(*Path(name).parts).as_posix()), 1000)
