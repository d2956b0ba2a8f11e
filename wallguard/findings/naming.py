"""The names of findings, what is alike in them, and their order in a part."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import replace

from wallguard.base.text import wording
from wallguard.findings.model import Finding
from wallguard.findings.outcomes import causes_first

# Added before rounding down to steps: sizes that people draw, and heights of whole layers, then
# lie well off the edge of a step, where computing error would decide.
_OFF_THE_GRID = 0.37
# Sizes that lie on one step count as equal: of thickness, and of length and height, mm.
THICKNESS_STEP = 0.05
SIZE_STEP = 1.0
# A wall tapers where it is so many times as thick in one place as in another: far more than facets
# make of a curve.
_TAPER = 1.25


def named(findings: Sequence[Finding], rules: str) -> list[Finding]:
    """Findings of one part, causes first, then the worst, each with its name and shape.

    The name is made of the rules, the kind of place, what the wall comes out as and its
    coarse size, but for the length of a wall that tapers; findings alike in all of these are
    numbered by their place. So it stays when the part is exported anew, in whatever format, with
    other facets, renamed, moved or turned about the printer's upright axis, when the wall gets a
    little thinner, and when something else in the part changes that is not of the same size. It
    tells findings of one part apart, not those of several.
    """
    names: dict[int, str] = {}
    taken: dict[str, int] = {}
    for at in sorted(range(len(findings)), key=lambda at: _by_place(findings[at])):
        finding = findings[at]
        what = "\0".join((rules, *_what(finding)))
        name = hashlib.blake2b(what.encode("utf-8", "surrogateescape"), digest_size=5).hexdigest()
        taken[name] = taken.get(name, 0) + 1
        names[at] = name if taken[name] == 1 else f"{name}-{taken[name]}"
    made = [
        replace(finding, id=names[at], shape=shape(finding)) for at, finding in enumerate(findings)
    ]
    return sorted(made, key=causes_first)


def _what(finding: Finding) -> tuple[str, ...]:
    """What a name is made of."""
    kind = finding.subject.kind if finding.subject else finding.check
    size = " ".join(str(step(side, SIZE_STEP)) for side in _drawn(finding))
    # What has no size is told apart by what is said of it, numbers aside.
    says = "" if finding.size else wording(finding.message)
    return kind, finding.fill or "", size, says


def _drawn(finding: Finding) -> tuple[float, ...]:
    """The size, but for the length of a wall that tapers: where that ends is where a limit is met,
    which hangs on the facets of a curve and on the thinnest place, and nobody drew it."""
    about = finding.subject
    tapers = about and about.kind == "wall" and about.thickness.max > _TAPER * about.thickness.min
    return finding.size[1:] if tapers else finding.size


def shape(finding: Finding) -> str:
    """Equal for findings that are alike in all but their place: kind, checks, outcome, thickness
    to 0.05 mm, and coarse size; empty where it is about no place."""
    about = finding.subject
    if about is None:
        return ""
    checks = "+".join(sorted({breach.check for breach in finding.breaches}))
    size = "x".join(str(step(side, SIZE_STEP)) for side in finding.size)
    thick = step(about.thickness.typical, THICKNESS_STEP)
    return " ".join((about.kind, checks, finding.fill or "-", str(thick), size))


def step(value: float, step: float) -> int:
    """The number of the step that a value lies on."""
    return math.floor(value / step + _OFF_THE_GRID)


def _by_place(finding: Finding) -> tuple[object, ...]:
    middle: tuple[float, ...] = finding.location or ()
    if finding.box:
        middle = tuple((low + high) / 2 for low, high in zip(*finding.box, strict=True))
    # In steps, so that what is computing error does not decide.
    # The place as one value: a finding of the whole part has none, and is compared all the same.
    return tuple(math.floor(2 * (value + _OFF_THE_GRID)) for value in middle), finding.message
