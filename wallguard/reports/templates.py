"""Pages from templates: everything shown is escaped, and every character of it can be seen."""

from __future__ import annotations

import base64
import re
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wallguard.base.plain import lines, plain

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

_FOLDER = Path(__file__).parent / "web"
_QUOTED = re.compile(r"`([^`\s](?:[^`]*[^`\s])?)`")


def render(template: str, /, **values: Any) -> str:
    """The page `template` of `reports/web` with these values.

    Text is escaped for HTML, and what cannot be seen in it is spelled (see `base.plain`). Markup of
    ours (a drawing, a style) is marked as such: `{{ drawing | safe }}`; a message, in which
    backticks may quote: `{{ message | told }}`.
    """
    return _environment().get_template(template).render(**values)


def encoded(svg: str) -> str:
    """A picture as it stands behind `data:image/svg+xml;base64,` in a page."""
    return base64.b64encode(svg.encode("utf-8", "backslashreplace")).decode("ascii")


@lru_cache(maxsize=1)
def _environment() -> Environment:
    # Loaded with the first page: no other command is to wait for it.
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    def shown(value: Any) -> Any:
        return plain(value) if isinstance(value, str) and not isinstance(value, Markup) else value

    made = Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        finalize=shown,
        keep_trailing_newline=True,
        lstrip_blocks=True,
        trim_blocks=True,
        undefined=StrictUndefined,
    )
    made.filters["told"] = _told
    return made


def _told(message: str) -> Markup:
    """A message line by line, and as code what stands in it between backticks."""
    from markupsafe import Markup, escape

    code = Markup("<code>{}</code>")
    return Markup("<br>").join(
        Markup("").join(
            code.format(piece) if odd % 2 else escape(piece)
            for odd, piece in enumerate(_QUOTED.split(line))
        )
        for line in lines(message)
    )
