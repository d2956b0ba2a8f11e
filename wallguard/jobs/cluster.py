"""Parts checked on a Dask cluster: they travel as bytes, and workers need only this package.

A worker has one part at a time, chosen here and not by the scheduler: so of a worker that is gone
it is known which part it was at, as among processes of one machine. That part is tried once more;
if that worker goes too, the part is at fault, and it alone is lost. On a worker, too, a part is
held to what it may take, in a process beside it.
"""

from __future__ import annotations

import queue
import secrets
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic

from wallguard.base.errors import InputError
from wallguard.jobs.limits import Most
from wallguard.jobs.workers import Cost, Hooks, Result, Work, do_apart, end_kept
from wallguard.mesh.content import content
from wallguard.store.stamp import stamp

if TYPE_CHECKING:
    from wallguard.jobs.check import Task

# Seconds: until a scheduler answers, until some worker is there, and between two looks at which
# workers are.
_ANSWER, _PATIENCE, _LOOK = 10.0, 60.0, 0.25
# So many workers may go with a part before it is said to be the part.
_KILLS = 2


def do_on(
    address: str, work: Work[Task, Result], tasks: Sequence[Task], hooks: Hooks
) -> list[Result]:
    """The result of each task in their order, worked out on the cluster at `address`.

    Raises InputError: `dask.distributed` is not installed, no scheduler answers, no worker is
    there, or workers have another version of this program or of what it uses.
    """
    with _client(address) as client:
        run = _Run(address, client, work, tasks, hooks)
        try:
            return run.results()
        finally:
            with suppress(Exception):  # whatever it says, it ends with its worker
                client.run(end_kept, run.name, on_error="ignore")


def perform(
    do: Callable[[Task], Result],
    lost: Callable[[Task, str], Result],
    most: Most | None,
    run: str,
    task: Task,
) -> tuple[str, Result]:
    """On a worker: what it is, and the result. A task that may take so much has a process of its
    own, since a worker has more to do; `run` says of which run it is."""
    if most is None:
        return stamp(), do(task)
    work = Work(do, lambda _: Cost(0.0, 0), lost, lambda _: most)
    return stamp(), do_apart(work, task, run)


@contextmanager
def _client(address: str) -> Iterator[Any]:
    try:
        import distributed
    except ImportError:
        raise InputError(
            f"--cluster {address}",
            "the library dask.distributed is not installed",
            remedy='Install it, in a clone of wallguard, with `pip install ".[cluster]"`',
        ) from None
    try:
        make: Any = distributed.Client
        client: Any = make(address, timeout=_ANSWER, set_as_default=False)
    except (OSError, ValueError, RuntimeError, TypeError) as error:
        said = " ".join(str(error).split())[:200] or type(error).__name__
        raise InputError(
            f"--cluster {address}",
            f"no scheduler answers there: {said}",
            remedy="Start one with `dask scheduler`, and name its address: tcp://host:8786",
        ) from None
    try:
        yield client
    finally:
        with suppress(Exception):  # whatever it says, nothing depends on it any more
            client.close()


@dataclass(eq=False)
class _Run(Generic[Result]):
    """waiting  numbers of tasks that nobody is at, the next one last; busy: of each worker that is
    at one, by its address, what was asked of it and the number of the task."""

    address: str
    client: Any
    work: Work[Task, Result]
    tasks: Sequence[Task]
    hooks: Hooks
    waiting: list[int] = field(default_factory=list)
    busy: dict[str, tuple[Any, int]] = field(default_factory=dict)
    kills: dict[int, int] = field(default_factory=dict)
    found: dict[int, Result] = field(default_factory=dict)
    past: float = 0.0
    name: str = field(default_factory=lambda: secrets.token_hex(8))

    def results(self) -> list[Result]:
        """The results, in order."""
        self.costs = [self.work.cost(task).seconds for task in self.tasks]
        # The largest first.
        self.waiting = sorted(range(len(self.tasks)), key=lambda at: (self.costs[at], -at))
        self.said: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
        seen = time.monotonic()
        while len(self.found) < len(self.tasks):
            there = set(self.client.nthreads())
            seen = time.monotonic() if there else seen
            if time.monotonic() - seen > _PATIENCE:
                problem = "its scheduler has no workers"
                raise self._refused(problem, "Start some with `dask worker`")
            for address in [busy for busy in self.busy if busy not in there]:
                self._gone(address)
            for address in sorted(there.difference(self.busy)):
                self._give(address)
            with suppress(queue.Empty):
                address, future = self.said.get(timeout=_LOOK)
                while True:
                    if self._heard(address, future):
                        self._give(address)  # it is free for the next at once
                    address, future = self.said.get_nowait()
        return [self.found[at] for at in range(len(self.tasks))]

    def _give(self, address: str) -> None:
        """Let the worker at this address do the next task."""
        if not self.waiting or address in self.busy:
            return
        at = self.waiting.pop()
        task = self.tasks[at]
        try:
            data = content(task.file, task.path, task.root)
        except (InputError, MemoryError):
            # It says so by itself, here as there.
            self._done(at, self.work.do(task))
            return
        # A name alone: the file's own name, its folder and the store are of this machine.
        file = Path("part").with_suffix(task.file.suffix)
        parcel = replace(task, file=file, root=None, store=None, data=data)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # that it is large
            future = self.client.submit(
                perform,
                *(self.work.do, self.work.lost, self.work.most(task), self.name, parcel),
                pure=False,
                workers=[address],
                retries=0,
            )
        self.busy[address] = future, at
        future.add_done_callback(lambda done: self.said.put((address, done)))

    def _heard(self, address: str, future: Any) -> bool:
        """A worker has something to say. Whether it is there still, and free."""
        asked = self.busy.get(address)
        if asked is None or asked[0] is not future:
            return False  # of a worker that was given up
        if future.status != "finished":
            error = future.exception() if future.status == "error" else None
            if error is None or type(error).__name__ in ("KilledWorker", "CancelledError"):
                self._gone(address)
                return False
            if isinstance(error, ImportError):
                problem = f"a worker cannot load what it needs ({error})"
                raise self._refused(problem, "Install wallguard where the workers run")
            raise error
        kind, result = future.result()
        if kind != stamp():
            problem = f"the worker {address} has another version of wallguard, numpy or Python"
            raise self._refused(problem, "Install the same everywhere")
        _, at = self.busy.pop(address)
        future.release()
        self._done(at, result)
        return True

    def _gone(self, address: str) -> None:
        """A worker was lost: what it was at is tried once more."""
        future, at = self.busy.pop(address)
        future.cancel()
        self.kills[at] = self.kills.get(at, 0) + 1
        if self.kills[at] < _KILLS:
            self.waiting.append(at)
            return
        why = f"{_KILLS} workers were lost while they were at it"
        self._done(at, self.work.lost(self.tasks[at], why))

    def _done(self, at: int, result: Result) -> None:
        self.found[at] = result
        self.past += self.costs[at]
        self.hooks.done(at, self.past / (sum(self.costs) or 1.0))

    def _refused(self, problem: str, remedy: str) -> InputError:
        return InputError(f"--cluster {self.address}", problem, remedy=remedy)
