"""The guard: lets through only requests that the desk's own page on this machine has made.

The page's address holds a random token. Other pages in the same browser can reach a server on this machine, under its
own name or, by a changed name record, under theirs (DNS rebinding). So a request must name the host and port that were
opened, must not come from another origin, must bring the token, and may not send more than a little.
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from typing import Any

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

    def __init__(self, app: Application, token: str, hosts: Iterable[str], most_body: int = MOST_BODY) -> None:
        self.app, self.token, self.hosts, self.most_body = app, token, frozenset(hosts), most_body

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Pass a request on or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        refusal = self._refusal(scope)
        if refusal is not None:
            await _answer(send, *refusal)
            return
        await self._pass_on(scope, receive, send)

    def _refusal(self, scope: Message) -> tuple[int, str] | None:
        """Return the status and reason for refusing a request by its head alone."""
        headers = [(name.decode("latin-1").lower(), value.decode("latin-1")) for name, value in scope["headers"]]

        def all_of(name: str) -> list[str]:
            return [value for key, value in headers if key == name]

        hosts = all_of("host")
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            return 421, "This host is not the desk's: use the address that `inkarnat desk` printed."
        if any(origin.lower() not in {f"http://{host}" for host in self.hosts} for origin in all_of("origin")):
            return 403, "Requests from other origins are refused."
        if any(site not in ("same-origin", "none") for site in all_of("sec-fetch-site")):
            return 403, "Requests from other sites are refused."
        given = scope["path"].split("/", 2)[1]
        if not secrets.compare_digest(given.encode(), self.token.encode()):
            return 403, "The token is missing or wrong: use the address that `inkarnat desk` printed."
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return 405, "Only GET and POST are understood."
        if scope["method"] == "POST" and all_of("content-type") != ["application/json"]:
            return 415, "A request's body must be application/json."
        lengths = all_of("content-length")
        if any(not length.isdigit() or int(length) > self.most_body for length in lengths):
            return 413, f"A request may send at most {self.most_body} bytes."
        return None

    async def _pass_on(self, scope: Message, receive: Receive, send: Send) -> None:
        """Read the body, and hand the request on once it is known to be small enough."""
        body, more = b"", scope["method"] == "POST"
        while more:
            message = await receive()
            if message["type"] == "http.disconnect":
                return
            body += message.get("body", b"")
            more = message.get("more_body", False)
            if len(body) > self.most_body:
                await _answer(send, 413, f"A request may send at most {self.most_body} bytes.")
                return
        waiting = [{"type": "http.request", "body": body, "more_body": False}]

        async def handed() -> Message:
            return waiting.pop() if waiting else await receive()

        async def sealed(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *_encoded(HEADERS)]
            await send(message)

        await self.app(scope, handed, sealed)


def _encoded(headers: dict[str, str]) -> list[tuple[bytes, bytes]]:
    return [(name.encode(), value.encode()) for name, value in headers.items()]


async def _answer(send: Send, status: int, reason: str) -> None:
    headers = {"content-type": "text/plain; charset=utf-8", **HEADERS, "connection": "close"}
    await send({"type": "http.response.start", "status": status, "headers": _encoded(headers)})
    await send({"type": "http.response.body", "body": reason.encode()})
