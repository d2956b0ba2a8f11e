"""Write what the program says of itself into the files that quote it.

python tests/refresh_readme.py           rewrites them

`<!-- output: WORDS -->` before a code block: what `wallguard WORDS` prints in example_repo.
`<!-- markdown: WORDS -->`: the Markdown report of `wallguard WORDS`, as a quotation.
`<!-- file: PATH -->` before a code block: a file.
`<!-- limits -->`: the table of what a rule file may set limits to.
The JSON Schemas in `schemas/`, for editors.
`<!-- formats -->` before the names of the mesh formats; without any comment, the pattern of
the files that the hook is for.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import tempfile
from pathlib import Path

from wallguard.base.formats import HOOK_FILES, MESH_FORMATS
from wallguard.commands import schema
from wallguard.commands.main import main as wallguard
from wallguard.rules.features import CATEGORIES, FEATURES

ROOT = Path(__file__).resolve().parents[1]
READMES = (
    "README.md",
    "example_repo/README.md",
    "example_repo/.pre-commit-config.yaml",
    "hooks/README.md",
    ".pre-commit-hooks.yaml",
)
_BLOCK = re.compile(r"(<!-- (output|file): (.+?) -->\n```(\w+)\n)(.*?)(```\n)", re.DOTALL)
_QUOTE = re.compile(r"(<!-- markdown: ([^\n]+?) -->\n\n?)((?:>[^\n]*\n)*)\n*")

_LIMITS = re.compile(r"(<!-- limits -->\n)(?:\|[^\n]*\n)*")
_FORMATS = re.compile(r"(<!-- formats -->)[^.]*")
_HOOK_FILES = re.compile(r"^( *files: )\(\?i\)\S+$", re.MULTILINE)

# The commit that is checked out is another one with each commit; its place is kept.
_COMMIT = re.compile(r"(\bat `?)[0-9a-f]{10}\b")


def _settled(text: str) -> str:
    return _COMMIT.sub(r"\g<1>1a2b3c4d5e", text)


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
    return _settled(out.getvalue())


def quoted(words: str) -> str:
    """The Markdown report of `wallguard WORDS` as a quotation."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "report.md"
        printed(f"{words} --markdown {shlex.quote(str(path))}")
        lines = _settled(path.read_text(encoding="utf-8")).splitlines()
    return "".join(f"> {line}".rstrip() + "\n" for line in lines)


def limits() -> str:
    """The limits of a rule file as a table."""
    rows = ["| key | limit | of what | processes |", "|---|---|---|---|"]
    for row in FEATURES:
        if row.limit:
            side = "at least" if row.limit.smaller_is_worse else "at most"
            unit = f", {row.limit.unit}" if row.limit.unit else ""
            known = "all" if row.categories == CATEGORIES else ", ".join(row.categories)
            rows.append(f"| `{row.id}` | {side} | {row.limit.what}{unit} | {known} |")
    return "\n".join(rows) + "\n"


def refreshed(text: str) -> str:
    """The text of a file with every asked-for output in place."""

    def block(match: re.Match[str]) -> str:
        head, kind, what, _, _, tail = match.groups()
        if kind == "file":
            return head + (ROOT / what).read_text(encoding="utf-8") + tail
        return head + printed(what) + tail

    names = [suffixes[0][1:].upper() for suffixes in MESH_FORMATS.values()]
    text = _FORMATS.sub(lambda match: f"{match[1]}{', '.join(names[:-1])} or {names[-1]}", text)
    text = _LIMITS.sub(lambda match: match[1] + limits(), text)
    text = _HOOK_FILES.sub(lambda match: match[1] + HOOK_FILES, text)
    text = _BLOCK.sub(block, text)
    return _QUOTE.sub(lambda match: f"<!-- markdown: {match[2]} -->\n\n{quoted(match[2])}\n", text)


def schemas() -> dict[str, str]:
    """The JSON Schemas that are published beside the package, by file name."""
    return {f"schemas/{which}.schema.json": schema.run(which) for which in schema.EDITED}


if __name__ == "__main__":
    for name, text in schemas().items():
        (ROOT / name).parent.mkdir(exist_ok=True)
        (ROOT / name).write_text(text, encoding="utf-8")
    for readme in (ROOT / name for name in READMES):
        readme.write_text(refreshed(readme.read_text(encoding="utf-8")), encoding="utf-8")
