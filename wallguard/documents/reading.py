"""YAML files read safely, with the line and column of every key and value.

Only plain data is read: mappings, lists, text, numbers, true, false and nothing (null), as YAML
1.2's core schema spells them, so that `no` and `1:200` stay text. Tags are refused. Anchors may be
used, but what they expand to counts against the limits below, which bound time and memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from wallguard.base import files
from wallguard.base.errors import InputError

if TYPE_CHECKING:
    import yaml

MAX_BYTES = 256 * 1024
MAX_VALUES = 10_000
MAX_DEPTH = 16
MAX_PROBLEMS = 40


@dataclass(frozen=True)
class Place:
    """A place in a file; line and column count from 1."""

    path: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.path}:{self.line}:{self.column}"


@dataclass(frozen=True)
class Scalar:
    """One value: None, bool, int, float or str; `text` is how it stands in the file."""

    value: bool | int | float | str | None
    place: Place
    text: str = ""

    def plain(self) -> Any:
        """The value alone."""
        return self.value


@dataclass(frozen=True)
class Sequence:
    """A list."""

    items: tuple[Node, ...]
    place: Place

    def plain(self) -> Any:
        """The values alone, as a list."""
        return [item.plain() for item in self.items]


@dataclass(frozen=True)
class Entry:
    """A key's place, and its value."""

    place: Place
    value: Node


@dataclass(frozen=True)
class Mapping:
    """Keys with their values, in the order of the file. Keys are text."""

    entries: dict[str, Entry]
    place: Place

    def plain(self) -> Any:
        """The values alone, as a dict."""
        return {key: entry.value.plain() for key, entry in self.entries.items()}

    def at(self, *keys: str) -> Entry | None:
        """The entry under `keys`, one inside the other, or None."""
        entry: Entry | None = None
        inside: Node = self
        for key in keys:
            entry = inside.entries.get(key) if isinstance(inside, Mapping) else None
            if entry is None:
                return None
            inside = entry.value
        return entry


Node: TypeAlias = Scalar | Sequence | Mapping


@dataclass(frozen=True)
class Problem:
    """One thing wrong at one place, and what to do about it.

    cause  others may follow from it, so it is told first
    """

    place: Place
    text: str
    remedy: str = ""
    cause: bool = False

    def __str__(self) -> str:
        return str(self.error())

    def error(self) -> InputError:
        """This problem alone as an error."""
        return InputError(
            self.place.path,
            self.text,
            remedy=self.remedy,
            line=self.place.line,
            column=self.place.column,
        )


class DocumentError(InputError):
    """Everything that is wrong with a document, one line each: causes first, then in the order of
    the file.

    `line`, `column`, `problem` and `remedy` are those of the first of `problems`.
    """

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        files = list(dict.fromkeys(problem.place.path for problem in problems))
        problems = tuple(
            sorted(
                problems,
                key=lambda problem: (
                    not problem.cause,
                    files.index(problem.place.path),
                    problem.place.line,
                    problem.place.column,
                ),
            )
        )
        first = problems[0]
        super().__init__(
            first.place.path,
            first.text,
            remedy=first.remedy,
            line=first.place.line,
            column=first.place.column,
        )
        self.problems = problems
        lines = [str(problem) for problem in problems[:MAX_PROBLEMS]]
        if len(problems) > MAX_PROBLEMS:
            lines.append(f"{first.place.path}: and {len(problems) - MAX_PROBLEMS} more problems.")
        self.args = ("\n".join(lines),)

    def __reduce__(self) -> tuple[object, ...]:
        return DocumentError, (self.problems,)


@dataclass(frozen=True)
class FileKind:
    """What a file is called in messages, and how one begins if a person writes it."""

    name: str = "a YAML file"
    first_line: str = "wallguard: 1"


_YAML = FileKind()


def read_text(
    path: Path,
    shown: str,
    limit: int = MAX_BYTES,
    kind: FileKind = _YAML,
    *,
    root: Path | None = None,
) -> str:
    """The text of a regular UTF-8 file of at most `limit` bytes; `shown` names it in errors.

    Raises InputError: cannot be read or lies outside `root` (see `base.files`), empty, not text.
    """
    data = files.read(path, limit, kind=kind.name, shown=shown, root=root)
    return _decode(data, shown, kind)


def read_document(path: Path, shown: str | None = None, *, root: Path | None = None) -> Mapping:
    """The YAML file at `path`, whose top level is a mapping; `shown` names it in errors.

    root  a folder that the file must not lie outside of, links followed; None: anywhere

    Raises InputError (DocumentError where the place is known) for anything that is not such a
    file: see `read_text` and `parse_document`.
    """
    shown = str(path) if shown is None else shown
    return parse_document(read_text(path, shown, root=root), shown)


