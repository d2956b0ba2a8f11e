import numpy as np
import pytest

from wallguard.mesh import weld as welding
from wallguard.mesh.weld import weld


def reference(points, group):
    """First appearances, found the slow way."""
    seen, kept, index = {}, [], []
    for at, (point, own) in enumerate(zip(points.tolist(), group.tolist(), strict=True)):
        if (key := (*(value + 0.0 for value in point), own)) not in seen:
            seen[key] = len(kept)
            kept.append(at)
        index.append(seen[key])
    return kept, index


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("groups", [1, 3])
def test_agrees_with_a_plain_search(kind, groups):
    rng = np.random.default_rng(7)
    points = rng.choice([0.0, -0.0, 1.0, -1.5, 1e-30, 3e7], (500, 3)).astype(kind)
    group = rng.integers(0, groups, 500)
    kept, index = weld(points, group)
    assert (kept.tolist(), index.tolist()) == reference(points, group)


def test_points_that_mix_alike_are_still_told_apart(monkeypatch):
    monkeypatch.setattr(welding, "_MIX", (0, 0, 0))
    points = np.random.default_rng(1).integers(0, 3, (200, 3)).astype(np.float32)
    kept, index = weld(points)
    assert (kept.tolist(), index.tolist()) == reference(points, np.zeros(200, int))


def test_minus_zero_is_zero():
    kept, index = weld(np.array([[0.0, -0.0, 0.0], [-0.0, 0.0, -0.0]]))
    assert (kept.tolist(), index.tolist()) == ([0], [0, 0])


def test_no_points():
    kept, index = weld(np.empty((0, 3)))
    assert len(kept) == len(index) == 0
