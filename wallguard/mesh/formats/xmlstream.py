"""XML from anyone, read as a stream by expat: no document types, no entities, no huge tags."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from xml.parsers import expat

from wallguard.base.errors import InputError
from wallguard.mesh.formats.drawing import EXPORT, mistake

Attributes = dict[str, str]
MAX_DEPTH = 64
_LONGEST_TAG = 1024**2
_NAMES = 10_000  # of elements, attributes and namespaces; expat keeps each


def parse(
    path: Path,
    part: str,
    blocks: Iterable[bytes],
    start: Callable[[str, Attributes], None],
    end: Callable[[str], None],
    namespace: Callable[[str, str], None] = lambda prefix, uri: None,
) -> None:
    """Call `start` and `end` for every element, and `namespace` where a prefix is declared.

    Names come as `namespace name`, attributes without a prefix by name alone.
    Raises InputError that names the line of `part`; so does a ValueError out of `start` or `end`,
    and a KeyError, which is an attribute that is missing.
    """
    parser = expat.ParserCreate(namespace_separator=" ")
    depth = 0

    def refuse(*_: object) -> None:
        raise ValueError("declares a document type or entities, which a 3MF file may not")

    def start_element(name: str, attributes: Attributes) -> None:
        nonlocal depth
        depth += 1
        if depth > MAX_DEPTH:
            raise ValueError(f"nests its elements more than {MAX_DEPTH} deep")
        start(name, attributes)

    def end_element(name: str) -> None:
        nonlocal depth
        depth -= 1
        end(name)

    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    parser.StartElementHandler = start_element
    parser.EndElementHandler = end_element
    parser.StartNamespaceDeclHandler = lambda prefix, uri: namespace(prefix or "", uri or "")
    fed = 0
    problem = ""
    try:
        for block in blocks:
            parser.Parse(block, False)
            fed += len(block)
            # Unfinished tags are scanned again with every block: a huge one would take for ever.
            if len(parser.intern) > _NAMES:
                raise ValueError(f"has more than {_NAMES} names of elements and attributes")
            if fed - max(parser.CurrentByteIndex, 0) > _LONGEST_TAG:
                raise ValueError("holds a tag or a text that is longer than 1 MiB")
        parser.Parse(b"", True)
    except KeyError as error:
        problem = f"an attribute {error} is missing"
    except (expat.ExpatError, ValueError, OverflowError, LookupError) as error:
        problem = mistake(error)
    if problem:
        line = parser.CurrentLineNumber
        raise InputError(path, f"line {line} of its part {part!r}: {problem}", remedy=EXPORT)
