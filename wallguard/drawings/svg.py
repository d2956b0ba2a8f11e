"""Small pieces of SVG: numbers, escaped text, shapes, and one style for each fill.

SVG 1.1 (W3C Recommendation, 2011), its static part only: no script, no link, nothing fetched.
Lengths are in the units of the picture's view box, which are millimetres on paper.
"""

from __future__ import annotations

import html
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from wallguard.base.plain import plain
from wallguard.drawings.kinds import mark
from wallguard.rules.model import Fill

Point = tuple[float, float]

# From dark to light as evenly as the eye takes it, and alike with most kinds of colour blindness:
# cividis (Nuñez, Anderton and Renslow, PLOS ONE 13(7), 2018) in eleven steps.
CIVIDIS = (
    "#00224e", "#083370", "#35456c", "#4f576c", "#666970", "#7d7c78",
    "#948e77", "#aea371", "#c8b866", "#e5cf52", "#fee838",
)  # fmt: skip

FONT = "sans-serif"
INK, PALE, PAPER = "#000000", "#595959", "#ffffff"


@dataclass(frozen=True)
class FillStyle:
    """How a fill is shown: never by its colour alone.

    colour   from the set of Okabe and Ito ("Color Universal Design", 2008; values from memory)
    pattern  what is drawn over it in a tile of `tile` x `tile` mm
    words    what it means
    """

    colour: str
    pattern: str
    tile: float
    words: str


FILLS: Mapping[Fill, FillStyle] = {
    "solid": FillStyle("#009e73", "", 4, "solid: material all through"),
    "hollow": FillStyle(
        "#e69f00",
        '<path d="M-1 1L1 -1M-1 4L4 -1M2 4L4 2" stroke="#ffffff" stroke-width="1"/>',
        3,
        "hollow: a void along its middle",
    ),
    "missing": FillStyle(
        "#ffffff",
        '<path d="M1 1L3 3M3 1L1 3" stroke="#d55e00" stroke-width="0.6"/>',
        4,
        "missing: nothing is printed",
    ),
    "uncertain": FillStyle(
        "#56b4e9",
        '<circle cx="1.25" cy="1.25" r="0.55" fill="#000000"/>',
        2.5,
        "uncertain: not found out yet",
    ),
}

# What else a place in a part can come to: the wall's printed thickness, or air that may close.
PLACES: Mapping[str, FillStyle] = {
    **{str(fill): style for fill, style in FILLS.items()},
    "missing": FillStyle(  # small, for walls are thin
        "#ffffff",
        '<path d="M0.4 0.4L1.6 1.6M1.6 0.4L0.4 1.6" stroke="#d55e00" stroke-width="0.4"/>',
        2,
        "missing: drawn, but not printed",
    ),
    "porous": FillStyle(
        "#e69f00",
        '<circle cx="1" cy="1" r="0.5" fill="#ffffff"/>',
        2,
        "porous: air that ends in every layer",
    ),
    "thickened": FillStyle(
        "#cc79a7",
        '<path d="M0 1L3 1M0 2.5L3 2.5" stroke="#ffffff" stroke-width="0.6"/>',
        3,
        "thickened: printed, but not drawn",
    ),
    "thinned": FillStyle(
        "#0072b2",
        '<path d="M1 0L1 3M2.5 0L2.5 3" stroke="#ffffff" stroke-width="0.6"/>',
        3,
        "thinned: drawn, but not printed",
    ),
    "gap": FillStyle(
        "#f0e442",
        '<path d="M1.5 0L1.5 3M0 1.5L3 1.5" stroke="#000000" stroke-width="0.3"/>',
        3,
        "air that may close",
    ),
}


def number(value: float) -> str:
    """A coordinate: at most three decimals, no exponent, no minus zero."""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def escape(text: str) -> str:
    """Text for an element or an attribute of XML or HTML; what cannot be seen is spelled."""
    return html.escape(plain(text), quote=True)


