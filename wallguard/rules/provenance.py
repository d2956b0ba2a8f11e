"""Where the numbers of a rule file are from: keys for its reader, from which no outcome follows."""

from __future__ import annotations

from dataclasses import dataclass, field

from wallguard.documents.record import key, table_of
from wallguard.documents.scalars import BLANK, CONTROLS, LEAVES, Text
from wallguard.documents.shape import Many

_FILE = Text("a file relative to this one", 1000, LEAVES)
_HASH = Text("sha256: and 64 digits", 71, (CONTROLS, BLANK), r"^sha256:[0-9a-f]{64}$", bare=True)


@dataclass(frozen=True)
class MadeWith:
    """What made the toolpath of what was measured; empty: not said.

    settings, hash  the file of the settings, and what it held then
    """

    software: str = field(
        default="",
        metadata=key(
            Text("a name and a release"),
            "The slicing software's name and release, in your own words.",
            asks="nothing",
        ),
    )
    settings: str = field(
        default="",
        metadata=key(_FILE, "The file of its settings, relative to this file.", asks="nothing"),
    )
    hash: str = field(
        default="",
        metadata=key(_HASH, "SHA-256 of what that file held then.", asks="nothing"),
    )
    firmware: str = field(
        default="",
        metadata=key(
            Text("a name and a release"), "The printer's firmware and its release.", asks="nothing"
        ),
    )


@dataclass(frozen=True)
class CouponFile:
    """A file that the numbers were fitted to: readings of a print, or a toolpath."""

    readings: str = field(
        default="",
        metadata=key(_FILE, "Readings of a printed coupon, relative to this file."),
    )
    toolpath: str = field(
        default="",
        metadata=key(_FILE, "A toolpath that makes a coupon, relative to this file."),
    )
    hash: str = field(default="", metadata=key(_HASH, "SHA-256 of what that file held then."))

    @property
    def file(self) -> str:
        """Its name, relative to the rule file."""
        return self.readings or self.toolpath


MADE_WITH = table_of(MadeWith, "what made the toolpaths", needs=(("hash", "settings"),))
COUPON = Many(
    table_of(CouponFile, "a file of a coupon", exclusive=(("readings", "toolpath"),)),
    0,
    50,
    "a list of files of a coupon",
)
