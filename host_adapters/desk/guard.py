"""The guard: lets through only requests that the desk's own page on this machine has made.

A browser is handed an address with a code that works once: command lines are seen by everybody on a machine. The code
is exchanged for a cookie, which no script reads, and for the page's own path; a request needs both. Other pages in the
same browser can reach a server on this machine, under its own name or, by a changed name record, under theirs (DNS
rebinding). So a request must also name the host and port that were opened, must not come from another origin, may not
send more than a little, and has to do so within some seconds.

Starlette's TrustedHostMiddleware serves here only in part: it looks at the name alone, so that another port passes, and
at the first of several Host headers; its answer carries none of :data:`HEADERS`. So the guard compares hosts itself.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from typing import Any

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse, RedirectResponse

ENTER = "enter"
"""The first part of an address with a code."""

MOST_CODES = 64
BODY_SECONDS = 20.0
"""Time for the whole body of a request."""

log = logging.getLogger("inkarnat.desk")

MOST_BODY = 1024 * 1024
"""Bytes that a request may send; a long stroke takes a tenth of it."""

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cache-control": "no-store",
}
"""Sent with every answer: nothing from elsewhere is loaded, nobody embeds the page, the address is told to nobody."""

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
Application = Callable[[Message, Receive, Send], Awaitable[None]]


class Guard:
    """An ASGI application around another one."""

    def __init__(
        self,
        app: Application,
        page: str,
        hosts: Iterable[str],
        cookie: str,
        secret: str,
        most_body: int = MOST_BODY,
    ) -> None:
        self.app, self.page, self.hosts, self.cookie = app, page, frozenset(hosts), cookie
        self.most_body, self.body_seconds = most_body, BODY_SECONDS
        self.secret = secret
        self.told: Callable[[], object] = lambda: None
        self._codes: dict[str, None] = {}

    def code(self) -> str:
        """Return a new code that opens the page once."""
        code = secrets.token_urlsafe(24)
        self._codes[code] = None
        while len(self._codes) > MOST_CODES:
            self._codes.pop(next(iter(self._codes)))
        return code

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Pass a request on or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        begun = False

        async def noting(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            refusal = self._refusal(scope)
            if refusal is not None:
                await _answer(*refusal)(scope, receive, noting)
            elif scope["path"].startswith(f"/{ENTER}/"):
                await self._enter(scope, receive, noting)
            else:
                await self._pass_on(scope, receive, noting)
        except Exception:
            log.exception("a request to the desk")
            if begun:
                raise
            fault = "The desk has a fault; what it was is in the terminal that it was started from."
            await _answer(500, fault)(scope, receive, send)

    async def _enter(self, scope: Message, receive: Receive, send: Send) -> None:
        """Exchange a code for the cookie, and lead on to the page."""
        code = scope["path"].removeprefix(f"/{ENTER}/").rstrip("/")
        if code in self._codes:
            del self._codes[code]
            value = f"{self.cookie}={self.secret}; Path=/{self.page}/; HttpOnly; SameSite=Strict"
            await RedirectResponse(f"/{self.page}/", 303, {**HEADERS, "set-cookie": value})(scope, receive, send)
            self.told()
        else:
            used = "This address was used already: use the newest that `inkarnat desk` printed."
            await _answer(403, used)(scope, receive, send)

    def _refusal(self, scope: Message) -> tuple[int, str] | None:
        """Return the status and reason for refusing a request by its head alone."""
        all_of = Headers(scope=scope).getlist
        hosts = all_of("host")
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            return 421, "This host is not the desk's: use the address that `inkarnat desk` printed."
        if any(origin.lower() not in {f"http://{host}" for host in self.hosts} for origin in all_of("origin")):
            return 403, "Requests from other origins are refused."
        if any(site not in ("same-origin", "none") for site in all_of("sec-fetch-site")):
            return 403, "Requests from other sites are refused."
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return 405, "Only GET and POST are understood."
        given = scope["path"].removeprefix("/").partition("/")[0]
        if given == ENTER:
            return None if scope["method"] == "GET" else (405, "Only GET opens the page.")
        if not (_is_equal(given, self.page) and self.secret and self._has_cookie(all_of("cookie"))):
            return 403, "The token is missing or wrong: use the address that `inkarnat desk` printed."
        if scope["method"] == "POST" and all_of("content-type") != ["application/json"]:
            return 415, "A request's body must be application/json."
        lengths = all_of("content-length")
        if any(not length.isdigit() or int(length) > self.most_body for length in lengths):
            return 413, f"A request may send at most {self.most_body} bytes."
        return None

    def _has_cookie(self, headers: Iterable[str]) -> bool:
        pairs = [pair.strip().partition("=") for header in headers for pair in header.split(";")]
        return any(name == self.cookie and _is_equal(value, self.secret) for name, _, value in pairs)

    async def _pass_on(self, scope: Message, receive: Receive, send: Send) -> None:
        """Read the body, and hand the request on once it is known to be small enough."""
        body, more = b"", scope["method"] == "POST"
        end = asyncio.get_running_loop().time() + self.body_seconds
        while more:
            try:
                message = await asyncio.wait_for(receive(), end - asyncio.get_running_loop().time())
            except TimeoutError:
                late = f"A request has to be complete within {self.body_seconds:g} seconds."
                await _answer(408, late)(scope, receive, send)
                return
            if message["type"] == "http.disconnect":
                return
            body += message.get("body", b"")
            more = message.get("more_body", False)
            if len(body) > self.most_body:
                await _answer(413, f"A request may send at most {self.most_body} bytes.")(scope, receive, send)
                return
        waiting = [{"type": "http.request", "body": body, "more_body": False}]

        async def handed() -> Message:
            return waiting.pop() if waiting else await receive()

        async def sealed(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *_encoded(HEADERS)]
            await send(message)

        await self.app(scope, handed, sealed)


def _is_equal(given: str, wanted: str) -> bool:
    return secrets.compare_digest(given.encode("utf-8", "surrogatepass"), wanted.encode())


def _encoded(headers: dict[str, str]) -> list[tuple[bytes, bytes]]:
    return [(name.encode(), value.encode()) for name, value in headers.items()]


def _answer(status: int, reason: str) -> PlainTextResponse:
    return PlainTextResponse(reason, status, {**HEADERS, "connection": "close"})