def element(tag: str, content: str = "", /, **attributes: str | float) -> str:
    """One element; `content` is markup. Underscores in names of attributes stand for hyphens."""
    written = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{_value(value)}"'
        for name, value in attributes.items()
    )
    return f"<{tag}{written}>{content}</{tag}>" if content else f"<{tag}{written}/>"


def rect(x: float, y: float, width: float, height: float, **attributes: str | float) -> str:
    return element("rect", "", x=x, y=y, width=width, height=height, **attributes)


def line(x1: float, y1: float, x2: float, y2: float, **attributes: str | float) -> str:
    return element("line", "", x1=x1, y1=y1, x2=x2, y2=y2, **({"stroke": INK} | attributes))


def path(
    rings: Iterable[Iterable[Point]], *, closed: bool = True, **attributes: str | float
) -> str:
    """Lines through the points of each ring, in one element."""
    end = "Z" if closed else ""
    drawn = "".join(
        "M" + "L".join(f"{number(x)} {number(y)}" for x, y in ring) + end for ring in rings
    )
    return element("path", "", d=drawn, **attributes)


def text(x: float, y: float, content: str, size: float, **attributes: str | float) -> str:
    """A line of text, its base line at y; `content` is plain text, escaped here."""
    return element("text", escape(content), x=x, y=y, font_size=size, **attributes)


def paint(fill: str) -> str:
    """The value of a `fill` attribute for one of FILLS; the picture must hold `patterns()`."""
    return f"url(#fill-{fill})"


def patterns(styles: Mapping[Fill, FillStyle] | Mapping[str, FillStyle] = FILLS) -> str:
    """The definitions that `paint` refers to."""
    return element(
        "defs",
        "".join(
            element(
                "pattern",
                rect(0, 0, style.tile, style.tile, fill=style.colour) + style.pattern,
                id=f"fill-{fill}",
                width=style.tile,
                height=style.tile,
                patternUnits="userSpaceOnUse",
            )
            for fill, style in styles.items()
        ),
    )


def document(width: float, height: float, title: str, body: Iterable[str], kind: str) -> str:
    """A whole picture of `width` x `height` mm; `title` is plain text, `body` is markup.

    kind  see `drawings.kinds`
    """
    lines = "\n".join(body)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{number(width)}mm" '
        f'height="{number(height)}mm" viewBox="0 0 {number(width)} {number(height)}" '
        f'font-family="{FONT}" role="img">\n'
        f"<!-- {mark(kind)} -->\n<title>{escape(title)}</title>\n{lines}\n</svg>\n"
    )


def text_width(content: str, size: float) -> float:
    """About how wide a line of text comes out, on the wide side: fonts differ."""
    wide = sum(unicodedata.east_asian_width(char) in "WF" for char in content)
    return size * (0.56 * (len(content) - wide) + 1.05 * wide)


def wrapped(content: str, size: float, width: float, most: int) -> list[str]:
    """Lines of at most `width`, and at most so many; the last ends in `...` if some are cut off."""
    lines: list[str] = []
    for paragraph in content.splitlines():
        current = ""
        for word in paragraph.split():
            for piece in _pieces(word, size, width):
                longer = f"{current} {piece}".strip()
                if text_width(longer, size) > width and current:
                    lines.append(current)
                    longer = piece
                current = longer
        if current:
            lines.append(current)
    if len(lines) > most:
        last = lines[most - 1]
        while last and text_width(last + " ...", size) > width:
            last = last[:-1]
        lines = [*lines[: most - 1], last + " ..."]
    return lines


def _pieces(word: str, size: float, width: float) -> list[str]:
    """A word that is too long for a line, in pieces."""
    pieces: list[str] = []
    while text_width(word, size) > width and len(word) > 1:
        count = max(1, int(len(word) * width / text_width(word, size)))
        pieces.append(word[:count])
        word = word[count:]
    return [*pieces, word]


def _value(value: str | float) -> str:
    return value if isinstance(value, str) else number(value)
