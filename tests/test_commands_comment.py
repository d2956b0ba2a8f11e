"""`wallguard comment`, the whole command, against a local server."""

import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from forge_server import Fault, Forge, forge
from report_samples import COMPARED, PASSED

from wallguard.commands.main import main
from wallguard.findings.model import Report, Trouble
from wallguard.reports import json_report

TOKEN = "tok-9f8e7d6c5b4a"
FILE = "walls-comment.md"


@pytest.fixture
def server() -> Iterator[Forge]:
    with forge() as running:
        yield running


@pytest.fixture(autouse=True)
def here(tmp_path, monkeypatch) -> Path:
    """An empty folder with a report in it, and no CI around it."""
    for name in list(os.environ):
        if name.startswith(("GITHUB_", "GITLAB_", "GITEA_", "FORGEJO_", "GH_", "CI")):
            monkeypatch.delenv(name)
    monkeypatch.chdir(tmp_path)
    Path("walls.json").write_text(json_report.text(COMPARED), encoding="utf-8")
    return tmp_path


@pytest.fixture
def actions(server, monkeypatch, tmp_path):
    """The environment of a pull request's run; call it to say where the branch comes from."""

    def set_up(head: str, token: str = "") -> None:
        event = {
            "pull_request": {
                "number": 5,
                "head": {"repo": {"full_name": head}},
                "base": {"repo": {"full_name": "stage/puppets"}},
            }
        }
        (tmp_path / "event.json").write_text(json.dumps(event))
        for name, value in {
            "GITHUB_ACTIONS": "true",
            "GITHUB_API_URL": server.url,
            "GITHUB_SERVER_URL": "https://github.example",
            "GITHUB_REPOSITORY": "stage/puppets",
            "GITHUB_RUN_ID": "77",
            "GITHUB_EVENT_PATH": str(tmp_path / "event.json"),
            "GITHUB_TOKEN": token,
        }.items():
            monkeypatch.setenv(name, value)

    return set_up


def test_in_a_run_nothing_need_be_named(server, actions, capsys):
    actions("stage/puppets", TOKEN)
    assert main(["comment", "walls.json"]) == 0
    assert capsys.readouterr().out == "comment created on stage/puppets, pull request 5\n"
    (body,) = server.comments.values()
    assert body.startswith("<!-- wallguard comment: walls -->\n## ✗ Do not merge: 2 new findings")
    assert "(https://github.example/stage/puppets/actions/runs/77)" in body
    Path("walls.json").write_text(json_report.text(PASSED), encoding="utf-8")
    assert main(["comment", "walls.json"]) == 0
    assert capsys.readouterr().out == "comment updated on stage/puppets, pull request 5\n"
    (body,) = server.comments.values()
    assert "May be merged" in body


@pytest.mark.parametrize("content", [None, "{", '{"schema": "wallguard-report/1"}'])
def test_a_run_without_a_report_says_so_over_an_old_comment(server, actions, capsys, content):
    actions("stage/puppets", TOKEN)
    Path("walls.json").write_text(json_report.text(PASSED), encoding="utf-8")
    assert main(["comment", "walls.json"]) == 0
    if content is None:
        Path("walls.json").unlink()
    else:
        Path("walls.json").write_text(content, encoding="utf-8")
    assert main(["comment", "walls.json"]) == 2
    (body,) = server.comments.values()
    assert "## ✗ Do not merge: 1 file could not be checked" in body
    assert "May be merged" not in body
    assert "walls.json:" in capsys.readouterr().err


def test_a_report_of_what_could_not_be_done_says_so_over_an_old_comment(server, actions):
    actions("stage/puppets", TOKEN)
    Path("walls.json").write_text(json_report.text(PASSED), encoding="utf-8")
    assert main(["comment", "walls.json"]) == 0
    report = Report((), troubles=(Trouble("wallguard.yaml", "wallguard.yaml:3: no such key."),))
    Path("walls.json").write_text(json_report.text(report), encoding="utf-8")
    assert main(["comment", "walls.json"]) == 0
    (body,) = server.comments.values()
    assert "could not be checked" in body.splitlines()[1]
    assert "May be merged" not in body


def test_several_comments_by_name(server, actions):
    actions("stage/puppets", TOKEN)
    assert main(["comment", "walls.json"]) == 0
    assert main(["comment", "walls.json", "--name", "props"]) == 0
    assert main(["comment", "walls.json", "--name", "props"]) == 0
    assert [body.splitlines()[0] for body in server.comments.values()] == [
        "<!-- wallguard comment: walls -->",
        "<!-- wallguard comment: props -->",
    ]


@pytest.mark.parametrize("name", ["", "--> <b>", "a--b", "a\n", "-"])
def test_a_name_that_could_end_the_marker_is_refused(actions, name, capsys):
    actions("stage/puppets", TOKEN)
    assert main(["comment", "walls.json", f"--name={name}"]) == 2
    assert "--name: only letters" in capsys.readouterr().err


def test_options_go_before_the_environment(server, actions, monkeypatch, capsys):
    actions("stage/puppets", TOKEN)
    monkeypatch.setenv("GITLAB_TOKEN", "other-token")
    arguments = ["--forge", "gitlab", "--base-url", f"{server.url}/", "--pull-request", "9"]
    arguments += ["--repository", "group/sub/puppets", "--artifacts", "https://ci.example/7"]
    assert main(["comment", "walls.json", *arguments]) == 0
    assert server.requests[-1].path == "/projects/group%2Fsub%2Fpuppets/merge_requests/9/notes"
    assert server.requests[-1].headers["private-token"] == "other-token"
    assert "(https://ci.example/7)" in server.comments[1]


