"""Text from files, made safe to show: it may hold line breaks, terminal codes, broken bytes."""

from __future__ import annotations

_SHORT = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}
# How Python hands on the bytes of a file name that are not UTF-8 (PEP 383).
_BYTES = range(0xDC80, 0xDD00)


def plain(text: str) -> str:
    """One line in which every character can be seen: what cannot is spelled, as `\\x1b`, `\\u202e`.

    Control characters, direction marks, line breaks, odd spaces and lone surrogates are spelled, so
    the result is safe on a terminal, valid in XML 1.0 and can be encoded as UTF-8.
    """
    if text.isprintable():
        return text
    return "".join(char if char.isprintable() else spelled(char) for char in text)


def spelled(char: str) -> str:
    """One character as an escape."""
    code = ord(char)
    if char in _SHORT:
        return _SHORT[char]
    if code < 0x80:
        return f"\\x{code:02x}"
    if code in _BYTES:
        return f"\\x{code - 0xDC00:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def lines(text: str) -> list[str]:
    """The lines of a message, each made plain; at least one."""
    return [plain(line) for line in text.split("\n")]


def one_line(text: str) -> str:
    """A message on one line."""
    return "; ".join(line.strip() for line in lines(text) if line.strip())


def clipped(text: str, longest: int) -> str:
    """At most `longest` characters, with `...` in the middle where some are left out."""
    if len(text) <= longest:
        return text
    kept = longest - 3
    return text[: kept - kept // 2] + "..." + text[len(text) - kept // 2 :]


def without_path(path: str, message: str) -> str:
    """A message without the file it begins with, for where the file is named beside it."""
    return message.removeprefix(f"{path}: ")


def capital(text: str) -> str:
    """The text as a sentence begins."""
    return text[:1].upper() + text[1:]


def counted(number: int, singular: str, many: str = "") -> str:
    """A number with its noun: "1 part", "2 parts"."""
    return f"{number} {singular if number == 1 else many or singular + 's'}"


def listed(items: list[str]) -> str:
    """Items as in a sentence: "a, b and c"."""
    return " and ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


def nearest(word: str, known: tuple[str, ...]) -> str | None:
    """The known word most like `word`, or None where none is like it."""
    import difflib

    matches = difflib.get_close_matches(word[:80].lower(), known, n=1, cutoff=0.6)
    return matches[0] if matches else None
