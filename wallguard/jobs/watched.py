"""What is asked of one part alone, under the watchdog of `limits`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any, NoReturn, TypeVar

from wallguard.base.errors import InputError
from wallguard.jobs import limits
from wallguard.jobs.limits import Most
from wallguard.jobs.workers import Cost, Item, Result, Work, do_all

Answer = TypeVar("Answer")

_NOTHING = Cost(0.0, 0)


class TooMuchError(InputError):
    """Something takes more than it may; `why` says more of what."""

    def __init__(self, path: str, why: str) -> None:
        super().__init__(path, f"not done, because {why}", remedy="Simplify it, or allow more")
        self.why = why

    def __reduce__(self) -> tuple[object, ...]:
        return TooMuchError, (self.path, self.why)


@dataclass(frozen=True)
class Watch:
    """What a job may take.

    path   what it is about, to name it in errors
    most   for each item; None: as much as it takes
    plain  whether an item probably takes far less, so that it is begun in this process
    cost   of an item, where there are several
    """

    path: str
    most: Most | None
    plain: Callable[[], bool]
    cost: Cost = _NOTHING

    def work(self, do: Callable[[Item], Result]) -> Work[Item, Result]:
        """Work of which an item that takes more is an InputError. `do` is a function of a module,
        or a partial one of such."""
        told = partial(_told, do, self.path)
        return Work(
            told,
            lambda item: self.cost,
            self._lost,
            lambda item: self.most,
            lambda item: self._plain,
        )

    def _lost(self, item: Any, why: str) -> NoReturn:
        raise TooMuchError(self.path, why)

    @cached_property
    def _plain(self) -> bool:
        return self.plain()


def watched(do: Callable[[], Answer], watch: Watch) -> Answer:
    """What `do` gives, a partial of a function of a module.

    Raises what `do` raises, and InputError where it takes more than it may.
    """
    work: Work[None, Answer] = watch.work(partial(_called, do))
    return do_all(work, [None], 1)[0]


def _called(do: Callable[[], Answer], item: None) -> Answer:
    return do()


def _told(do: Callable[[Item], Result], path: str, item: Item) -> Result:
    """What is done, and in words where memory does not suffice: only here it is known why."""
    try:
        return do(item)
    except (InputError, MemoryError) as error:
        if limits.out_of_memory(error):
            raise TooMuchError(path, limits.too_large()) from None
        raise
