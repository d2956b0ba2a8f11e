"""Parts checked on a cluster: the same reports, and what is lost with a worker."""

import os
import re
import signal
from pathlib import Path

import pytest
from solids import box, save
from test_jobs_workers import running

from wallguard.base.errors import InputError
from wallguard.commands.main import main
from wallguard.jobs import cluster
from wallguard.jobs.check import Task
from wallguard.jobs.cluster import do_on
from wallguard.jobs.limits import Allowed, most_of
from wallguard.jobs.workers import Cost, Hooks, Work

distributed = pytest.importorskip("distributed")

RULES = """\
wallguard: 1
name: bench
process: {category: material extrusion}
layer_height: 0.2
beads: {width: 0.45, contours: 2, smallest_wall: 0.4, squeeze: 0.1, smallest_fill: 0.3,
        spacing: width}
minimum: {wall: {fail: 0.8}}
"""


@pytest.fixture(scope="module")
def address():
    """A scheduler and workers: more than are killed here, as on a busy machine it takes minutes
    until one is there again."""
    with distributed.LocalCluster(
        n_workers=4, threads_per_worker=1, processes=True, dashboard_address=None
    ) as made:
        yield made.scheduler_address


def do(task):
    """What the file says: to die always, or once."""
    said = task.data.decode()
    if said == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if said.startswith("once "):
        mark = Path(said.removeprefix("once "))
        if not mark.exists():
            mark.write_text("")
            os.kill(os.getpid(), signal.SIGKILL)
    assert task.root is None
    assert task.file.parent == Path()
    return f"{task.path}: {said}"


WORK = Work(do, lambda task: Cost(1.0, 1), lambda task, why: f"{task.path} lost: {why}")


def test_a_lost_worker_costs_nothing_and_a_part_that_takes_two_is_lost_alone(address, tmp_path):
    words = ["a", f"once {tmp_path / 'mark'}", "b", "die", "c", "d"]
    tasks = []
    for at, word in enumerate(words):
        file = tmp_path / f"{at}.stl"
        file.write_text(word)
        tasks.append(Task(f"{at}.stl", file, (), tmp_path))
    done = []
    results = do_on(address, WORK, tasks, Hooks(lambda at, share: done.append(at)))
    lost = "3.stl lost: 2 workers were lost while they were at it"
    assert results == [lost if at == 3 else f"{at}.stl: {word}" for at, word in enumerate(words)]
    assert sorted(done) == list(range(6))


@pytest.mark.parametrize("command", ["check", "impact"])
def test_reports_are_those_of_one_machine(address, tmp_path, monkeypatch, capsys, command):
    monkeypatch.chdir(tmp_path)
    Path("rules.yaml").write_text(RULES)
    Path("other.yaml").write_text(RULES.replace("0.45", "0.6"))
    Path("wallguard.yaml").write_text(
        "wallguard: 1\nunit: mm\nparts: [{files: '*.stl', rules: rules.yaml}]\n"
    )
    for at in range(5):
        save(tmp_path / f"{at}.stl", box([20, 0.5 + at / 5, 5]))
    Path("bad.stl").write_bytes(b"solid nothing")
    Path("empty.stl").write_bytes(b"")
    words = [command, "--all", "--no-cache", "--json", "report.json"]
    if command == "impact":
        words += ["--from", "rules.yaml", "--to", "other.yaml"]
    found = []
    for more in ([], ["--cluster", address]):
        code = main([*words, *more])
        text = re.sub(r'"(seconds|started)": [^,\n]*', "", Path("report.json").read_text())
        found.append((code, text, capsys.readouterr().out))
    assert found[0] == found[1]
    assert found[0][0] == 2


def test_workers_of_another_version_are_refused(address, tmp_path, monkeypatch):
    monkeypatch.setattr(cluster, "stamp", lambda: "another")
    (tmp_path / "a.stl").write_text("a")
    with pytest.raises(InputError, match="another version of wallguard"):
        do_on(address, WORK, [Task("a.stl", tmp_path / "a.stl", ())], Hooks())


def test_no_scheduler_is_said_in_words(monkeypatch):
    monkeypatch.setattr(cluster, "_ANSWER", 0.5)
    for address in ("tcp://127.0.0.1:1", "nowhere"):
        with pytest.raises(InputError, match="no scheduler answers there"):
            do_on(address, WORK, [], Hooks())


def go(task):
    """What the file says, in which process of which; or to go on for ever."""
    said = task.data.decode()
    while said == "on":
        sum(range(1000))
    return f"{said} {os.getpid()} {os.getppid()}"


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="held to it by Linux")
def test_a_worker_holds_each_part_to_what_it_may_take_and_goes_on(address, tmp_path):
    words = ["a", "on", "b", "c", "d"]
    tasks = []
    for at, word in enumerate(words):
        file = tmp_path / f"{at}.stl"
        file.write_text(word)
        tasks.append(Task(f"{at}.stl", file, (), tmp_path, allowed=Allowed(3.0, 10**9)))
    cost = Cost(1.0, 1)
    work = Work(go, lambda task: cost, lambda task, why: f"{task.path} lost: {why}", most_of)
    with distributed.Client(address, set_as_default=False) as client:
        before = client.nthreads().keys()
        results = do_on(address, work, tasks, Hooks())
        assert results[1].startswith("1.stl lost: it took more than 3 s")
        whole = [results[at].split() for at in (0, 2, 3, 4)]
        assert [word for word, *_ in whole] == ["a", "b", "c", "d"]
        # In processes beside the workers, which are there still; nothing of ours is.
        assert client.nthreads().keys() >= before  # one that was killed may be back
        workers = {str(process) for process in client.run(os.getpid).values()}
        assert {parent for *_, parent in whole} <= workers
        assert not any(running(int(process)) for _, process, _ in whole)
