"""One comment on a pull request, in both dialects, against a local server."""

from collections.abc import Iterator

import pytest
from forge_server import Clock, Fault, Forge, forge

from wallguard.base.errors import InputError
from wallguard.forge.dialects import GITHUB, GITLAB, Dialect, connect, publish, pull_request_of
from wallguard.forge.http import ForgeError, Http, Patience, UnsureError
from wallguard.forge.secret import Secret

MARKER = "<!-- wallguard comment: walls -->"
BODY = f"{MARKER}\n## Verdict\n"
BOTH = pytest.mark.parametrize(
    ("dialect", "repository"), [(GITHUB, "owner/name"), (GITLAB, "group/sub/name"), (GITLAB, "42")]
)


@pytest.fixture
def server() -> Iterator[Forge]:
    with forge() as running:
        yield running


@pytest.fixture
def clock() -> Clock:
    return Clock()


def link(server: Forge, clock: Clock, dialect: Dialect = GITHUB) -> Http:
    patience = Patience(180, sleep=clock.sleep, clock=clock.clock, now=clock.now)
    return connect(dialect, server.url, Secret("sesame"), patience=patience, timeout=0.3)


@BOTH
def test_the_first_comment_is_created(server, clock, dialect, repository):
    server.comments = {1: "LGTM", 2: f"> {MARKER}\n> quoted"}
    assert publish(link(server, clock, dialect), dialect, repository, 5, MARKER, BODY) == "created"
    assert server.comments[3] == BODY
    assert server.methods() == ["GET", "POST"]


@BOTH
def test_later_ones_update_it(server, clock, dialect, repository):
    # Forges may change line ends and trim what they keep.
    server.comments = {1: "LGTM", 2: f"{MARKER}\r\nold", 3: "more"}
    assert publish(link(server, clock, dialect), dialect, repository, 5, MARKER, BODY) == "updated"
    assert server.comments == {1: "LGTM", 2: BODY, 3: "more"}


@BOTH
def test_it_is_found_on_a_later_page(server, clock, dialect, repository):
    server.comments = {number: f"comment {number}" for number in range(1, 251)}
    server.comments[230] = f"{MARKER}\nold"
    assert publish(link(server, clock, dialect), dialect, repository, 5, MARKER, BODY) == "updated"
    pages = [one.query for one in server.requests if one.method == "GET" and one.query]
    assert pages == [
        {"per_page": ["100"]},
        {"per_page": ["100"], "page": ["2"]},
        {"per_page": ["100"], "page": ["3"]},
    ]
    assert server.comments[230] == BODY
    assert len(server.comments) == 250


def test_what_each_dialect_is_sent(server, clock):
    publish(link(server, clock), GITHUB, "own er/na#me", 5, MARKER, BODY)
    request = server.requests[-1]
    assert request.path == "/repos/own%20er/na%23me/issues/5/comments"
    assert request.headers["authorization"] == "Bearer sesame"
    assert request.headers["accept"].startswith("application/vnd.github+json, ")
    publish(link(server, clock, GITLAB), GITLAB, "group/name", 6, "<!-- other -->", "x")
    request = server.requests[-1]
    assert request.path == "/projects/group%2Fname/merge_requests/6/notes"
    assert request.headers["private-token"] == "sesame"
    assert "authorization" not in request.headers


def test_a_comment_of_somebody_else_that_begins_alike_is_left_alone(server, clock):
    server.comments = {1: f"{MARKER}\nnot ours", 2: f"{MARKER}\nours"}
    server.foreign = {1}
    assert publish(link(server, clock), GITHUB, "a/b", 5, MARKER, BODY) == "updated"
    assert server.comments == {1: f"{MARKER}\nnot ours", 2: BODY}


@BOTH
@pytest.mark.parametrize("me", [7, None])
def test_a_comment_that_somebody_else_wrote_is_never_taken_over(
    server, clock, dialect, repository, me
):
    server.me = me
    server.comments = {1: f"{MARKER}\nnot ours"}
    server.authors = {1: {"id": 9, "type": "User", "login": "kim", "username": "kim"}}
    http = link(server, clock, dialect)
    assert publish(http, dialect, repository, 5, MARKER, BODY) == "created"
    assert server.comments == {1: f"{MARKER}\nnot ours", 2: BODY}
    assert publish(http, dialect, repository, 5, MARKER, "again") == "updated"
    assert server.comments == {1: f"{MARKER}\nnot ours", 2: "again"}


