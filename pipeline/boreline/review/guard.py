"""Who may talk to the server: the page with the token, under its own address, and nobody else.

The server listens on 127.0.0.1. Against other pages in the same browser the Host must be a loopback name in full (DNS
rebinding) and an Origin must equal it; against other users of the machine every path under `/api/` wants the token.
"""

from __future__ import annotations

import hmac
import re

from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MAX_BODY_BYTES = 256 * 1024
_HOST = re.compile(r"(?:127\.0\.0\.1|localhost|\[::1\])(?::[0-9]{1,5})?")
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = (
    (b"content-security-policy", _POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
)


class TooLarge(Exception):
    """A body grew beyond `MAX_BODY_BYTES`."""


class Guard:
    """Wraps the application; see the module."""

    def __init__(self, app: ASGIApp, token: str) -> None:
        self._app = app
        self._expected = f"Bearer {token}".encode()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or refuse it."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        guarded = _with_headers(send, api=scope["path"].startswith("/api/"))
        if refusal is not None:
            status, reason = refusal
            await JSONResponse({"error": reason}, status_code=status)(scope, receive, guarded)
            return
        await self._app(scope, _limited(receive), guarded)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name, []).append(value)
        hosts = headers.get(b"host", [])
        if len(hosts) != 1 or not _HOST.fullmatch(hosts[0].decode("latin-1")):
            return 421, "this server answers to 127.0.0.1 and localhost only"
        origins = headers.get(b"origin", [])
        if any(origin != b"http://" + hosts[0] for origin in origins):
            return 403, "requests from another page are refused"
        if scope["path"].startswith("/api/") or scope["path"] == "/api":
            tokens = headers.get(b"authorization", [])
            if len(tokens) != 1 or not hmac.compare_digest(tokens[0], self._expected):
                return 401, "the token of this review is missing or wrong: open the address that the terminal shows"
        lengths = headers.get(b"content-length", [])
        if any(not length.isdigit() or int(length) > MAX_BODY_BYTES for length in lengths):
            return 413, f"a message may have up to {MAX_BODY_BYTES // 1024} kB"
        return None


def _limited(receive: Receive) -> Receive:
    total = 0

    async def limited() -> Message:
        nonlocal total
        message = await receive()
        total += len(message.get("body", b""))
        if total > MAX_BODY_BYTES:
            raise TooLarge
        return message

    return limited


def _with_headers(send: Send, *, api: bool) -> Send:
    async def guarded(message: Message) -> None:
        if message["type"] == "http.response.start":
            caching = (b"cache-control", b"no-store" if api else b"no-cache")
            message = {**message, "headers": [*message.get("headers", []), *_HEADERS, caching]}
        await send(message)

    return guarded
