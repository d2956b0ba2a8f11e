"""A finding in one plain line, for services that show one beside the file."""

from __future__ import annotations

import hashlib
import posixpath
import re
from typing import TypeAlias

from wallguard.base.formats import PART_SUFFIXES
from wallguard.base.plain import one_line, without_path
from wallguard.base.text import place
from wallguard.findings.model import Finding, PartReport

_PLACE = re.compile(r"\((-?\d+\.\d, ){2}-?\d+\.\d\)")


# What tells findings of one report apart: its part, the rule file, and its own id.
Key: TypeAlias = tuple[str, str, str]


def key(part: PartReport, finding: Finding) -> Key:
    """What tells a finding from all others of the report: ids do so within a part and its rules."""
    return part.path, part.rules, finding.id


def mark(part: PartReport, finding: Finding) -> str:
    """The key in a few characters, for services that want one name for each finding."""
    said = "\0".join((part.path, part.rules)).encode("utf-8", "surrogateescape")
    return f"{hashlib.blake2b(said, digest_size=4).hexdigest()}-{finding.id}"


def where(finding: Finding) -> str:
    """Its place, as "at (12.0, 3.5, 4.0)"; empty where the message has it already, or none is."""
    if finding.location is None or _PLACE.search(finding.message):
        return ""
    return f"at {place(finding.location)}"


def sentence(finding: Finding) -> str:
    """What, where, and what to draw instead, on one line."""
    parts = [one_line(finding.message), where(finding)]
    if finding.indeterminate:
        parts.append("indeterminate: met or missed only within the uncertainty")
    parts.append(one_line(finding.remark))
    said = "; ".join(filter(None, parts))
    return f"{said}. Instead: {one_line(finding.advice)}" if finding.advice else said


def reason(path: str, message: str) -> str:
    """Why a file could not be checked, on one line and without its name."""
    return one_line(without_path(path, message)) or "could not be checked"


def from_top(folder: str, path: str) -> str:
    """A path of the report as seen from the top of the git repository, in which `folder` is where
    the report's paths begin: services know files by that name. Of a part that code makes it is that
    of the code."""
    if not path.lower().endswith(PART_SUFFIXES):
        path = path.partition("::")[0]
    return posixpath.normpath(posixpath.join(folder, path))
