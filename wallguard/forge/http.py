"""Requests to a forge's REST API: retried where that may help, and plain words where it fails.

When to try again is what the forges' documentation asks for, from memory: after 429, 5xx, a
connection that fails or a time-out; after 403 only where it is a rate limit.
"""

from __future__ import annotations

import json
import ssl
import time
import urllib.request
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, unquote, urlencode, urlsplit

from wallguard.base.errors import InputError
from wallguard.base.plain import clipped, one_line, plain
from wallguard.forge.secret import Secret

if TYPE_CHECKING:
    import urllib3

_TRUST = "Name the forge's own certificates in SSL_CERT_FILE"
_INSTALL = 'Install it, in a clone of wallguard: pip install ".[comment]"'
# Seconds that a connection may keep us waiting, and that a whole answer may take.
_TIMEOUT = 20.0
_WHOLE = 60.0
# A page of a hundred comments of the longest kind is well below.
_LARGEST = 64 << 20
_AGAIN = (429, 500, 502, 503, 504)
# A secondary rate limit that does not say how long it lasts asks for a minute at least.
_SECONDARY = 60.0
_MOST_TRIES = 6


class ForgeError(InputError):
    """The forge did not do what was asked. `status` is its answer's, 0 where there was none."""

    def __init__(self, url: str, problem: str, *, remedy: str = "", status: int = 0) -> None:
        super().__init__(url, problem, remedy=remedy)
        self.status = status


class UnsureError(ForgeError):
    """Nobody knows whether it was done: no answer came, or one that says that something broke."""


@dataclass(frozen=True)
class Answer:
    """What came back; header names are in lower case."""

    status: int
    headers: Mapping[str, str]
    data: Any

    @property
    def next_query(self) -> dict[str, str]:
        """The query of the next page, as the Link header has it (RFC 8288); empty on the last.

        Only the query: a token never goes to another place than the one it is meant for.
        """
        for link in self.headers.get("link", "").split(","):
            target, _, parameters = link.partition(">")
            if 'rel="next"' in parameters.replace(" ", ""):
                try:
                    return dict(parse_qsl(urlsplit(target.strip().removeprefix("<")).query))
                except ValueError:  # no address at all
                    return {}
        return {}


class Patience:
    """How long to wait between tries: as long as the forge asks for, else longer every time.

    total  seconds from the first wait asked for to the end of the last one
    sleep, clock, now  waiting, seconds that rise, and seconds since 1970
    """

    def __init__(
        self,
        total: float = 180.0,
        *,
        sleep: Callable[[float], None] = time.sleep,
        clock: Callable[[], float] = time.monotonic,
        now: Callable[[], float] = time.time,
    ) -> None:
        self.now = now
        self.clock = clock
        self._sleep = sleep
        self._total = total
        self._end: float | None = None
        self._tries = 0

    def wait(self, asked: float | None) -> bool:
        """Wait `asked` seconds, or of our own choice if None; False where that is too long."""
        if self._end is None:
            self._end = self.clock() + self._total
        seconds = min(2.0**self._tries, 30.0) if asked is None else max(asked, 1.0)
        if self._tries >= _MOST_TRIES or self.clock() + seconds > self._end:
            return False
        self._tries += 1
        self._sleep(seconds)
        return True


