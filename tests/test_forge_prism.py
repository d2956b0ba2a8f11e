"""The comment command's requests against GitHub's own description of its API.

Prism checks every request by that description. As a mock it answers with the description's own
examples; as a proxy it stands before a local forge that keeps comments and fails on order. Both
come from npm, see tests/node/package.json.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from forge_server import Clock, Fault, Forge, forge

from wallguard.base.errors import InputError
from wallguard.forge.dialects import GITHUB, connect, publish, pull_request_of
from wallguard.forge.http import ForgeError, Http, Patience
from wallguard.forge.secret import Secret

NODE = Path(__file__).parent / "node"
PRISM = NODE / "node_modules" / "@stoplight" / "prism-cli" / "dist" / "index.js"
DESCRIPTION = NODE / "node_modules/@octokit/openapi/generated/api.github.com.json"
USED = (
    "/repos/{owner}/{repo}/issues/{issue_number}/comments",
    "/repos/{owner}/{repo}/issues/comments/{comment_id}",
    "/repos/{owner}/{repo}/pulls",
    "/user",
)
pytestmark = pytest.mark.xdist_group("the forge's description")
PRIVATE = "private-user-response-with-public-and-private-profile-information"
MARKER = "<!-- wallguard comment: walls -->"
BODY = f"{MARKER}\n## Verdict\n"


@pytest.fixture(scope="module")
def description(tmp_path_factory) -> Path:
    """GitHub's description of what we use, all else left out: the whole takes long to load."""
    if shutil.which("node") is None:
        pytest.skip("node is not installed")
    if not PRISM.is_file() or not DESCRIPTION.is_file():
        pytest.skip("the packages are missing: npm install --prefix tests/node")
    whole = json.loads(DESCRIPTION.read_text(encoding="utf-8"))
    whole["paths"] = {path: whole["paths"][path] for path in USED}
    whole.pop("x-webhooks", None)
    whole["components"] = _needed(whole)
    file = tmp_path_factory.mktemp("prism") / "description.json"
    file.write_text(json.dumps(whole), encoding="utf-8")
    return file


