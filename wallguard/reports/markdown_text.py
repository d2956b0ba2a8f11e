"""Text from files as Markdown that renders as that very text: no link, mention, markup or HTML.

Words and numbers that cannot mean anything to a renderer stay as they are. All else goes into
code spans, in which Markdown means nothing, addresses become no links and `@name` calls nobody.
"""

from __future__ import annotations

import re

from wallguard.base.plain import clipped, lines, plain

# Words, numbers such as 1.50, 0.40-0.45, 1:200 or 12%, a lone sign, or dots. No full stop or colon
# inside words (addresses), no marks of Markdown.
_SAFE = re.compile(
    r"""(?! .* www ) (?:
      [^\W\d_]+ (?: [-/'] [^\W\d_]+ )*
      | [-+±≤≥×=]? \d{1,9} (?: [.:,] \d{1,9} )? (?: - \d{1,9} (?: \. \d{1,9} )? )? %? (?: mm )?
      | \d{4} - \d\d - \d\d
      | [-+±≤≥×=–→] | ->
      | \.\.\.
    )""",
    re.VERBOSE | re.IGNORECASE,
)
# A word with what stands before and after it, which is safe outside of a span and belongs to the
# sentence. What a message of ours has between single backticks is one word, its spaces included.
_WORD = re.compile(r"(?: ` [^`]+ ` | [^ ] )+", re.VERBOSE)
_PARTS = re.compile(r"""([("']*) (.*?) ([)"',.;:]*)""", re.VERBOSE)
_QUOTED = re.compile(r"` ( [^`\s] | [^`\s] [^`]* [^`\s] ) `", re.VERBOSE)


def code(text: str, longest: int = 200) -> str:
    """A name as a code span, on one line; at most `longest` characters of it.

    A vertical bar stands between spans, as a character reference: inside of a span in a table
    renderers disagree on how it is escaped.
    """
    pieces = clipped(plain(text), longest).split("|")
    return "&#124;".join(_span(piece) for piece in pieces) or "(no name)"


def prose(text: str, longest: int = 1000) -> str:
    """A message, on one line (its line breaks as `<br>`); at most `longest` characters of it."""
    kept = clipped("\n".join(lines(text)), longest)
    return "<br>".join(_words(line) for line in kept.split("\n") if line.strip())


def _span(piece: str) -> str:
    if not piece:
        return ""
    # GFM 6.3: the fence is longer than any run of backticks inside; one space is stripped on
    # either side if there is one on both.
    longest = max((len(run) for run in re.findall("`+", piece)), default=0)
    fence = "`" * (longest + 1)
    pad = " " if piece.strip() and (piece[0] in "` " or piece[-1] in "` ") else ""
    return f"{fence}{pad}{piece}{pad}{fence}"


def _words(line: str) -> str:
    """A line with every odd word in a span; odd words that follow each other share one."""
    out = ""
    odd = ""
    end = 0
    for word in _WORD.finditer(line):
        space, end = line[end : word.start()], word.end()
        before, core, after = _parts(word[0])
        if _SAFE.fullmatch(core):
            out, odd = out + _odd(odd) + space + word[0], ""
            continue
        quoted = _QUOTED.fullmatch(core)
        if odd and not before and not quoted:
            odd += space + core
        else:
            out, odd = out + _odd(odd) + space + before, core
        if after or quoted:
            out, odd = out + _odd(quoted[1] if quoted else odd) + after, ""
    return (out + _odd(odd)).strip()


def _parts(word: str) -> tuple[str, str, str]:
    """What stands before a word, the word, and what stands after it."""
    parts = _PARTS.fullmatch(word)
    before, core, after = parts.groups() if parts else ("", "", "")
    # Dots are a word, and marks alone are one too.
    if after.startswith("...") and not core:
        core, after = "...", after[3:]
    return (before, core, after) if core else ("", word, "")


def _odd(words: str) -> str:
    return code(words, len(words)) if words else ""