class Http:
    """A REST API at one base URL, with one token.

    Raises InputError: the base URL is none, or the HTTP library is not installed.
    """

    def __init__(
        self,
        base: str,
        headers: Mapping[str, str],
        secret: Secret,
        patience: Patience | None = None,
        *,
        timeout: float = _TIMEOUT,
    ) -> None:
        self._base = checked_base(base)
        self._headers = {"User-Agent": "wallguard", "Accept": "application/json", **headers}
        self._secret = secret
        self._timeout = timeout
        self._pool = _pool(self._base)
        self.patience = patience or Patience()

    def request(
        self,
        method: str,
        path: str,
        query: Mapping[str, str] | None = None,
        body: Mapping[str, str] | None = None,
    ) -> Answer:
        """The forge's answer; tried again while that may help and patience lasts.

        A POST is tried again only where it was surely not carried out.

        Raises ForgeError: the forge refuses. UnsureError: it may have been done or not.
        """
        url = self._base + path
        while True:
            try:
                answer = self._once(method, url, query or {}, body)
            except _NoAnswerError as error:
                if error.sent and method == "POST":
                    raise UnsureError(url, str(error), remedy="Try again later") from None
                if not self.patience.wait(None):
                    raise ForgeError(url, str(error), remedy="Try again later") from None
                continue
            if answer.status < 300:
                return answer
            wait = self._wait(answer)
            if wait is not None:
                if answer.status >= 500 and method == "POST":
                    raise UnsureError(
                        url, self._problem(answer), remedy="Try again later", status=answer.status
                    )
                if self.patience.wait(None if wait < 0 else wait):
                    continue
            raise self._refused(url, answer, wait)

    def _once(
        self, method: str, url: str, query: Mapping[str, str], body: Mapping[str, str] | None
    ) -> Answer:
        import urllib3

        headers = dict(self._headers)
        sent = None
        if body is not None:
            headers["Content-Type"] = "application/json"
            sent = json.dumps(body).encode("ascii")
        whole = f"{url}?{urlencode(query)}" if query else url
        try:
            response = self._pool.request(
                method,
                whole,
                body=sent,
                headers=headers,
                retries=False,
                redirect=False,
                preload_content=False,
                timeout=urllib3.Timeout(connect=self._timeout, read=self._timeout),
            )
            content = self._content(response)
        except urllib3.exceptions.HTTPError as error:
            if isinstance(error, urllib3.exceptions.SSLError):
                said = clipped(one_line(str(error)), 200)
                raise ForgeError(
                    url, f"the connection is not secure: {said}", remedy=_TRUST
                ) from None
            unborn = urllib3.exceptions.ConnectTimeoutError
            said = self._secret.hidden_in(_why(error))
            raise _NoAnswerError(said, not isinstance(error, unborn)) from None
        except ValueError:
            # It would show the header, and so the token.
            raise ForgeError(url, "the token holds characters that no token has") from None
        return Answer(
            response.status,
            {name.lower(): value for name, value in response.headers.items()},
            _parsed(content),
        )

    def _content(self, response: urllib3.BaseHTTPResponse) -> bytes:
        end = self.patience.clock() + _WHOLE
        content = bytearray()
        try:
            # As it comes: packed in several layers, a few bytes would unpack to gigabytes at once.
            for piece in response.stream(1 << 16, decode_content=False):
                content += piece
                if len(content) > _LARGEST:
                    raise _NoAnswerError(f"its answer is longer than {_LARGEST >> 20} MB", True)
                if self.patience.clock() > end:
                    raise _NoAnswerError(f"its answer takes longer than {_WHOLE:g} s", True)
        finally:
            response.release_conn()
        return _unpacked(bytes(content), response.headers.get("Content-Encoding", ""))

    def _wait(self, answer: Answer) -> float | None:
        """Seconds to wait before the next try, -1: as we like; None: trying again is no use."""
        asked = self._asked(answer)
        if answer.status == 403:
            secondary = "rate limit" in _said(answer).lower()
            if asked is None and not secondary:
                return None
            return _SECONDARY if asked is None else asked
        if answer.status not in _AGAIN:
            return None
        return -1.0 if asked is None else asked

    def _asked(self, answer: Answer) -> float | None:
        after = answer.headers.get("retry-after", "").strip()
        if after.isdecimal():
            return float(after)
        if after:
            try:
                moment = parsedate_to_datetime(after)
            except ValueError:
                return None
            if moment.tzinfo is None:
                moment = moment.replace(tzinfo=UTC)
            return (moment - datetime.fromtimestamp(self.patience.now(), UTC)).total_seconds()
        for kind in ("x-ratelimit", "ratelimit"):
            reset = answer.headers.get(f"{kind}-reset", "")
            if answer.headers.get(f"{kind}-remaining") == "0" and reset.isdecimal():
                return float(reset) - self.patience.now()
        return None

    def _problem(self, answer: Answer) -> str:
        said = _said(answer)
        return self._secret.hidden_in(
            f"the forge answered {answer.status}" + (f" ({said})" if said else "")
        )

    def _refused(self, url: str, answer: Answer, wait: float | None) -> ForgeError:
        problem = self._problem(answer)
        if wait is not None and wait >= 0:
            problem += f" and asks to wait {wait:.0f} s, which is too long"
            return ForgeError(url, problem, remedy="Try again later", status=answer.status)
        if wait is not None:
            problem += ", time after time"
        if 300 <= answer.status < 400:
            where = self._secret.hidden_in(
                clipped(plain(answer.headers.get("location", "elsewhere")), 200)
            )
            problem += f": it has moved to {where}"
        return ForgeError(url, problem, remedy=_remedy(answer.status), status=answer.status)


