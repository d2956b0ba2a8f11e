"""Many parts at a time: processes that each do one after the other, the largest first.

A part is given to one process at a time, so that of a process that is killed it is known which part
it was at: that part alone is lost. No more are begun than the machine's memory holds by a rough
estimate, and none at all where the whole job takes less time than starting processes would. When
the job ends, however it ends, no process is left: see `_ended`.
"""

from __future__ import annotations

import math
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import cached_property
from types import FrameType
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, TypeVar

from wallguard.jobs import limits
from wallguard.jobs.limits import Most
from wallguard.jobs.machine import spare_memory

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.context import SpawnProcess

Item = TypeVar("Item")
Result = TypeVar("Result")

# Starting a process takes about this long (s), most of it to load numpy; a job of fewer than twice
# as many seconds is not worth it.
_START = 1.0
# Windows waits for no more than 63 things at a time.
_MOST_THERE = 60
_MIB = 1024**2
# What checking a part takes: seconds for each thousand triangles and to begin with, bytes of memory
# to begin with and for each triangle.
_SECONDS = 0.05
_MEMORY, _GROWS = 400 * _MIB, 1000


class Cost(NamedTuple):
    """What one item will roughly take: seconds, and bytes of memory at most."""

    seconds: float
    memory: int


def cost_of_mesh(triangles: float, ways: int = 1) -> Cost:
    """What checking a part will roughly take, in so many ways (measured on the benchmark parts:
    their time differs tenfold for one size, their memory twofold)."""
    return Cost(_SECONDS * (1 + triangles / 1000) * ways, int(_MEMORY + _GROWS * triangles))


@dataclass(frozen=True)
class Work(Generic[Item, Result]):
    """What is to be done with each item.

    do    a function of a module, or a partial one of such: it is sent to other processes
    cost  what an item will take
    lost  the result for an item whose process was killed, from why
    most  what an item may take; None: as much as it takes
    plain  whether an item that may take so much only probably takes far less: it is begun here
    """

    do: Callable[[Item], Result]
    cost: Callable[[Item], Cost]
    lost: Callable[[Item, str], Result]
    most: Callable[[Item], Most | None] = lambda item: None
    plain: Callable[[Item], bool] = lambda item: True


@dataclass(frozen=True)
class Hooks:
    """Whom to tell.

    done  of the number of each item that is done, and of the share of all work that is done then
    note  in one line, what a person should know of how it is done
    """

    done: Callable[[int, float], None] = lambda at, share: None
    note: Callable[[str], None] = lambda line: None


def do_all(
    work: Work[Item, Result], items: Sequence[Item], jobs: int, hooks: Hooks | None = None
) -> list[Result]:
    """The result of each item, in their order, worked out in up to `jobs` processes.

    What the work raises is raised here, and nothing goes on.
    """
    hooks = hooks or Hooks()
    costs = [work.cost(item) for item in items]
    jobs = min(jobs, len(items), _MOST_THERE if sys.platform == "win32" else len(items))
    crew = _Crew(work, items, costs, hooks)
    left = list(range(len(items)))
    if jobs <= 1 or crew.total < 2 * _START:
        jobs, left = 1, []
        for at, item in enumerate(items):
            results = _done_here(work, item)
            left += [] if results else [at]
            for result in results:
                crew.done(at, result)
    if left:
        with _ended(crew.workers):
            crew.run(jobs, left)
    return [crew.results[at] for at in range(len(items))]


def _done_here(work: Work[Item, Result], item: Item) -> list[Result]:
    """The one result; none where the item needs a process of its own."""
    if work.most(item) is None:
        return [work.do(item)]
    with suppress(limits.TookLong):
        if work.plain(item):
            with limits.alarm(limits.TRIED):
                return [work.do(item)]
    return []


# Of a thread that does one item at a time for somebody: for whom, and its process.
_kept: dict[int, tuple[str, list[_Worker]]] = {}


def do_apart(work: Work[Item, Result], item: Item, whose: str) -> Result:
    """The result of one item, worked out in a process of its own, which is kept for the next one
    that is `whose`, until `end_kept`: for a worker of a cluster, which does one after the other and
    must not end itself."""
    thread = threading.get_ident()
    if _kept.get(thread, (whose,))[0] != whose:
        end_kept(_kept[thread][0])
    _, workers = _kept.setdefault(thread, (whose, []))
    crew = _Crew(work, [item], [work.cost(item)], Hooks(), workers)
    crew.run(1, [0])
    return crew.results[0]


def end_kept(whose: str) -> None:
    """End the processes that `do_apart` kept for somebody."""
    for thread, (owner, workers) in list(_kept.items()):
        if owner == whose:
            del _kept[thread]
            _end(workers)


@dataclass(eq=False)
class _Worker:
    """A process, the way to it, and the number of the item that it is at; None: of none.

    until  when it is waited for no longer; it is late then
    """

    process: SpawnProcess
    way: Connection[Any, Any]
    at: int | None = None
    until: float = math.inf
    late: bool = False


