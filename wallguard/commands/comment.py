"""`wallguard comment`: put a report on the pull request that it is of, in one comment."""

from __future__ import annotations

import argparse
import os
import re
import shlex
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from wallguard.base.errors import InputError
from wallguard.base.write import write
from wallguard.commands.arguments import Commands, command
from wallguard.commands.publish import read_result
from wallguard.commands.replacing import refuse_inputs, refuse_others
from wallguard.findings.model import Report, Trouble
from wallguard.forge import context as ci
from wallguard.forge.dialects import DIALECTS, Dialect, connect, publish, pull_request_of
from wallguard.forge.http import ForgeError
from wallguard.forge.secret import Secret
from wallguard.reports import comment

if TYPE_CHECKING:
    from wallguard.findings.rehearsal import Rehearsal
    from wallguard.forge.http import Http, Patience

DEFAULT_FILE = Path("walls-comment.md")
_MARK = "<!-- wallguard comment: "
_OPTIONS = "Name it with {option}, or run it where the CI service tells"


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "comment",
        "wallguard comment walls.json --artifacts https://ci.example.org/runs/7",
        _command,
    )
    parser.add_argument(
        "report", type=Path, metavar="REPORT", help="what `check` or `rehearse` wrote with --json"
    )
    parser.add_argument(
        "--forge",
        choices=("github", "gitlab"),
        default="",
        help="whose REST API it is; github also for forges that speak its dialect",
    )
    parser.add_argument("--base-url", default="", metavar="URL", help="where the REST API is")
    parser.add_argument(
        "--repository", default="", metavar="NAME", help="OWNER/NAME, or a project's number or path"
    )
    parser.add_argument(
        "--pull-request", type=_pull_request, default=0, metavar="N", help="its number"
    )
    parser.add_argument(
        "--artifacts", default="", metavar="URL", help="where the files of this run are"
    )
    parser.add_argument(
        "--name",
        default="walls",
        help="tells several comments on one pull request apart (default walls)",
    )
    parser.add_argument("--dry-run", action="store_true", help="print the comment, send nothing")
    parser.add_argument("--output", type=Path, metavar="FILE", help="write the comment to a file")
    parser.epilog = (
        f"{parser.epilog}\n"
        "What is not given is taken from the CI service's environment variables. The token comes\n"
        "from GITHUB_TOKEN or GITLAB_TOKEN and is never shown.\n"
    )


def _command(arguments: argparse.Namespace) -> int:
    target = Target(
        forge=arguments.forge,
        base=arguments.base_url,
        repository=arguments.repository,
        number=arguments.pull_request,
        artifacts=arguments.artifacts,
        name=arguments.name,
    )
    return run(
        arguments.report,
        target,
        dry_run=arguments.dry_run,
        output=arguments.output,
        environment=os.environ,
    )


def _pull_request(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and 0 < int(text) < 10**15):
        raise argparse.ArgumentTypeError(f"{text!r} is not the number of a pull request")
    return int(text)


@dataclass(frozen=True)
class Target:
    """Where the comment goes; what is empty or 0 is taken from the CI's environment variables."""

    forge: str = ""
    base: str = ""
    repository: str = ""
    number: int = 0
    artifacts: str = ""
    name: str = "walls"


def run(
    report: Path,
    target: Target,
    *,
    dry_run: bool = False,
    output: Path | None = None,
    environment: Mapping[str, str],
    patience: Patience | None = None,
) -> int:
    """Create or update the comment; returns the exit code 0.

    With `dry_run` it is only printed, or written to `output`. So it is written to a file where a
    fork's pull request has no right to comment, and a line says how to post it. Where there is no
    report that can be read, the comment says that nothing could be checked, so that what stands
    there from an earlier run deceives nobody.

    Raises InputError: the report cannot be read, something is not told, the forge refuses.
    """
    if output is not None:
        refuse_others(output, "--output", _is_comment)
        refuse_inputs([output], [report])
    problem: InputError | None = None
    try:
        content: Report | Rehearsal = read_result(report)
    except InputError as error:
        problem = error
        content = Report((), troubles=(Trouble(str(report), str(error)),))
    try:
        code = _run(content, report, target, environment, Kept(dry_run, output, patience))
    except InputError as error:
        raise problem or error from None
    if problem is not None:
        raise problem
    return code