def test_the_user_of_a_run_s_token_is_known_by_its_name_where_no_kind_is_told():
    assert GITHUB.robot({"login": "forgejo-actions"})
    assert not GITHUB.robot({"login": "kim"})
    assert not GITLAB.robot({"username": "project_manager"})


def test_a_comment_that_is_deleted_meanwhile_is_made_anew(server, clock):
    server.comments = {1: f"{MARKER}\nold"}
    server.faults = [Fault("PATCH", 404, body={"message": "Not Found"})]
    assert publish(link(server, clock), GITHUB, "a/b", 5, MARKER, BODY) == "created"


@pytest.mark.parametrize(
    "fault",
    [
        Fault("POST", 502, done=True),
        Fault("POST", done=True, hang_up=True),
        Fault("POST", done=True, delay=1.0),
    ],
)
def test_a_comment_that_was_made_though_no_answer_came_is_not_made_twice(server, clock, fault):
    server.faults = [fault]
    assert publish(link(server, clock), GITHUB, "a/b", 5, MARKER, BODY) == "updated"
    assert list(server.comments.values()) == [BODY]
    assert clock.waits == [1]


def test_a_comment_that_was_not_made_is_tried_again(server, clock):
    server.faults = [Fault("POST", 500), Fault("POST", 500)]
    assert publish(link(server, clock), GITHUB, "a/b", 5, MARKER, BODY) == "created"
    assert list(server.comments.values()) == [BODY]
    assert clock.waits == [1, 2]


def test_patience_ends(server, clock):
    server.faults = [Fault("POST", 500) for _ in range(20)]
    with pytest.raises(UnsureError, match="the forge answered 500"):
        publish(link(server, clock), GITHUB, "a/b", 5, MARKER, BODY)
    assert sum(clock.waits) <= 180


def test_a_right_to_write_that_is_missing_is_said(server, clock):
    server.faults = [Fault("POST", 403, body={"message": "Resource not accessible"})]
    with pytest.raises(ForgeError, match=r"403 \(Resource not accessible\)\. The token may not"):
        publish(link(server, clock), GITHUB, "a/b", 5, MARKER, BODY)


def test_an_address_that_is_no_api_is_said(server, clock):
    server.faults = [Fault("GET", 200, body=b"<html>welcome</html>")]
    with pytest.raises(ForgeError, match=r"no list of comments\. Check --base-url"):
        publish(link(server, clock), GITHUB, "a/b", 5, MARKER, BODY)


def test_pages_that_lead_in_a_circle_end(server, clock):
    circle = {"Link": '<http://x.invalid/?page=1>; rel="next"'}
    server.faults = [Fault("GET", 200, circle, body=[]) for _ in range(200)]
    assert publish(link(server, clock), GITHUB, "a/b", 5, MARKER, BODY) == "created"
    assert server.methods() == ["GET", "GET", "POST"]


def test_odd_things_in_a_list_of_comments_are_passed_over(server, clock):
    odd = [None, 3, {"body": None}, {"body": MARKER, "id": "x"}, {"id": 3}]
    server.faults = [Fault("GET", 200, body=odd)]
    assert publish(link(server, clock), GITHUB, "a/b", 5, MARKER, BODY) == "created"


def test_a_pull_request_is_found_by_its_branch(server, clock):
    server.pulls = [{"number": 17}]
    assert pull_request_of(link(server, clock), "a/b", "fork:new-rib") == 17
    assert server.requests[0].query == {"head": ["fork:new-rib"], "state": ["open"]}


@pytest.mark.parametrize("pulls", [[], [{"number": 1}, {"number": 2}], [{"number": "x"}], {}])
def test_a_branch_without_its_one_pull_request_is_said(server, clock, pulls):
    server.pulls = pulls
    with pytest.raises(InputError, match="open pull requests from fork:b"):
        pull_request_of(link(server, clock), "a/b", "fork:b")


def test_the_time_of_real_waits_is_bounded():
    patience = Patience(0.05)
    assert not patience.wait(None)
