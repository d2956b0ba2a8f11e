"""Text from files as Markdown that renders as that very text: no link, mention, markup or HTML.

Words and numbers that cannot mean anything to a renderer stay as they are. All else goes into
code spans, in which Markdown means nothing, addresses become no links and `@name` calls nobody.
"""

from __future__ import annotations

import re

from wallguard.base.plain import clipped, lines, plain

# Words, numbers such as 1.50, 0.40-0.45, 1:200 or 12%, a lone sign, or dots; within brackets or
# quotes and before a comma or the like. No full stop or colon inside words (addresses), no marks of
# Markdown.
_SAFE = re.compile(
    r"""(?! .* www ) [("']*
    (?: [^\W\d_]+ (?: [-/'] [^\W\d_]+ )*
      | [-+±≤≥×=]? \d{1,9} (?: [.:,] \d{1,9} )? (?: - \d{1,9} (?: \. \d{1,9} )? )? %? (?: mm )?
      | [-+±≤≥×=–]
      | \.\.\.
    )
    [)"',.;:]*""",
    re.VERBOSE | re.IGNORECASE,
)


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
    out: list[str] = []
    odd: list[str] = []
    for word in line.strip().split(" "):
        if word and not _SAFE.fullmatch(word):
            odd.append(word)
            continue
        if odd:
            out.append(code(" ".join(odd), len(line)))
            odd = []
        out.append(word)
    if odd:
        out.append(code(" ".join(odd), len(line)))
    return " ".join(out)