@dataclass(frozen=True)
class Kept:
    """What else is said of a run: see `run`."""

    dry_run: bool
    output: Path | None
    patience: Patience | None


def _run(
    content: Report | Rehearsal,
    report: Path,
    target: Target,
    environment: Mapping[str, str],
    how: Kept,
) -> int:
    dry_run, output = how.dry_run, how.output
    context = ci.read(environment)
    dialect = _dialect(target.forge or context.forge or ("github" if dry_run else ""))
    tokens = (environment.get(name, "").strip() for name in dialect.tokens)
    token = next(filter(None, tokens), "")
    secret = Secret(token)
    marker = _marker(target.name)
    body = secret.hidden_in(
        comment.show(
            content,
            marker=marker,
            artifacts=target.artifacts or context.artifacts,
            limit=dialect.limit,
        )
    )
    if dry_run:
        if output is None:
            print(body, end="")
        else:
            write(output, body)
        return 0
    if output is not None:
        write(output, body)
    if not token:
        if context.fork is False:
            raise InputError(
                "comment",
                "there is no token, so no comment can be made",
                remedy=f"Hand one over in the environment variable {dialect.tokens[0]}",
            )
        return _kept(body, report, output, _again(target, context), "there is no token")
    try:
        http = _link(target, context, dialect, secret, how.patience)
        _post(target, context, dialect, http, (marker, body))
    except ForgeError as error:
        if error.status not in (401, 403) or not context.fork:
            raise
        return _kept(body, report, output, _again(target, context), str(error).rstrip("."))
    return 0


def _link(
    target: Target, context: ci.Context, dialect: Dialect, secret: Secret, patience: Patience | None
) -> Http:
    base = target.base or (context.base if dialect.name == context.forge else "") or dialect.base
    http = connect(dialect, base, secret, patience=patience)
    if base.startswith("http:") and urlsplit(base).hostname not in ("localhost", "127.0.0.1"):
        print("wallguard: http, not https: anybody on the way can read the token", file=sys.stderr)
    return http


def _post(
    target: Target, context: ci.Context, dialect: Dialect, http: Http, said: tuple[str, str]
) -> None:
    """`said`: the marker and the comment."""
    repository = target.repository or context.repository
    if not repository:
        raise _untold("the repository", "--repository")
    if dialect.name == "github" and repository.count("/") != 1:
        raise InputError("--repository", "this is not of the form OWNER/NAME")
    number = target.number or context.number
    if not number and context.head and dialect.name == "github":
        number = pull_request_of(http, repository, context.head)
    if not number:
        raise _untold("the pull request", "--pull-request")
    done = publish(http, dialect, repository, number, *said)
    print(f"comment {done} on {repository}, pull request {number}")


def _again(target: Target, context: ci.Context) -> str:
    """The options that name the pull request, for another run."""
    repository = target.repository or context.repository or "REPOSITORY"
    number = target.number or context.number or "NUMBER"
    return f"--repository {shlex.quote(repository)} --pull-request {number}"


def _kept(body: str, report: Path, output: Path | None, options: str, why: str) -> int:
    """Write the comment to a file and say how it gets to the pull request."""
    file = output or DEFAULT_FILE
    if output is None:
        refuse_others(file, "comment", _is_comment)
        write(file, body)
    print(
        f"no comment was made: {why}.\n"
        f"It is in {file}. To post it, keep {report} as a file of this run, and have a run that\n"
        "may comment (the repository's own, after this one) or a maintainer do:\n"
        f"  wallguard comment {shlex.quote(str(report))} {options}"
    )
    return 0


def _dialect(name: str) -> Dialect:
    if not name:
        raise _untold("the kind of forge", "--forge")
    return DIALECTS[name]


def _untold(what: str, option: str) -> InputError:
    return InputError("comment", f"{what} is not known", remedy=_OPTIONS.format(option=option))


def _marker(name: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9_.]+(-[A-Za-z0-9_.]+)*", name):
        raise InputError("--name", "only letters, digits, dots and single hyphens make a name")
    return f"{_MARK}{name} -->"


def _is_comment(content: str) -> bool:
    return content.startswith(_MARK)