def test_a_dry_run_prints_and_sends_nothing(server, actions, capsys):
    actions("stage/puppets", TOKEN)
    assert main(["comment", "walls.json", "--dry-run"]) == 0
    assert "## ✗ Do not merge" in capsys.readouterr().out
    assert server.requests == []


def test_a_dry_run_needs_no_forge_and_may_write_a_file(capsys):
    assert main(["comment", "walls.json", "--dry-run", "--output", "c.md"]) == 0
    assert capsys.readouterr().out == ""
    assert Path("c.md").read_text(encoding="utf-8").startswith("<!-- wallguard comment: walls -->")


def test_a_dry_run_needs_no_library(monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "urllib3", None)
    assert main(["comment", "walls.json", "--dry-run"]) == 0
    assert "Do not merge" in capsys.readouterr().out


def test_a_fork_without_a_token_leaves_a_file_and_says_how_to_post_it(server, actions, capsys):
    actions("someone/puppets")
    assert main(["comment", "walls.json"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("no comment was made: there is no token.\n")
    assert "wallguard comment walls.json --repository stage/puppets --pull-request 5" in said
    assert "Do not merge" in Path(FILE).read_text(encoding="utf-8")
    assert server.requests == []


def test_a_fork_with_a_token_that_may_not_write_leaves_a_file(server, actions, capsys):
    actions("someone/puppets", TOKEN)
    server.faults = [Fault("POST", 403, body={"message": "Resource not accessible"})]
    assert main(["comment", "walls.json", "--output", "kept.md"]) == 0
    said = capsys.readouterr().out
    assert "the forge answered 403 (Resource not accessible)" in said
    assert "It is in kept.md." in said
    assert "Do not merge" in Path("kept.md").read_text(encoding="utf-8")
    assert not Path(FILE).exists()


def test_our_own_branch_without_a_token_is_an_error(actions, capsys):
    actions("stage/puppets")
    assert main(["comment", "walls.json"]) == 2
    assert "environment variable GITHUB_TOKEN" in capsys.readouterr().err
    assert not Path(FILE).exists()


def test_our_own_branch_whose_token_may_not_write_is_an_error(server, actions, capsys):
    actions("stage/puppets", TOKEN)
    server.faults = [Fault("POST", 403, body={"message": f"not for {TOKEN}"})]
    assert main(["comment", "walls.json"]) == 2
    out, err = capsys.readouterr()
    assert "give it the right to write on pull requests" in err
    assert "[hidden]" in err
    assert TOKEN not in out + err


def test_a_run_after_that_of_a_fork_finds_the_pull_request(server, actions, tmp_path, capsys):
    actions("stage/puppets", TOKEN)
    event = {
        "workflow_run": {
            "id": 70,
            "head_branch": "new-rib",
            "head_repository": {"owner": {"login": "someone"}},
            "pull_requests": [],
        }
    }
    (tmp_path / "event.json").write_text(json.dumps(event))
    server.pulls = [{"number": 31}]
    assert main(["comment", "walls.json"]) == 0
    assert "pull request 31" in capsys.readouterr().out
    assert server.requests[0].query["head"] == ["someone:new-rib"]


def test_a_token_in_the_report_is_hidden(actions, monkeypatch, capsys):
    actions("stage/puppets", TOKEN)
    text = Path("walls.json").read_text(encoding="utf-8").replace("parts/new", f"parts/{TOKEN}")
    Path("walls.json").write_text(text, encoding="utf-8")
    assert main(["comment", "walls.json", "--dry-run"]) == 0
    out = capsys.readouterr().out
    assert "parts/[hidden].stl" in out
    assert TOKEN not in out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["walls.json"], "the kind of forge is not known. Name it with --forge"),
        (["none.json"], "none.json: there is no such file"),
        (["."], ".: this is a folder"),
        (["walls.json", "--pull-request", "0"], "not the number of a pull request"),
        (["walls.json", "--forge", "other"], "invalid choice"),
        (["walls.json", "--artifacts", "javascript:x", "--forge", "github"], "no web address"),
    ],
)
def test_what_is_wrong_is_said(arguments, said, capsys):
    try:
        code = main(["comment", *arguments])
    except SystemExit as stop:
        code = stop.code
    assert code == 2
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ([], "the repository is not known"),
        (["--repository", "puppets"], "not of the form OWNER/NAME"),
        (["--repository", "a/b"], "the pull request is not known"),
        (["--repository", "a/b", "--base-url", "nowhere"], "no address of a REST API"),
    ],
)
def test_what_is_not_told_is_asked_for(server, monkeypatch, options, said, capsys):
    monkeypatch.setenv("GITHUB_TOKEN", TOKEN)
    assert main(["comment", "walls.json", "--forge", "github", *options]) == 2
    assert said in capsys.readouterr().err


def test_a_missing_library_is_named(actions, monkeypatch, capsys):
    actions("stage/puppets", TOKEN)
    monkeypatch.setitem(sys.modules, "urllib3", None)
    assert main(["comment", "walls.json"]) == 2
    assert 'pip install ".[comment]"' in capsys.readouterr().err


def test_what_is_no_report_is_refused(capsys):
    Path("walls.json").write_bytes(b"{\xff}")
    assert main(["comment", "walls.json", "--dry-run"]) == 2
    assert "not UTF-8 text. Save the file" in capsys.readouterr().err
