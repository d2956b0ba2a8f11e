"""How forges speak of comments on a pull request: GitHub's dialect, which others share, and
GitLab's. Paths, parameters and limits are from memory of their REST API documentation.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal
from urllib.parse import quote

from wallguard.base.errors import InputError
from wallguard.forge.http import ForgeError, Http, UnsureError
from wallguard.forge.secret import Secret

# A pull request with more pages of a hundred comments is none that people read.
_MOST_PAGES = 100
_PAGE = {"per_page": "100"}


@dataclass(frozen=True)
class Dialect:
    """One way of speaking.

    name     as in `--forge`
    base     the base URL of the public service
    limit    how many characters a comment may have
    tokens   environment variables that may hold the token, the first set one counts
    headers  what is sent with each request, from the token
    comments, comment  paths: all comments of a pull request (repository, number), and one of them
             (repository, number, id)
    change   the method that changes a comment
    author   under which key a comment names who wrote it
    robot    whether such an author is one that a run's own token writes as
    """

    name: str
    base: str
    limit: int
    tokens: tuple[str, ...]
    headers: Callable[[str], Mapping[str, str]]
    comments: Callable[[str, int], str]
    comment: Callable[[str, int, int], str]
    change: Literal["PATCH", "PUT"]
    author: str
    robot: Callable[[Mapping[str, Any]], bool]


def _quoted(name: str) -> str:
    """A name as one part of a path; bytes that are no text, as they came."""
    return quote(name.encode("utf-8", "surrogateescape"), safe="")


def _repository(name: str) -> str:
    return "/".join(map(_quoted, name.split("/")))


GITHUB = Dialect(
    name="github",
    base="https://api.github.com",
    limit=65536,
    tokens=("GITHUB_TOKEN", "GH_TOKEN", "FORGEJO_TOKEN", "GITEA_TOKEN"),
    headers=lambda token: {
        "Accept": "application/vnd.github+json, application/json;q=0.9",
        "Authorization": f"Bearer {token}",
        "X-GitHub-Api-Version": "2022-11-28",
    },
    comments=lambda repository, number: (
        f"/repos/{_repository(repository)}/issues/{number}/comments"
    ),
    comment=lambda repository, number, comment: (
        f"/repos/{_repository(repository)}/issues/comments/{comment}"
    ),
    change="PATCH",
    author="user",
    robot=lambda user: (
        user.get("type") == "Bot" or user.get("login") in ("forgejo-actions", "gitea-actions")
    ),
)
GITLAB = Dialect(
    name="gitlab",
    base="https://gitlab.com/api/v4",
    limit=1_000_000,
    tokens=("GITLAB_TOKEN",),
    headers=lambda token: {"PRIVATE-TOKEN": token},
    comments=lambda repository, number: (
        f"/projects/{_quoted(repository)}/merge_requests/{number}/notes"
    ),
    comment=lambda repository, number, comment: (
        f"/projects/{_quoted(repository)}/merge_requests/{number}/notes/{comment}"
    ),
    change="PUT",
    author="author",
    robot=lambda user: bool(
        re.fullmatch(r"(project|group)_\d+_bot\w*", str(user.get("username", "")))
    ),
)
DIALECTS = {dialect.name: dialect for dialect in (GITHUB, GITLAB)}


def publish(
    http: Http, dialect: Dialect, repository: str, number: int, marker: str, body: str
) -> Literal["created", "updated"]:
    """Put `body`, whose first line is `marker`, on a pull request: over the comment that begins so
    already, else as a new one. Returns which. A comment that somebody else wrote is never taken
    over, whatever it begins with.

    Raises ForgeError.
    """
    path = dialect.comments(repository, number)
    while True:
        for comment in _marked(http, dialect, path, marker):
            try:
                http.request(
                    dialect.change,
                    dialect.comment(repository, number, comment),
                    body={"body": body},
                )
            except ForgeError as error:
                # One that may not be changed, or has just been deleted.
                if error.status not in (403, 404):
                    raise
            else:
                return "updated"
        try:
            http.request("POST", path, body={"body": body})
        except UnsureError:
            # It may be there all the same: look for it before there are two.
            if not http.patience.wait(None):
                raise
        else:
            return "created"


def _marked(http: Http, dialect: Dialect, path: str, marker: str) -> Iterator[int]:
    """The comments of ours that begin with the marker, oldest first."""
    me: int | None = None
    asked = False
    for comment in _all(http, path):
        body = comment.get("body") if isinstance(comment, dict) else None
        if isinstance(body, str) and body.lstrip().partition("\n")[0].strip() == marker:
            if not asked:
                me, asked = _me(http), True
            author = comment.get(dialect.author)
            number = comment.get("id")
            if isinstance(number, int) and isinstance(author, dict) and _ours(dialect, author, me):
                yield number


def _ours(dialect: Dialect, author: Mapping[str, Any], me: int | None) -> bool:
    return dialect.robot(author) if me is None else author.get("id") == me


def _me(http: Http) -> int | None:
    """The number of the user that the token stands for; None where it stands for a run, which may
    not ask that (in both dialects, from memory)."""
    try:
        answer = http.request("GET", "/user").data
    except ForgeError as error:
        if error.status not in (401, 403, 404):
            raise
        return None
    number = answer.get("id") if isinstance(answer, dict) else None
    return number if isinstance(number, int) else None


def _all(http: Http, path: str) -> Iterator[Any]:
    query: Mapping[str, str] = _PAGE
    seen: list[Mapping[str, str]] = []
    while query and query not in seen and len(seen) < _MOST_PAGES:
        answer = http.request("GET", path, query)
        if not isinstance(answer.data, list):
            raise ForgeError(
                path,
                "the forge's answer is no list of comments",
                remedy="Check --base-url: it must be that of the REST API",
            )
        yield from answer.data
        seen.append(query)
        more = answer.next_query
        query = {**_PAGE, **more} if more else {}


def pull_request_of(http: Http, repository: str, head: str) -> int:
    """The number of the open pull request from `head` ("owner:branch"), in GitHub's dialect.

    Raises ForgeError; InputError: there is not exactly one.
    """
    path = f"/repos/{_repository(repository)}/pulls"
    answer = http.request("GET", path, {"head": head, "state": "open"})
    pulls = answer.data if isinstance(answer.data, list) else []
    numbers = [pull.get("number") for pull in pulls if isinstance(pull, dict)]
    if len(numbers) != 1 or not isinstance(numbers[0], int):
        raise InputError(
            repository,
            f"it has {len(numbers)} open pull requests from {head}",
            remedy="Name one with --pull-request",
        )
    return numbers[0]


def connect(dialect: Dialect, base: str, secret: Secret, **options: Any) -> Http:
    """HTTP as this dialect wants it; `options` are those of `Http`. Raises InputError."""
    return Http(base or dialect.base, dialect.headers(secret.reveal()), secret, **options)