def parse_document(text: str, shown: str) -> Mapping:
    """YAML text as a Mapping; `shown` names the file in errors.

    Raises DocumentError: not YAML, more than one document, duplicate keys, tags, too many values
    (aliases counted as often as they are used) or too deeply nested, or no mapping at the top.
    """
    import yaml

    builder = _Builder(shown)
    try:
        node = builder.document(yaml.parse(text, Loader=yaml.SafeLoader))
    except yaml.MarkedYAMLError as error:
        # A key without its `:` is found out only at the next line; the context is where it began.
        late = error.problem == _NO_COLON
        mark = (error.context_mark if late else None) or error.problem_mark
        problem = Problem(builder.place(mark), *_in_plain_words(error))
        raise DocumentError((*builder.problems, problem)) from None
    except (yaml.YAMLError, ValueError, OverflowError):
        # The scanner lets Python's own error through for an escape beyond the last character.
        problem = Problem(
            builder.last, "what follows here cannot be read as YAML", "Check escapes such as \\U"
        )
        raise DocumentError((*builder.problems, problem)) from None
    if builder.problems:
        raise DocumentError(tuple(builder.problems))
    if not isinstance(node, Mapping):
        if node is None or (isinstance(node, Scalar) and node.value is None):
            raise InputError(
                shown, "the file is empty", remedy="Write at least the line `wallguard: 1`"
            )
        raise DocumentError(
            (
                Problem(
                    node.place,
                    f"expected keys with values, but found {describe(node)}",
                    "Begin with the line `wallguard: 1`",
                ),
            )
        )
    return node


def describe(node: Node) -> str:
    """What stands there, in words, short enough for a message."""
    if isinstance(node, Mapping):
        return "keys with values"
    if isinstance(node, Sequence):
        return f"a list of {len(node.items)}"
    if node.value is None:
        return "nothing"
    if isinstance(node.value, str):
        text = node.value if len(node.value) <= 40 else node.value[:39] + "…"
        return '"' + "".join(c if c.isprintable() else "�" for c in text) + '"'
    return node.text if len(node.text) <= 40 else node.text[:39] + "…"


def _decode(data: bytes, shown: str, kind: FileKind) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(shown, "the text is UTF-16", remedy="Save the file as UTF-8")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8", "replace")
        place = _place_after(before, shown)
        raise DocumentError(
            (Problem(place, "a byte that is not UTF-8 text", "Save the file as UTF-8"),)
        ) from None
    odd = re.search(r"[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", text)
    if odd:
        problem = f"a control character (code {ord(odd[0])}): this is no text file"
        place = _place_after(text[: odd.start()], shown)
        raise DocumentError((Problem(place, problem, "Check that it is the right file"),))
    if not text.strip():
        first = f"Write at least the line `{kind.first_line}`"
        remedy = first if kind.first_line else f"Name {kind.name}"
        raise InputError(shown, "the file is empty", remedy=remedy)
    return text


def _place_after(before: str, shown: str) -> Place:
    return Place(shown, before.count("\n") + 1, len(before) - before.rfind("\n"))


_INTEGER = re.compile(r"[-+]?[0-9]{1,15}")
_NUMBER = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_WORDS: dict[str, bool | float | None] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL")),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
    **dict.fromkeys((".inf", ".Inf", ".INF", "+.inf", "+.Inf", "+.INF"), float("inf")),
    **dict.fromkeys(("-.inf", "-.Inf", "-.INF"), float("-inf")),
    **dict.fromkeys((".nan", ".NaN", ".NAN"), float("nan")),
}


def _value(text: str) -> bool | int | float | str | None:
    """An unquoted scalar's value, as the core schema of YAML 1.2 (section 10.3.2) has it."""
    if text in _WORDS:
        return _WORDS[text]
    if _INTEGER.fullmatch(text):
        return int(text)
    return float(text) if _NUMBER.fullmatch(text) else text


@dataclass(frozen=True)
class _Built:
    node: Node
    values: int
    depth: int


