"""XML from anyone, read as a stream by expat: no document types, no entities, no huge tags."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from xml.parsers import expat

from wallguard.base.errors import InputError
from wallguard.mesh.formats.drawing import EXPORT, mistake

Attributes = dict[str, str]
MAX_DEPTH = 64
_LONGEST_TAG = 1024**2
_NAMES = 10_000  # of elements, attributes and namespaces; expat keeps each
# How the namespace of a prefix begins that a file does not declare, once `declared` did.
UNDECLARED = "undeclared:"
_MOST_PREFIXES = 100
# A name with a prefix where one may stand, a declaration, and the first element of a model.
_USED = re.compile(rb"(?:</?|\s)([A-Za-z_][\w.-]{0,60}):[A-Za-z_][\w.-]*[\s=/>]")
_SAID = re.compile(rb"\sxmlns:([A-Za-z_][\w.-]{0,60})\s*=")
_ROOT = re.compile(rb"<(?:[\w.-]+:)?model(?=[\s/>])")
_OVERLAP = 256
_OWN = (b"xml", b"xmlns")
_UNBOUND = expat.errors.codes[expat.errors.XML_ERROR_UNBOUND_PREFIX]


class UndeclaredError(InputError):
    """A prefix that is used and not declared."""


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
    error: Exception | None = None
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
    except (expat.ExpatError, ValueError, OverflowError, LookupError) as raised:
        error = raised
    if error is not None:
        raise _refusal(path, f"line {parser.CurrentLineNumber} of its part {part!r}", error)


def _refusal(path: Path, where: str, error: Exception) -> InputError:
    if isinstance(error, expat.ExpatError) and error.code == _UNBOUND:
        what = f"{where}: a prefix is used that is not declared"
        return UndeclaredError(path, what, remedy=EXPORT)
    missing = isinstance(error, KeyError)
    said = f"an attribute {error} is missing" if missing else mistake(error)
    return InputError(path, f"{where}: {said}", remedy=EXPORT)


def undeclared_prefixes(blocks: Iterable[bytes]) -> list[str]:
    """The prefixes that look used in a text of XML and are declared nowhere in it."""
    used: set[bytes] = set()
    said: set[bytes] = set(_OWN)
    before = b""
    for block in blocks:
        text = before + block
        used.update(_USED.findall(text))
        said.update(_SAID.findall(text))
        before = text[-_OVERLAP:]
        if len(used) > _NAMES:
            return []
    missing = sorted(used - said)
    return [each.decode("ascii") for each in missing] if len(missing) <= _MOST_PREFIXES else []


def declared(blocks: Iterable[bytes], prefixes: Iterable[str]) -> Iterator[bytes]:
    """The same text with these prefixes declared in its first element, `model`."""
    words = "".join(f' xmlns:{each}="{UNDECLARED}{each}"' for each in prefixes).encode()
    begun = False
    for block in blocks:
        root = None if begun else _ROOT.search(block)
        if root is None:
            yield block
        else:
            begun = True
            yield block[: root.end()] + words + block[root.end() :]