class _NoAnswerError(Exception):
    """No answer came; `sent` is whether the request may have arrived."""

    def __init__(self, message: str, sent: bool) -> None:
        super().__init__(message)
        self.sent = sent


def _unpacked(content: bytes, encoding: str) -> bytes:
    """An answer that is packed though it was asked for plain, no larger than any other; names of
    encodings from RFC 9110."""
    match encoding.strip().lower():
        case "" | "identity":
            return content
        case "gzip" | "x-gzip":
            try:
                content = zlib.decompressobj(16 + zlib.MAX_WBITS).decompress(content, _LARGEST + 1)
            except zlib.error:
                raise _NoAnswerError("its answer cannot be unpacked", True) from None
            if len(content) > _LARGEST:
                raise _NoAnswerError(f"its answer is longer than {_LARGEST >> 20} MB", True)
            return content
    raise _NoAnswerError(f"its answer is packed with {clipped(plain(encoding), 40)}", True)


def checked_base(base: str) -> str:
    """A base URL without a final slash. Raises InputError: it is none, or holds a password."""
    try:
        parts = urlsplit(base)
        good = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        good = False
    if not good or parts.query or parts.fragment or not base.isprintable() or " " in base:
        raise InputError(
            "--base-url",
            "this is no address of a REST API",
            remedy="Write one such as https://forge.example.org/api/v1",
        )
    if "@" in parts.netloc:
        raise InputError(
            "--base-url",
            "it holds a name or password",
            remedy="Leave these out; the token comes from the environment",
        )
    return base.rstrip("/")


def _pool(base: str) -> urllib3.PoolManager:
    try:
        import urllib3
    except ImportError:
        raise InputError(
            "comment", "the library urllib3 is not installed", remedy=_INSTALL
        ) from None
    parts = urlsplit(base)
    proxy = urllib.request.getproxies().get(parts.scheme)
    context = ssl.create_default_context()
    if proxy and not urllib.request.proxy_bypass(parts.hostname or ""):
        address = urllib3.util.parse_url(proxy if "://" in proxy else f"http://{proxy}")
        headers = urllib3.util.make_headers(proxy_basic_auth=unquote(address.auth or "") or None)
        return urllib3.ProxyManager(
            address._replace(auth=None).url, proxy_headers=headers, ssl_context=context
        )
    return urllib3.PoolManager(ssl_context=context)


def _why(error: Exception) -> str:
    import urllib3

    # The first of these is a kind of the second.
    if isinstance(error, urllib3.exceptions.NewConnectionError):
        return "there is no connection to it"
    if isinstance(error, urllib3.exceptions.TimeoutError):
        return "the forge gives no answer in time"
    return f"the connection broke: {clipped(one_line(str(error)), 200)}"


def _parsed(content: bytes) -> Any:
    try:
        return json.loads(content)
    except (ValueError, RecursionError):
        return None


def _said(answer: Answer) -> str:
    """What the forge says of an error, in its own words, shortened."""
    if not isinstance(answer.data, dict):
        return ""
    said = answer.data.get("message") or answer.data.get("error") or ""
    if not isinstance(said, str):
        said = json.dumps(said, ensure_ascii=False)
    for error in answer.data.get("errors") or ():
        more = error.get("message") if isinstance(error, dict) else error
        if isinstance(more, str) and more not in said:
            said += f"; {more}"
    return clipped(one_line(said), 300)


_REMEDIES = {
    401: "The token is wrong, has expired or was withdrawn: make a new one",
    403: "The token may not write comments there: give it the right to write on pull requests",
    404: "Check repository and number, and whether the token may see them",
    410: "Comments are closed there",
    413: "The comment is too long for this forge",
    422: "The forge does not take this comment; its own words say why",
}


def _remedy(status: int) -> str:
    if 300 <= status < 400:
        return "Give the new place with --base-url or --repository"
    return _REMEDIES.get(status, "Try again later" if status >= 429 else "")
