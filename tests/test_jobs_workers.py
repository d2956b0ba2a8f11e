"""Many parts at a time: order, processes that are killed, memory, and nothing left running."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from wallguard.base.errors import InputError
from wallguard.jobs import limits, workers
from wallguard.jobs.limits import Most
from wallguard.jobs.workers import Cost, Hooks, Work, do_all

MIB = 1024**2


def do(item):
    """What the item says: a number, a way to die, or an error."""
    if item == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if item == "leave":
        os._exit(3)
    if item == "raise":
        raise InputError("a.stl", "bad")
    while item in ("spin", "sleep"):
        if item == "sleep":
            time.sleep(10.0)
    return item, os.getpid()


def lost(item, why):
    return item, why


def work(seconds=10.0, memory=MIB):
    return Work(do, lambda item: Cost(seconds, memory), lost)


def test_results_stand_in_the_order_of_the_items_and_come_from_other_processes():
    done = []
    hooks = Hooks(lambda at, share: done.append((at, share)))
    results = do_all(work(), [5, 4, 3, 2, 1, 0], 2, hooks)
    assert [item for item, _ in results] == [5, 4, 3, 2, 1, 0]
    assert os.getpid() not in {process for _, process in results}
    assert sorted(at for at, _ in done) == [0, 1, 2, 3, 4, 5]
    assert [share for _, share in done] == pytest.approx([1 / 6, 2 / 6, 3 / 6, 4 / 6, 5 / 6, 1])


@pytest.mark.parametrize(("seconds", "jobs"), [(0.1, 8), (100.0, 1)])
def test_a_short_job_and_a_single_one_start_no_process(seconds, jobs):
    results = do_all(work(seconds), [1, 2, 3], jobs)
    assert results == [(item, os.getpid()) for item in (1, 2, 3)]


def test_the_largest_go_first():
    done = []
    sized = Work(do, lambda item: Cost(float(item), MIB), lost)
    # One at a time, as no two fit the memory.
    sized = Work(do, lambda item: Cost(float(item), 2**60), lost)
    do_all(sized, [3, 9, 1, 5], 2, Hooks(lambda at, share: done.append(at)))
    assert done == [1, 3, 0, 2]


@pytest.mark.skipif(sys.platform == "win32", reason="no signals to kill by")
def test_a_killed_process_loses_its_own_part_only():
    results = do_all(work(), [1, "die", 2, "leave", 3, "die", 4, 5], 2)
    said = {at: results[at] for at in (1, 3, 5)}
    assert said == {
        1: ("die", "its process was killed (SIGKILL)"),
        3: ("leave", "its process ended with exit code 3"),
        5: ("die", "its process was killed (SIGKILL)"),
    }
    assert [results[at][0] for at in (0, 2, 4, 6, 7)] == [1, 2, 3, 4, 5]


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="held to it by Linux")
def test_an_item_that_takes_too_long_ends_alone_even_if_it_only_waits(monkeypatch):
    """Items that may be done here are; the others have a process, which the system ends, and so
    has one that was begun here and goes on and on."""
    most = {"spin": Most(0.3, 2**40), "sleep": Most(0.3, 2**40), 1: Most(60.0, 2**40)}
    limited = Work(do, lambda item: Cost(0.1, MIB), lost, most.get, lambda item: item != "sleep")
    monkeypatch.setattr(limits, "_WAIT", 4.0)
    monkeypatch.setattr(limits, "TRIED", 0.05)
    results = do_all(limited, ["spin", 1, "sleep", 2], 1)
    assert [item for item, _ in results] == ["spin", 1, "sleep", 2]
    for at in (0, 2):
        assert results[at][1].startswith("it took more than 0.3 s of the processor's time")
    assert {results[1][1], results[3][1]} == {os.getpid()}


def test_what_is_raised_there_is_raised_here():
    with pytest.raises(InputError, match=r"a\.stl: bad"):
        do_all(work(), [1, "raise", 2], 2)


def test_what_does_not_fit_the_memory_waits_and_one_line_says_so(monkeypatch):
    monkeypatch.setattr(workers, "spare_memory", lambda: 1000 * MIB)
    notes = []
    results = do_all(work(memory=600 * MIB), [1, 2, 3, 4], 4, Hooks(note=notes.append))
    assert len({process for _, process in results}) == 1
    assert notes == [
        "1 of 4 parts at a time: more might not fit the 1000 MiB of memory that are free"
    ]


JOB = """
import os, sys, time
from wallguard.jobs.workers import Cost, Work, do_all

def do(item):
    with open(os.path.join(sys.argv[1], str(os.getpid())), "w"):
        pass
    # Busy as numpy is, and not asleep.
    while True:
        sum(range(1000))

def cost(item):
    return Cost(60.0, 1)

if __name__ == "__main__":
    do_all(Work(do, cost, lambda item, why: why), [1, 2, 3], 2)
"""


def running(process):
    """Whether there is such a process, and not only its exit code."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="asks Linux what is running")
@pytest.mark.parametrize(
    ("number", "code"), [("SIGINT", 1), ("SIGTERM", 143), ("SIGKILL", -signal.SIGKILL)]
)
def test_whatever_ends_it_nothing_is_left_running(tmp_path, number, code):
    (tmp_path / "job.py").write_text(JOB)
    begun = tmp_path / "begun"
    begun.mkdir()
    job = subprocess.Popen(
        [sys.executable, str(tmp_path / "job.py"), str(begun)], stderr=subprocess.PIPE
    )
    try:
        while len(list(begun.iterdir())) < 2 and job.poll() is None:
            time.sleep(0.01)
        ours = [int(one.name) for one in begun.iterdir()]
        assert len(ours) == 2 and all(map(running, ours))
        job.send_signal(getattr(signal, number))
        # An interrupt that nobody catches ends Python with its own signal.
        assert job.wait(60) in (code, -signal.SIGINT if number == "SIGINT" else code)
        until = time.monotonic() + 60
        while any(map(running, ours)) and time.monotonic() < until:
            time.sleep(0.01)
        assert not any(map(running, ours))
    finally:
        job.kill()
        job.communicate()