@dataclass
class _Crew(Generic[Item, Result]):
    work: Work[Item, Result]
    items: Sequence[Item]
    costs: Sequence[Cost]
    hooks: Hooks
    workers: list[_Worker] = field(default_factory=list)
    results: dict[int, Result] = field(default_factory=dict)
    past: float = 0.0

    @cached_property
    def total(self) -> float:
        """Seconds that all items will take."""
        return sum(cost.seconds for cost in self.costs)

    def done(self, at: int, result: Result) -> None:
        """Keep a result, and tell of it."""
        self.results[at] = result
        self.past += self.costs[at].seconds
        self.hooks.done(at, self.past / self.total if self.total else 1.0)

    def run(self, jobs: int, which: Sequence[int]) -> None:
        """Do the items of these numbers."""
        order = sorted(which, key=lambda at: (-self.costs[at].seconds, at))
        room, warned = spare_memory(), False
        while order or self._busy():
            while order and self._busy() < jobs:
                at = self._fitting(order, room)
                if at is None:
                    if not warned:
                        self.hooks.note(self._held_back(jobs, room or 0))
                        warned = True
                    break
                order.remove(at)
                self._give(at)
            for worker in self._heard():
                at = worker.at
                assert at is not None
                worker.at = None
                self.done(at, self._answer(worker, at))

    def _busy(self) -> int:
        return sum(worker.at is not None for worker in self.workers)

    def _fitting(self, order: Sequence[int], room: int | None) -> int | None:
        """The next item for which there is memory; None: wait until another one is done."""
        busy = [worker.at for worker in self.workers if worker.at is not None]
        if room is None or not busy:
            return order[0]
        left = room - sum(self.costs[at].memory for at in busy)
        return next((at for at in order if self.costs[at].memory <= left), None)

    def _held_back(self, jobs: int, room: int) -> str:
        return (
            f"{self._busy()} of {jobs} parts at a time: more might not fit the "
            f"{room // _MIB} MiB of memory that are free"
        )

    def _give(self, at: int) -> None:
        """Send an item to a process that waits, or to a new one."""
        most = self.work.most(self.items[at])
        for worker in [worker for worker in self.workers if worker.at is None]:
            worker.at, worker.until = at, time.monotonic() + limits.patience(most)
            with suppress(OSError):  # it ended meanwhile
                worker.way.send((self.items[at], most))
                return
            self.workers.remove(worker)
        worker = _started(self.work.do)
        self.workers.append(worker)
        worker.at, worker.until = at, time.monotonic() + limits.patience(most)
        with suppress(OSError):  # then its end is heard
            worker.way.send((self.items[at], most))

    def _heard(self) -> list[_Worker]:
        """The workers that say something, or say nothing any more."""
        from multiprocessing import connection

        busy = {worker.way: worker for worker in self.workers if worker.at is not None}
        until = min((worker.until for worker in busy.values()), default=math.inf)
        left = None if until == math.inf else max(0.0, until - time.monotonic())
        ready = connection.wait(list(busy), left)
        for way, worker in busy.items():
            if way not in ready and worker.until <= time.monotonic():
                worker.process.kill()  # that is heard in the next round
                worker.until, worker.late = math.inf, True
        return [busy[way] for way in busy if way in ready]

    def _answer(self, worker: _Worker, at: int) -> Result:
        try:
            worked, answer = worker.way.recv()
        except (EOFError, OSError):
            worker.process.join()
            self.workers.remove(worker)
            code = worker.process.exitcode or 0
            if worker.late or code == -getattr(signal, "SIGXCPU", -1):
                why = limits.too_long(self.work.most(self.items[at]))
            else:
                why = _why(code)
            return self.work.lost(self.items[at], why)
        if not worked:
            raise answer
        result: Result = answer
        return result


def _started(do: Callable[[Any], Any]) -> _Worker:
    # Spawned, not forked: the same on every system, and no lock is taken over that nobody frees.
    from multiprocessing import get_context

    context = get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs, do), daemon=True)
    with _not_a_daemon():
        process.start()
    theirs.close()  # so that the end of the process is the end of the pipe
    return _Worker(process, ours)


@contextmanager
def _not_a_daemon() -> Iterator[None]:
    """Worker processes of a cluster are daemons, which may start none, lest these be left running.
    Ours end with the process that started them."""
    from multiprocessing import current_process

    config = getattr(current_process(), "_config", {})
    daemon = config.pop("daemon", None)
    try:
        yield
    finally:
        if daemon is not None:
            config["daemon"] = daemon


def _serve(way: Connection[Any, Any], do: Callable[[Any], Any]) -> None:
    """What a process does: one item after the other, until there is nobody to ask for more."""
    # Ctrl-C is sent to all processes of a terminal; it is the first one's to end the others.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    # Linear algebra in one thread: others would take memory each, and processors from each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with suppress(EOFError, OSError):
        while True:
            item, most = way.recv()
            limits.hold(most)
            try:
                answer = True, do(item)
            except Exception as error:  # it is raised where the answer is wanted
                answer = False, error
            way.send(answer)


def _end_with_parent() -> None:
    """End this process at once when the one that started it is gone, whatever it is at."""
    from multiprocessing import parent_process

    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextmanager
def _ended(workers: list[_Worker]) -> Iterator[None]:
    """Whatever ends what is done inside, an error, Ctrl-C or a request to terminate: no process is
    left behind."""

    def terminated(number: int, frame: FrameType | None) -> None:
        raise SystemExit(128 + number)

    mine = threading.current_thread() is threading.main_thread()
    before = signal.getsignal(signal.SIGTERM) if mine else None
    if before is signal.SIG_DFL:
        signal.signal(signal.SIGTERM, terminated)
    try:
        yield
    finally:
        _end(workers)
        if before is signal.SIG_DFL:
            signal.signal(signal.SIGTERM, signal.SIG_DFL)


def _end(workers: Sequence[_Worker]) -> None:
    for worker in workers:
        worker.process.kill()
    for worker in workers:
        worker.process.join()
        worker.way.close()


def _why(code: int) -> str:
    """Why a process ended, from its exit code."""
    if code >= 0:
        return f"its process ended with exit code {code}"
    with suppress(ValueError):
        return f"its process was killed ({signal.Signals(-code).name})"
    return f"its process was killed (signal {-code})"
