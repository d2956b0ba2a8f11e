"""Which pull request this is, and where the run's files are, from what CI services tell.

The names of environment variables are those of the services' documentation, from memory.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wallguard.base import files
from wallguard.base.errors import InputError

# What describes an event is capped at 25 MB where it is sent (from memory).
_LARGEST_EVENT = 25 * 1024 * 1024


@dataclass(frozen=True)
class Context:
    """What the environment says; empty, 0 or None where it does not.

    forge     the dialect
    number    of the pull request
    head      "owner:branch" that the pull request comes from, where its number is not told
    artifacts  where the files of this run can be looked at
    fork      whether the pull request comes from another repository than it is for
    """

    forge: str = ""
    base: str = ""
    repository: str = ""
    number: int = 0
    head: str = ""
    artifacts: str = ""
    fork: bool | None = None


def read(environment: Mapping[str, str]) -> Context:
    """The context that the variables tell. Never fails: what cannot be read is not known."""
    if environment.get("GITLAB_CI"):
        return _gitlab(environment)
    if environment.get("GITHUB_ACTIONS") or environment.get("GITHUB_REPOSITORY"):
        return _github(environment)
    return Context()


def _gitlab(environment: Mapping[str, str]) -> Context:
    target = environment.get("CI_MERGE_REQUEST_PROJECT_ID", "")
    source = environment.get("CI_MERGE_REQUEST_SOURCE_PROJECT_ID", "")
    job = environment.get("CI_JOB_URL", "")
    return Context(
        forge="gitlab",
        base=environment.get("CI_API_V4_URL", ""),
        # The pipeline of a fork runs in the fork; the merge request is in the target.
        repository=target or environment.get("CI_PROJECT_ID", ""),
        number=_number(environment.get("CI_MERGE_REQUEST_IID")),
        artifacts=f"{job}/artifacts/browse" if job else "",
        fork=source != target if source and target else None,
    )


def _github(environment: Mapping[str, str]) -> Context:
    """GitHub Actions, and the services that set the same variables."""
    event = _event(environment.get("GITHUB_EVENT_PATH", ""))
    repository = environment.get("GITHUB_REPOSITORY", "")
    run = environment.get("GITHUB_RUN_ID", "")
    number, head, fork = 0, "", None
    if "workflow_run" in event:
        # A run after another one, which may have been that of a fork.
        earlier = _object(event, "workflow_run")
        run = str(earlier.get("id") or run)
        owner = _object(earlier, "head_repository", "owner").get("login")
        head = f"{owner}:{earlier.get('head_branch')}" if owner else ""
        pulls = earlier.get("pull_requests")
        if isinstance(pulls, list) and len(pulls) == 1 and isinstance(pulls[0], dict):
            number = _number(pulls[0].get("number"))
    elif "pull_request" in event:
        pull = _object(event, "pull_request")
        number = _number(pull.get("number") or event.get("number"))
        names = [_object(pull, end, "repo").get("full_name") for end in ("head", "base")]
        # The head's repository is null where the fork has been deleted.
        fork = names[0] != names[1] if names[1] else None
    else:
        match = re.fullmatch(r"refs/pull/(\d+)/\w+", environment.get("GITHUB_REF", ""))
        number = _number(match[1]) if match else 0
    server = environment.get("GITHUB_SERVER_URL", "").rstrip("/")
    linked = server and repository and run
    return Context(
        forge="github",
        base=environment.get("GITHUB_API_URL", ""),
        repository=repository,
        number=number,
        head=head,
        artifacts=f"{server}/{repository}/actions/runs/{run}" if linked else "",
        fork=fork,
    )


def _event(path: str) -> dict[str, Any]:
    try:
        event = json.loads(files.read(Path(path), _LARGEST_EVENT)) if path else {}
        # Half characters are JSON, but nothing that a request could name.
        json.dumps(event, ensure_ascii=False).encode()
    except (InputError, ValueError, RecursionError):
        return {}
    return event if isinstance(event, dict) else {}


def _object(value: dict[str, Any], *keys: str) -> dict[str, Any]:
    """The object within objects, empty where there is none."""
    for key in keys:
        inner = value.get(key)
        value = inner if isinstance(inner, dict) else {}
    return value


def _number(value: object) -> int:
    text = str(value)
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 19 else 0
