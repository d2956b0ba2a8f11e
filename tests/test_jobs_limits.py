"""Which parts are begun without a process of their own, and what one part may take."""

import sys
from pathlib import Path

import manifold3d as m3
import pytest
from hostile import HOSTILE
from solids import box, save

from wallguard.jobs import limits
from wallguard.jobs.check import Task
from wallguard.jobs.limits import Allowed, Most, is_plain, most_of
from wallguard.repository.config import Assignment
from wallguard.rules.model import Rules

MB = 1_000_000


def task(path, allowed=None, ways=1, unit=None):
    rules = Rules(path="a.yaml", name="a", category="material extrusion", layer_height=0.2)
    return Task(
        str(path), path, ((Assignment(rules="a.yaml", unit=unit), rules),) * ways, allowed=allowed
    )


def test_what_is_small_and_plain_needs_no_process_and_what_can_be_large_does(tmp_path):
    part, other = tmp_path / "part.stl", tmp_path / "part.3mf"
    save(part, box([40, 2, 10]))
    assert is_plain(task(part))
    assert not is_plain(task(part, unit="m"))  # 40 m long
    save(part, m3.Manifold.cylinder(900, 1, 1, 60))  # 120 triangles along 4,500 layers
    assert not is_plain(task(part))
    save(part, m3.Manifold.sphere(10, 140))  # 9,800 triangles
    assert not is_plain(task(part))
    HOSTILE["components_that_double"][1](other)  # packed: less than 1 kB, 16,384 triangles
    assert not is_plain(task(other))
    part.write_bytes(b"solid nothing")
    assert is_plain(task(part))


def test_a_part_may_take_more_the_larger_it_is_and_the_more_is_asked_of_it(tmp_path):
    part = tmp_path / "part.stl"
    part.write_bytes(bytes(20 * MB))
    assert most_of(task(part)) is None
    most = most_of(task(part, Allowed()))
    assert most == Most(pytest.approx(60), 1950 * MB)
    twice = most_of(task(part, Allowed(), ways=2))
    assert twice == Most(pytest.approx(120), 1950 * MB)
    assert most_of(task(part, Allowed(5.0, MB), ways=2)) == Most(5.0, MB)


@pytest.mark.skipif(sys.platform == "win32", reason="no alarm there")
def test_an_alarm_stops_what_goes_on_and_nothing_else():
    with pytest.raises(limits.TookLong), limits.alarm(0.01):
        while True:
            Path("part.stl").suffix.lower()
    with limits.alarm(60.0):
        pass
