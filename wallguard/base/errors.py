"""What goes wrong with input, said so that a person can mend it."""

from __future__ import annotations

from pathlib import Path


class InputError(Exception):
    """Input that cannot be used: the file, the place in it, what is wrong and what to do.

    `str(error)` is the whole message, ready to show: `file:line:column: problem. Remedy.`
    """

    def __init__(
        self,
        path: str | Path,
        problem: str,
        *,
        remedy: str = "",
        line: int | None = None,
        column: int | None = None,
    ) -> None:
        self.path = str(path)
        self.problem = problem
        self.remedy = remedy
        self.line = line
        self.column = column
        where = ":".join(str(item) for item in (self.path, line, column) if item is not None)
        sentences = (sentence.rstrip(".") + "." for sentence in (problem, remedy) if sentence)
        super().__init__(f"{where}: {' '.join(sentences)}")

    def __reduce__(self) -> tuple[object, ...]:
        # An exception with keyword arguments does not cross a process boundary by itself.
        return _rebuild, (self.path, self.problem, self.remedy, self.line, self.column)


def _rebuild(
    path: str, problem: str, remedy: str, line: int | None, column: int | None
) -> InputError:
    return InputError(path, problem, remedy=remedy, line=line, column=column)