def _needed(whole: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The components that the paths refer to, and what these refer to."""
    kept: dict[str, dict[str, Any]] = {"examples": {}}
    for name in ("issue-comment", PRIVATE):
        kept["examples"][name] = whole["components"]["examples"][name]
    ahead: list[Any] = [whole["paths"], kept["examples"]]
    while ahead:
        inside = ahead.pop()
        if isinstance(inside, list):
            ahead += inside
        elif isinstance(inside, dict):
            ahead += inside.values()
            way = inside.get("$ref")
            if isinstance(way, str):
                _, _, kind, name = way.split("/")
                if name not in kept.setdefault(kind, {}):
                    kept[kind][name] = whole["components"][kind][name]
                    ahead.append(kept[kind][name])
    return kept


@pytest.fixture(scope="module")
def mock(description) -> Iterator[str]:
    """The base URL of a mock that answers from the description alone."""
    yield from _prism("mock", str(description))


@pytest.fixture(scope="module")
def upstream() -> Iterator[Forge]:
    with forge() as running:
        yield running


@pytest.fixture(scope="module")
def checked(description, upstream) -> Iterator[str]:
    """The base URL of a proxy that hands what the description allows on to a local forge."""
    whole = json.loads(description.read_text(encoding="utf-8"))
    examples = whole["components"]["examples"]
    upstream.shape = examples["issue-comment"]["value"]
    upstream.user = examples[PRIVATE]["value"]
    yield from _prism("proxy", str(description), upstream.url)


def _prism(*command: str) -> Iterator[str]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    environment = {key: value for key, value in os.environ.items() if "proxy" not in key.lower()}
    process = subprocess.Popen(
        ["node", str(PRISM), command[0], "--errors", "--port", str(port), *command[1:]],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=environment,
    )
    try:
        _await(port, process)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(20)


def _await(port: int, process: subprocess.Popen[bytes]) -> None:
    for _ in range(600):
        assert process.poll() is None, "prism has ended"
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.1)
    pytest.fail("prism does not start")


@pytest.fixture
def server(checked, upstream) -> Forge:
    upstream.comments, upstream.faults, upstream.requests, upstream.pulls = {}, [], [], []
    return upstream


@pytest.fixture
def clock() -> Clock:
    return Clock()


def link(base: str, clock: Clock, timeout: float = 20.0, **headers: str) -> Http:
    patience = Patience(180, sleep=clock.sleep, clock=clock.clock, now=clock.now)
    secret = Secret("sesame")
    if not headers:
        return connect(GITHUB, base, secret, patience=patience, timeout=timeout)
    return Http(base, {**GITHUB.headers("sesame"), **headers}, secret, patience, timeout=timeout)


def ask(url: str, **body: Any) -> int:
    """The status of a plain request, to show what the mock refuses."""
    request = urllib.request.Request(
        url, json.dumps(body).encode(), {"Content-Type": "application/json"}, method="POST"
    )
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return answer.status
    except urllib.error.HTTPError as error:
        return error.code


def test_the_mock_refuses_what_the_description_does(mock):
    url = f"{mock}/repos/a/b/issues/5/comments"
    assert ask(url, body="text") == 201
    assert ask(url, bodi="text") == 422


def test_the_mock_takes_a_new_comment(mock, clock):
    # Its example list has no comment of ours, and a link to a next page, again and again.
    assert publish(link(mock, clock), GITHUB, "octocat/Hello-World", 5, MARKER, BODY) == "created"


def test_the_mock_takes_a_changed_comment(mock, clock):
    # "Me too" is how the description's example comment begins.
    assert publish(link(mock, clock), GITHUB, "a/b", 5, "Me too", "Me too\nnew") == "updated"


@pytest.mark.parametrize(("code", "words"), [(404, "Check repository and number"), (410, "closed")])
def test_the_mock_answers_with_errors_of_the_description(mock, clock, code, words):
    with pytest.raises(ForgeError, match=words) as caught:
        link(mock, clock, Prefer=f"code={code}").request("GET", "/repos/a/b/issues/5/comments")
    assert caught.value.status == code


@pytest.mark.parametrize("code", [403, 404, 410, 422])
def test_the_mock_refuses_a_new_comment(mock, clock, code):
    with pytest.raises(ForgeError) as caught:
        link(mock, clock, Prefer=f"code={code}").request(
            "POST", "/repos/a/b/issues/5/comments", body={"body": BODY}
        )
    assert caught.value.status == code
    assert "sesame" not in str(caught.value)


def test_create_then_find_and_update(server, checked, clock):
    assert publish(link(checked, clock), GITHUB, "a/b", 5, MARKER, BODY) == "created"
    assert publish(link(checked, clock), GITHUB, "a/b", 5, MARKER, f"{BODY}new") == "updated"
    assert server.comments == {1: f"{BODY}new"}
    # Before a comment is changed the forge is asked who we are.
    assert server.methods() == ["GET", "POST", "GET", "GET", "PATCH"]


def test_pagination(server, checked, clock):
    server.comments = {number: f"comment {number}" for number in range(1, 251)}
    server.comments[249] = f"{MARKER}\nold"
    assert publish(link(checked, clock), GITHUB, "a/b", 5, MARKER, BODY) == "updated"
    assert server.comments[249] == BODY
    assert server.methods() == ["GET", "GET", "GET", "GET", "PATCH"]


def test_a_pull_request_is_asked_for_by_its_branch(server, checked, clock):
    with pytest.raises(InputError, match="it has 0 open pull requests from fork:new-rib"):
        pull_request_of(link(checked, clock), "a/b", "fork:new-rib")
    assert server.requests[0].query == {"head": ["fork:new-rib"], "state": ["open"]}


@pytest.mark.parametrize("status", [401, 403, 404, 422])
def test_refusals_are_passed_on(server, checked, clock, status):
    body = {"message": "because", "documentation_url": "https://docs.example"}
    server.faults = [Fault("POST", status, body=body)]
    with pytest.raises(ForgeError, match=rf"{status} \(because\)") as caught:
        publish(link(checked, clock), GITHUB, "a/b", 5, MARKER, BODY)
    assert caught.value.status == status
    assert server.comments == {}
    assert clock.waits == []


def test_a_secondary_rate_limit_is_waited_for(server, checked, clock):
    body = {"message": "You have exceeded a secondary rate limit."}
    server.faults = [Fault("POST", 403, {"Retry-After": "33"}, body)]
    assert publish(link(checked, clock), GITHUB, "a/b", 5, MARKER, BODY) == "created"
    assert clock.waits == [33]


@pytest.mark.parametrize("status", [429, 500])
def test_what_passes_is_waited_for(server, checked, clock, status):
    server.faults = [Fault(method, status, body={"message": "x"}) for method in ("GET", "POST")]
    assert publish(link(checked, clock), GITHUB, "a/b", 5, MARKER, BODY) == "created"
    assert server.comments == {1: BODY}
    assert clock.waits == [1, 2]


def test_a_time_out_makes_no_second_comment(server, checked, clock):
    server.faults = [Fault("POST", 201, done=True, delay=1.5)]
    assert publish(link(checked, clock, timeout=1), GITHUB, "a/b", 5, MARKER, BODY) == "updated"
    assert server.comments == {1: BODY}
