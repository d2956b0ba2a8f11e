"""What CI services tell by environment variables, as their documentation has them (from memory)."""

import json
from pathlib import Path

import pytest

from wallguard.forge.context import Context, read

ACTIONS = {
    "GITHUB_ACTIONS": "true",
    "GITHUB_API_URL": "https://api.github.example",
    "GITHUB_SERVER_URL": "https://github.example",
    "GITHUB_REPOSITORY": "stage/puppets",
    "GITHUB_RUN_ID": "77",
    "GITHUB_REF": "refs/pull/12/merge",
}
MERGE = {
    "GITLAB_CI": "true",
    "CI_API_V4_URL": "https://gitlab.example/api/v4",
    "CI_PROJECT_ID": "3",
    "CI_MERGE_REQUEST_PROJECT_ID": "3",
    "CI_MERGE_REQUEST_SOURCE_PROJECT_ID": "3",
    "CI_MERGE_REQUEST_IID": "8",
    "CI_JOB_URL": "https://gitlab.example/stage/puppets/-/jobs/5",
}


def with_event(tmp_path: Path, event: object) -> dict[str, str]:
    file = tmp_path / "event.json"
    file.write_text(json.dumps(event), encoding="utf-8")
    return {**ACTIONS, "GITHUB_REF": "refs/heads/main", "GITHUB_EVENT_PATH": str(file)}


def pull_request(head: object) -> dict[str, object]:
    base = {"repo": {"full_name": "stage/puppets"}}
    return {"pull_request": {"number": 12, "head": head, "base": base}}


def test_elsewhere_nothing_is_known():
    assert read({}) == Context()


def test_a_pull_request_by_its_reference():
    assert read(ACTIONS) == Context(
        forge="github",
        base="https://api.github.example",
        repository="stage/puppets",
        number=12,
        artifacts="https://github.example/stage/puppets/actions/runs/77",
    )


@pytest.mark.parametrize(
    ("head", "fork"),
    [
        ({"repo": {"full_name": "stage/puppets"}}, False),
        ({"repo": {"full_name": "someone/puppets"}}, True),
        ({"repo": None}, True),
    ],
)
def test_a_pull_request_by_its_event(tmp_path, head, fork):
    context = read(with_event(tmp_path, pull_request(head)))
    assert (context.number, context.fork) == (12, fork)


def test_a_run_after_that_of_a_fork(tmp_path):
    event = {
        "workflow_run": {
            "id": 70,
            "head_branch": "new-rib",
            "head_repository": {"owner": {"login": "someone"}},
            "pull_requests": [],
        }
    }
    context = read(with_event(tmp_path, event))
    assert (context.number, context.head, context.fork) == (0, "someone:new-rib", None)
    assert context.artifacts.endswith("/actions/runs/70")


def test_a_run_after_that_of_a_branch(tmp_path):
    event = {"workflow_run": {"id": 70, "pull_requests": [{"number": 12}]}}
    assert read(with_event(tmp_path, event)).number == 12


def test_a_push_is_no_pull_request(tmp_path):
    assert read(with_event(tmp_path, {"after": "0" * 40})).number == 0


@pytest.mark.parametrize(
    "content",
    [
        *("", "[]", "{", "[" * 100_000, '{"pull_request": 3}'),
        '{"workflow_run": {"pull_requests": 1}}',
        '{"pull_request": {"number": 3, "head": "\\ud800"}}',
    ],
)
def test_an_event_that_is_none_tells_nothing(tmp_path, content):
    file = tmp_path / "event.json"
    file.write_text(content, encoding="utf-8")
    environment = {**ACTIONS, "GITHUB_REF": "refs/heads/main", "GITHUB_EVENT_PATH": str(file)}
    assert read(environment).number == 0


def test_an_event_file_that_is_missing_tells_nothing(tmp_path):
    assert read({**ACTIONS, "GITHUB_EVENT_PATH": str(tmp_path / "none")}).number == 12


def test_a_merge_request():
    assert read(MERGE) == Context(
        forge="gitlab",
        base="https://gitlab.example/api/v4",
        repository="3",
        number=8,
        artifacts="https://gitlab.example/stage/puppets/-/jobs/5/artifacts/browse",
        fork=False,
    )


def test_the_merge_request_of_a_fork():
    context = read({**MERGE, "CI_PROJECT_ID": "9", "CI_MERGE_REQUEST_SOURCE_PROJECT_ID": "9"})
    assert (context.repository, context.fork) == ("3", True)


def test_a_branch_pipeline_has_no_merge_request():
    environment = {"GITLAB_CI": "true", "CI_PROJECT_ID": "3"}
    assert read(environment) == Context(forge="gitlab", repository="3")
