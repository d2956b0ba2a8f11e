"""Write the real output of commands into the README files, where their comments ask for it.

python tests/refresh_readme.py           rewrites them

`<!-- output: WORDS -->` before a code block: what `wallguard WORDS` prints in example_repo.
`<!-- markdown: WORDS -->`: the Markdown report of `wallguard WORDS`, as a quotation.
`<!-- file: PATH -->` before a code block: a file.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import tempfile
from pathlib import Path

from wallguard.commands.main import main as wallguard

ROOT = Path(__file__).resolve().parents[1]
READMES = (ROOT / "README.md", ROOT / "example_repo" / "README.md")
_BLOCK = re.compile(r"(<!-- (output|file): (.+?) -->\n```(\w+)\n)(.*?)(```\n)", re.DOTALL)
_QUOTE = re.compile(r"(<!-- markdown: ([^\n]+?) -->\n\n?)((?:>[^\n]*\n)*)\n*")


def printed(words: str) -> str:
    """What `wallguard WORDS` prints in example_repo."""
    here = Path.cwd()
    out = io.StringIO()
    columns = os.environ.get("COLUMNS")
    os.environ["COLUMNS"] = "90"
    try:
        os.chdir(ROOT / "example_repo")
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
            wallguard(shlex.split(words))
    finally:
        os.chdir(here)
        if columns is None:
            del os.environ["COLUMNS"]
        else:
            os.environ["COLUMNS"] = columns
    return out.getvalue()


def quoted(words: str) -> str:
    """The Markdown report of `wallguard WORDS` as a quotation."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "report.md"
        printed(f"{words} --markdown {shlex.quote(str(path))}")
        lines = path.read_text(encoding="utf-8").splitlines()
    return "".join(f"> {line}".rstrip() + "\n" for line in lines)


def refreshed(text: str) -> str:
    """README text with every asked-for output in place."""

    def block(match: re.Match[str]) -> str:
        head, kind, what, _, _, tail = match.groups()
        if kind == "file":
            return head + (ROOT / what).read_text(encoding="utf-8") + tail
        return head + printed(what) + tail

    text = _BLOCK.sub(block, text)
    return _QUOTE.sub(lambda match: f"<!-- markdown: {match[2]} -->\n\n{quoted(match[2])}\n", text)


if __name__ == "__main__":
    for readme in READMES:
        readme.write_text(refreshed(readme.read_text(encoding="utf-8")), encoding="utf-8")
