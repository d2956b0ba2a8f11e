"""Outlines that have everything held against everything: a limit on the work, told before it."""

from __future__ import annotations

import numpy as np
import pytest
from solids import mesh, prism

from wallguard.base.errors import TooLargeError
from wallguard.sections.cut import cut
from wallguard.walls import chains, effort
from wallguard.walls.effort import Effort
from wallguard.walls.trace import find_gaps, find_walls


def comb(teeth):
    """Teeth of 0.4 mm, 0.4 mm apart, that hang from one long edge."""
    outline = [(0.0, 0.0), (0.0, -2.0)]
    for at in range(teeth):
        x = 0.8 * at
        outline += [(x, -12.0), (x + 0.4, -12.0), (x + 0.4, -2.0), (x + 0.8, -2.0)]
    outline = [*outline[:1], *outline[2:], (0.8 * teeth, 0.0)]
    return cut(mesh(prism(outline, 0.2)), 0.2)


@pytest.mark.parametrize("find", [find_walls, find_gaps])
def test_work_grows_with_the_outline_and_beyond_that_it_is_refused(monkeypatch, find):
    made = []
    of = Effort.of

    def counted(*edges):
        made.append(of(*edges))
        return made[-1]

    monkeypatch.setattr(Effort, "of", counted)
    for teeth in (20, 40):
        find(comb(teeth), 3.0)
    few, many = made
    assert 1000 < few.made < many.made < 10 * few.made
    monkeypatch.setattr(effort, "_ANY", few.made)
    monkeypatch.setattr(effort, "_EACH", 0)
    monkeypatch.setattr(effort, "_FULLEST", 0)
    assert find(comb(20), 3.0)
    with pytest.raises(TooLargeError, match=rf"the limit for a part of its size: {few.made:,}"):
        find(comb(40), 3.0)


def test_no_part_may_take_more_than_any(monkeypatch):
    assert Effort.of(1000).most > Effort.of(0).most
    assert Effort.of(10**9).most == Effort.of(10**8).most
    # An edge more in one layer takes another triangle; an edge more in all does not.
    assert Effort.of(1000, 1000).most > Effort.of(1000, 10).most
    assert Effort.of(10**9, 10**9).most == Effort.of(10**9).most
    Effort.endless().spend(10**12)


def test_what_lies_close_is_counted_before_it_is_kept(monkeypatch):
    monkeypatch.setattr(chains, "_KEPT", 100)
    monkeypatch.setattr(chains, "_KEPT_EACH", 0)
    with pytest.raises(TooLargeError, match="more than 100 pairs of pieces of outline") as caught:
        find_walls(comb(20), 3.0)
    assert "is too much to check" in str(caught.value)


def test_leaving_nothing_out_has_no_limit(monkeypatch):
    monkeypatch.setattr(effort, "_ANY", 1)
    monkeypatch.setattr(effort, "_EACH", 0)
    monkeypatch.setattr(effort, "_FULLEST", 0)
    sections = comb(3)
    assert find_walls(sections, 3.0, everywhere=True)
    assert np.isfinite(sections.points).all()
