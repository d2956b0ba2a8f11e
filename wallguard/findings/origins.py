"""Which part of a base a part was before it was renamed, converted or split: told from its walls.

Git pairs files by their bytes; an STL and the 3MF that it became share none. A part comes from one
that is gone if, after one rigid move, its walls are that one's walls: most of them where there are
enough to tell, or all of them where the parts are of one size as well.
"""

from __future__ import annotations

from collections.abc import Mapping

from wallguard.findings.identity import find_move
from wallguard.findings.model import PartReport

# How many walls tell by themselves, and which share of the part's walls has to be found again.
_ENOUGH, _SHARE = 3, 0.6
# Sizes of one part in two formats agree to this, mm: formats keep three decimals at least.
_SIZE = 0.01


def origins(added: Mapping[str, PartReport], removed: Mapping[str, PartReport]) -> dict[str, str]:
    """Of each added part that comes from a removed one, the path of that; both by path.

    A removed part may be the origin of several: it was split. Of several that an added part may
    come from, it is the one that shares most walls with it, then the first.
    """
    origins = {}
    for path, head in sorted(added.items()):
        shares = {
            name: share
            for name, base in sorted(removed.items())
            if (share := _share(base, head)) > 0
        }
        if shares:
            origins[path] = max(shares, key=lambda name: shares[name])
    return origins


def _share(base: PartReport, head: PartReport) -> float:
    """Which share of the head's walls the base has, more where both are of one size; 0 where they
    do not tell that it is one part."""
    if base.mesh is None or head.mesh is None:
        return 0.0
    sizes = zip(sorted(base.mesh.extents), sorted(head.mesh.extents), strict=True)
    same_size = all(abs(one - other) <= _SIZE for one, other in sizes)
    if not head.walls:
        return 1.0 if same_size and not base.walls else 0.0
    move = find_move(base, head)
    if move.of == 0 or move.support < _SHARE * move.of:
        return 0.0
    if move.support < _ENOUGH and not (same_size and len(base.walls) == len(head.walls)):
        return 0.0
    return float(move.support / move.of) + same_size
