"""What goes wrong with input, said so that a person can mend it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from wallguard.base.plain import one_line


class InputError(Exception):
    """Input that cannot be used: the file, the place in it, what is wrong and what to do.

    `str(error)` is the whole message, ready to show: `file:line:column: problem. Remedy.`; where
    `told` is what somebody else's program said, line by line, it stands below, after a colon.
    """

    def __init__(
        self,
        path: str | Path,
        problem: str,
        *,
        remedy: str = "",
        line: int | None = None,
        column: int | None = None,
        told: Sequence[str] = (),
    ) -> None:
        self.path = str(path)
        self.problem = problem
        self.remedy = remedy
        self.told = tuple(told)
        self.line = line
        self.column = column
        where = ":".join(str(item) for item in (self.path, line, column) if item is not None)
        sentences = (sentence.rstrip(".") + "." for sentence in (problem, remedy) if sentence)
        said = f"{where}: {' '.join(sentences)}"
        if told:
            said = "\n  ".join([f"{said.rstrip('.')}:", *told])
        super().__init__(said)

    def __reduce__(self) -> tuple[object, ...]:
        # An exception with keyword arguments does not cross a process boundary by itself.
        kept = self.path, self.problem, self.remedy, self.line, self.column, self.told
        return _rebuild, kept


class TooLargeError(InputError):
    """A part that would take more memory or time than there is reason for.

    what  how much of what: "3000000 layers of 0.2 mm"
    path  the part; who finds that it is too large may not know which it is, so that whoever asked
          about a part names it: see `part.geometry.Geometry`
    """

    def __init__(self, what: str, path: str = "this part") -> None:
        remedy = "Check the part's scale and unit"
        super().__init__(path, f"{what} is too much to check", remedy=remedy)
        self.what = what

    def of(self, path: str) -> TooLargeError:
        """The same of the part `path`."""
        return TooLargeError(self.what, path)

    def __reduce__(self) -> tuple[object, ...]:
        return TooLargeError, (self.what, self.path)


def _rebuild(
    path: str,
    problem: str,
    remedy: str,
    line: int | None,
    column: int | None,
    told: Sequence[str],
) -> InputError:
    return InputError(path, problem, remedy=remedy, line=line, column=column, told=told)


def unforeseen(error: Exception) -> str:
    """In one line what went wrong that nobody foresaw, and in which line of which module."""
    place = error.__traceback__
    while place is not None and place.tb_next is not None:
        place = place.tb_next
    where = ""
    if place is not None:
        name = place.tb_frame.f_code.co_filename.replace("\\", "/").rpartition("/")[2]
        where = f" ({name}, line {place.tb_lineno})"
    said = one_line(str(error))[:300]
    return f"this went wrong inside: {type(error).__name__}: {said}{where}"
