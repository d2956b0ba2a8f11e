"""Whoever wants to know how far a job has come."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from typing import Protocol


class Progress(Protocol):
    """Told the path of each part that is done, with the share of all work that is done then, by
    a rough estimate; and, in one line, what a person should know of how the work is done."""

    def step(self, path: str, share: float | None = None) -> None: ...
    def note(self, line: str) -> None: ...


# Makes one that will be told of so many parts.
Watch = Callable[[int], AbstractContextManager[Progress]]


def silent(total: int) -> AbstractContextManager[Progress]:
    """One that tells nobody."""
    return nullcontext(_Silent())


class _Silent:
    def step(self, path: str, share: float | None = None) -> None:
        pass

    def note(self, line: str) -> None:
        pass
