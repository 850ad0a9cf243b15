"""Who may speak with the server: this machine, by its own name, with the token, from the page's own origin.

The token stands in the start address once; it is exchanged for a cookie (SameSite=Strict, HttpOnly) that holds another
random value. A foreign ``Host`` (a name that was made to point here) is refused before anything else, a foreign
``Origin`` on every request that is not a plain read. Bodies are counted while they come in, whatever they declared.
"""

from __future__ import annotations

import secrets
import sys
import traceback
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
        "trusted-types 'none'",
    )
)
"""Nothing inline, nothing from elsewhere; text cannot become script even where the page had a fault."""
DOCUMENT_POLICY = (
    "sandbox allow-modals; default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
"""For documents that were written as results: styled by themselves, without script."""
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}
LARGEST_WORDS = 2**20
"""Bytes of a request that carries an answer or an act."""
LARGEST_FILE = 4 * 2**30
"""Bytes of one file that is dropped in; also the limit of one member of an archive."""
_READS = {"GET", "HEAD"}


@dataclass(frozen=True)
class Keys:
    """What opens this server: the port it is reached by, the token, the cookie's value."""

    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)
    session: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)

    @property
    def hosts(self) -> frozenset[str]:
        return frozenset({f"127.0.0.1:{self.port}", f"localhost:{self.port}"})

    @property
    def origins(self) -> frozenset[str]:
        return frozenset(f"http://{host}" for host in self.hosts)

    @property
    def cookie(self) -> str:
        """Cookies are shared between the ports of a host: the name keeps two servers apart."""
        return f"mineralize-{self.port}"

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/?token={self.token}"


class TooLarge(Exception):
    """A body grew beyond its limit while it came in."""


class Guard:
    """ASGI middleware: refuses what is foreign, and puts the protective headers on every answer."""

    def __init__(self, app: ASGIApp, keys: Keys) -> None:
        self.app = app
        self.keys = keys

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        entering = self._token(scope)
        refusal = self._refusal(scope, headers, entering)
        sends = _with_headers(send, self._cookie_line() if entering and refusal is None else None)
        if refusal is not None:
            await refusal(scope, receive, sends)
            return
        limit = LARGEST_FILE if scope["method"] == "PUT" else LARGEST_WORDS
        try:
            await self.app(scope, _counted(receive, limit), sends)
        except TooLarge:
            await _refuse(413, "the file is larger than what is taken")(scope, receive, sends)

    def _token(self, scope: Scope) -> bool:
        if scope["method"] not in _READS:
            return False
        given = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [])
        return len(given) == 1 and secrets.compare_digest(given[0].encode(), self.keys.token.encode())

    def _refusal(self, scope: Scope, headers: Headers, entering: bool) -> PlainTextResponse | None:
        if headers.getlist("host") != [headers.get("host")] or headers.get("host") not in self.keys.hosts:
            return _refuse(421, "this server answers to 127.0.0.1 only")
        if scope["path"] == "/health" and scope["method"] in _READS:
            return None
        origin, site = headers.get("origin"), headers.get("sec-fetch-site")
        foreign = (origin is not None and origin not in self.keys.origins) or site == "cross-site"
        if foreign and not (scope["method"] in _READS and entering):
            return _refuse(403, "only the page itself may ask this")
        if not entering and not self._known(headers):
            return _refuse(403, "open the page with the address that mineralize serve printed")
        limit = LARGEST_FILE if scope["method"] == "PUT" else LARGEST_WORDS
        length = headers.get("content-length", "0")
        if not length.isdigit():
            return _refuse(400, "the length of the request is not a number")
        if int(length) > limit:
            return _refuse(413, f"the file is larger than {limit / 2**20:.0f} MiB, more than what is taken")
        return None

    def _known(self, headers: Headers) -> bool:
        try:
            held = SimpleCookie(headers.get("cookie", "")).get(self.keys.cookie)
        except CookieError:
            return False
        return held is not None and secrets.compare_digest(held.value.encode(), self.keys.session.encode())

    def _cookie_line(self) -> str:
        return f"{self.keys.cookie}={self.keys.session}; Path=/; HttpOnly; SameSite=Strict"


class Quiet:
    """A fault of the program: where it is goes to the log, what it says does not, since it may quote what was read."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        begun = False

        async def sends(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            await self.app(scope, receive, sends)
        except TooLarge:
            raise
        except Exception as error:
            place = traceback.extract_tb(error.__traceback__)[-1]
            at = f"{type(error).__name__} in {Path(place.filename).name}:{place.lineno}"
            print(f"mineralize: fault {at}", file=sys.stderr)
            if not begun:
                told = {"text": f"an unexpected fault ({at}); nothing was lost", "kind": "fault"}
                await JSONResponse(told, 500)(scope, receive, send)


def _refuse(status: int, text: str) -> PlainTextResponse:
    return PlainTextResponse(f"mineralize: {text}\n", status)


def _with_headers(send: Send, cookie: str | None) -> Send:
    async def sends(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
            headers.setdefault("content-security-policy", POLICY)
            if cookie is not None:
                headers.append("set-cookie", cookie)
        await send(message)

    return sends


def _counted(receive: Receive, limit: int) -> Receive:
    seen = 0

    async def receives() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > limit:
            raise TooLarge
        return message

    return receives