class _Builder:
    """Turns the parser's events into nodes, and stops at the limits."""

    def __init__(self, shown: str) -> None:
        self.shown = shown
        self.last = Place(shown, 1, 1)
        self.problems: list[Problem] = []
        self.anchors: dict[str, _Built] = {}
        self.values = 0

    def place(self, mark: yaml.Mark | yaml._yaml.Mark | None) -> Place:
        return Place(self.shown, mark.line + 1, mark.column + 1) if mark else self.last

    def document(self, events: Iterator[yaml.Event]) -> Node | None:
        import yaml

        node: Node | None = None
        documents = 0
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    problem = "a second document begins here"
                    raise self.stop(event, problem, "Keep one document in a file: remove `---`")
            elif isinstance(event, yaml.NodeEvent):
                node = self.build(event, events, 1).node
        return node

    def stop(self, event: yaml.Event, problem: str, remedy: str) -> DocumentError:
        self.problems.append(Problem(self.place(event.start_mark), problem, remedy))
        return DocumentError(tuple(self.problems))

    def build(self, event: yaml.Event, events: Iterator[yaml.Event], depth: int) -> _Built:
        import yaml

        self.last = self.place(event.start_mark)
        if isinstance(event, yaml.AliasEvent):
            return self.alias(event, depth)
        self.count(event, 1, depth)
        tag = getattr(event, "tag", None)
        if tag is not None:
            self.problems.append(
                Problem(
                    self.last,
                    f"the tag `{tag[:40]}`: tags are not used here",
                    "Remove it, or put text that begins with ! in quotes",
                )
            )
        if isinstance(event, yaml.MappingStartEvent):
            built = self.mapping(event, events, depth)
        elif isinstance(event, yaml.SequenceStartEvent):
            built = self.sequence(event, events, depth)
        else:
            assert isinstance(event, yaml.ScalarEvent)
            text = self.encodable(event)
            value = _value(text) if event.style is None else text
            built = _Built(Scalar(value, self.last, text), 1, 1)
        if event.anchor is not None:
            # Known only once it is complete, so nothing can contain itself.
            self.anchors[event.anchor] = built
        return built

    def alias(self, event: yaml.AliasEvent, depth: int) -> _Built:
        name = event.anchor or ""
        if name not in self.anchors:
            raise self.stop(
                event,
                f"`*{name[:40]}` refers to nothing above",
                "Put text that begins with * in quotes",
            )
        built = self.anchors[name]
        self.count(event, built.values, depth + built.depth - 1)
        return built

    def count(self, event: yaml.Event, values: int, depth: int) -> None:
        self.values += values
        if self.values > MAX_VALUES:
            problem = f"more than {MAX_VALUES} values, aliases counted as often as used"
            raise self.stop(event, problem, "Remove aliases, or check that it is the right file")
        if depth > MAX_DEPTH:
            problem = f"nested more than {MAX_DEPTH} levels deep"
            raise self.stop(event, problem, "Check brackets and indentation")

    def encodable(self, event: yaml.ScalarEvent) -> str:
        text: str = event.value
        try:
            text.encode()
        except UnicodeEncodeError:
            problem = "an escape for half a character"
            raise self.stop(event, problem, "Write the character itself") from None
        return text

    def sequence(self, start: yaml.Event, events: Iterator[yaml.Event], depth: int) -> _Built:
        import yaml

        place = self.last
        items: list[_Built] = []
        for event in events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            items.append(self.build(event, events, depth + 1))
        return _Built(
            Sequence(tuple(item.node for item in items), place),
            1 + sum(item.values for item in items),
            1 + max((item.depth for item in items), default=0),
        )

    def mapping(self, start: yaml.Event, events: Iterator[yaml.Event], depth: int) -> _Built:
        import yaml

        place = self.last
        entries: dict[str, Entry] = {}
        values, deepest = 1, 0
        for event in events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            if not isinstance(event, yaml.ScalarEvent):
                raise self.stop(event, "a key that is not plain text", "Write `key: value`")
            key, key_place = self.encodable(event), self.place(event.start_mark)
            if event.anchor is not None or event.tag is not None:
                raise self.stop(event, "a key with an anchor or a tag", "Write `key: value`")
            built = self.build(next(events), events, depth + 1)
            values, deepest = values + built.values, max(deepest, built.depth)
            if key in entries:
                self.problems.append(
                    Problem(
                        key_place,
                        f"the key `{key[:40]}` stands here a second time, "
                        f"first in line {entries[key].place.line}",
                        "Keep one of them",
                    )
                )
            else:
                entries[key] = Entry(key_place, built.node)
        return _Built(Mapping(entries, place), values, 1 + deepest)


_NO_COLON = "could not find expected ':'"


def _in_plain_words(error: yaml.MarkedYAMLError) -> tuple[str, str]:
    """What the parser found and what to do, without the parser's own terms where they recur."""
    problem, context = error.problem or "", error.context or ""
    if "'\\t'" in problem:
        return "a tab where YAML wants spaces", "Indent with spaces"
    if "alias" in context or "anchor" in context:
        return "text that begins with * or & without quotes", "Put it in quotes"
    if problem == "mapping values are not allowed here":
        return (
            "a `:` where no key can stand",
            "Check the indentation, and put text that holds `: ` in quotes",
        )
    if problem == _NO_COLON:
        return "a line without `:` after its key", "Write `key: value`"
    if problem.startswith(("expected <block end>", "expected ',' or")):
        return (
            "this does not go on with what stands before it",
            "Check indentation, brackets and commas",
        )
    return f"cannot be read as YAML ({problem})", "Check this line and the one before it"
