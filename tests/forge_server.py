"""A forge on this machine: comments of one pull request in both dialects, and faults on order."""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

COMMENTS = re.compile(
    r"/repos/[^/]+/[^/]+/issues/\d+/comments|/projects/[^/]+/merge_requests/\d+/notes"
)
COMMENT = re.compile(
    r"/repos/[^/]+/[^/]+/issues/comments/(\d+)|/projects/[^/]+/merge_requests/\d+/notes/(\d+)"
)
PULLS = re.compile(r"/repos/[^/]+/[^/]+/pulls")
Json = Any


@dataclass
class Request:
    method: str
    path: str
    query: dict[str, list[str]]
    headers: dict[str, str]
    body: Json


@dataclass
class Fault:
    """One answer instead of the right one, to the next request of this method.

    done  whether the request is carried out all the same; delay  seconds before the answer
    """

    method: str
    status: int = 500
    headers: dict[str, str] = field(default_factory=dict)
    body: Json = None
    done: bool = False
    delay: float = 0.0
    hang_up: bool = False


class Forge(ThreadingHTTPServer):
    """`comments` by number; `shape` is what else each of them holds."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.comments: dict[int, str] = {}
        self.pulls: Json = []
        self.shape: dict[str, Json] = {}
        self.created_status = 201
        self.requests: list[Request] = []
        self.faults: list[Fault] = []
        self.foreign: set[int] = set()
        # Who the token stands for; None: a run, which may not ask. Others by comment.
        self.me: int | None = 7
        self.user: dict[str, Json] = {}
        self.authors: dict[int, Json] = {}

    def handle_error(self, request: object, client_address: object) -> None:
        """Whoever asked may have gone: tests of time-outs do that."""

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}"

    def methods(self) -> list[str]:
        return [request.method for request in self.requests]

    def told(self, number: int) -> Json:
        author = self.authors.get(number) or (
            {"id": 7, "type": "User"}
            if self.me
            else {"id": 8, "type": "Bot", "username": "project_3_bot"}
        )
        user = {**self.shape.get("user", {}), **author}
        told = {"id": number, "body": self.comments[number], "user": user, "author": user}
        return {**self.shape, **told}


class _Handler(BaseHTTPRequestHandler):
    server: Forge
    protocol_version = "HTTP/1.1"

    def log_message(self, *arguments: object) -> None:
        pass

    def _handle(self) -> None:
        forge = self.server
        split = urlsplit(self.path)
        content = self.rfile.read(int(self.headers.get("Content-Length") or 0))
        body = json.loads(content) if content else None
        headers = {name.lower(): value for name, value in self.headers.items()}
        request = Request(self.command, split.path, parse_qs(split.query), headers, body)
        forge.requests.append(request)
        fault = next((one for one in forge.faults if one.method == self.command), None)
        if fault is None:
            self._send(*self._answer(request))
            return
        forge.faults.remove(fault)
        if fault.done:
            self._answer(request)
        time.sleep(fault.delay)
        if fault.hang_up:
            self.close_connection = True
            return
        self._send(fault.status, fault.headers, fault.body)

    do_GET = do_POST = do_PATCH = do_PUT = _handle  # noqa: N815

    def _answer(self, request: Request) -> tuple[int, dict[str, str], Json]:
        forge = self.server
        if COMMENTS.fullmatch(request.path):
            if request.method == "POST":
                number = max(forge.comments, default=0) + 1
                forge.comments[number] = request.body["body"]
                return forge.created_status, {}, forge.told(number)
            size = int(request.query.get("per_page", ["30"])[0])
            page = int(request.query.get("page", ["1"])[0])
            numbers = sorted(forge.comments)[(page - 1) * size : page * size]
            more = len(forge.comments) > page * size
            # Behind a proxy, forges are known to name themselves wrongly in their links.
            link = f'<http://inside.invalid/x?per_page={size}&page={page + 1}>; rel="next"'
            told = [forge.told(number) for number in numbers]
            return 200, {"Link": link} if more else {}, told
        if request.path == "/user":
            said = {"message": "Resource not accessible by integration"}
            return (200, {}, {**forge.user, "id": forge.me}) if forge.me else (403, {}, said)
        if PULLS.fullmatch(request.path):
            return 200, {}, forge.pulls
        found = COMMENT.fullmatch(request.path)
        number = int(found[1] or found[2]) if found else 0
        if number not in forge.comments:
            return 404, {}, {"message": "Not Found"}
        if number in forge.foreign:
            return 403, {}, {"message": "Must have admin rights"}
        forge.comments[number] = request.body["body"]
        return 200, {}, forge.told(number)

    def _send(self, status: int, headers: dict[str, str], body: Json) -> None:
        content = body if isinstance(body, bytes) else json.dumps(body).encode()
        try:
            self.send_response(status)
            for name, value in {"Content-Type": "application/json", **headers}.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)
        except OSError:
            # Whoever asked has gone.
            self.close_connection = True


@contextmanager
def forge() -> Iterator[Forge]:
    """A running forge."""
    with Forge() as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join()


class Clock:
    """A clock that only waiting moves."""

    def __init__(self) -> None:
        self.waits: list[float] = []

    def sleep(self, seconds: float) -> None:
        self.waits.append(seconds)

    def clock(self) -> float:
        return sum(self.waits)

    def now(self) -> float:
        return 1_700_000_000.0 + sum(self.waits)
