"""The campaign of hostile inputs finds what is planted, and tells each mistake once."""

import json
import os
import sys

import pytest
from hypothesis import strategies as st

pytest.importorskip("resource", reason="processes are held to limits as Linux does")

from campaign_hostile import Campaign, Run, added_up, batch
from hostile_inputs import Target

from wallguard.base.errors import InputError


def reads(data, folder):
    """A reader with a mistake or two in it."""
    if data == b"gone":
        os._exit(3)
    if data.startswith(b"bad"):
        raise KeyError(data)
    if data == b"no":
        raise InputError("a", "is nothing")
    return "read"


def target(*inputs, run=reads):
    return Target(lambda: st.sampled_from(inputs), run, 40)


def test_what_is_refused_is_no_mistake_and_each_mistake_is_told_once():
    made = batch("t", target(b"good", b"no", b"bad one", b"bad"), 40, 1)
    assert made.inputs == sum(made.words.values()) > 3
    assert set(made.words) == {"read", "refused", "mistake"}
    ((key, mistake),) = made.mistakes.items()
    assert key.startswith("KeyError test_campaign_hostile.py:")
    assert (mistake.data, mistake.count) == (b"bad", made.words["mistake"])


def test_the_same_seed_gives_the_same_inputs():
    made = [batch("t", target(b"good", b"no", b"bad"), 40, seed).words for seed in (4, 4)]
    assert made[0] == made[1]


@pytest.mark.skipif(sys.platform != "linux", reason="memory is limited on Linux")
def test_what_ends_or_bloats_its_process_is_a_mistake():
    made = batch("t", target(b"gone"), 10, 1)
    assert [mistake.data for mistake in made.mistakes.values()] == [b"gone"]

    def bloats(data, folder):
        return str(len(bytearray(3 * 1024**3)))

    made = batch("t", target(b"x", run=bloats), 1, 1)
    assert [key.split()[0] for key in made.mistakes] == ["MemoryError"]


def test_summaries_add_up(tmp_path):
    for number in range(2):
        made = Campaign(seed=number)
        made.mutate({"t": target(b"good", b"bad")}, 1, float("inf"))
        made.runs.append(Run("an attack", 10, 1.0, 0.1, 0, ""))
        made.keep(tmp_path / f"{number}.json", tmp_path / "inputs")
    files = sorted(tmp_path.glob("*.json"))
    each = [json.loads(file.read_text())["targets"]["t"]["inputs"] for file in files]
    told = added_up(files)
    assert f"{sum(each)} mutations, 2 built attacks, 1 mistakes" in told
    assert [file.read_bytes() for file in (tmp_path / "inputs").glob("t-*") if not file.suffix] == [
        b"bad"
    ]


@pytest.mark.parametrize(
    ("changes", "bad"),
    [
        ({}, ""),
        ({"seconds": 21.0}, "time"),
        ({"size": 2_000_000, "seconds": 21.0}, ""),
        ({"memory": 1.2}, "memory"),
        ({"code": -9}, "code"),
        ({"said": "this went wrong inside: KeyError"}, "trace"),
    ],
)
def test_what_is_bad(changes, bad):
    plain = {"name": "a", "size": 10, "seconds": 1.0, "memory": 0.1, "code": 2, "said": ""}
    assert Run(**{**plain, **changes}).bad == bad
