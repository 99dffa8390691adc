"""What every answer and every request must satisfy, whatever the page.

Headers: a content policy without inline script or style and without other origins, no framing, no
sniffing, no referrer, no caching of clinical pages, microphone for this page only. Requests: a host name
that belongs to this desk (against DNS rebinding), and no body larger than its page allows.
"""

from __future__ import annotations

from collections.abc import Iterable

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "media-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "microphone=(self), camera=(), geolocation=()",
}
FORM_BYTES = 64 * 1024
SOUND_BYTES = 25 * 1024 * 1024
SOUND_PATHS = "/dictation"


class Guard:
    """ASGI middleware that applies the rules above."""

    def __init__(self, app: ASGIApp, *, hosts: Iterable[str], tls: bool) -> None:
        self.app = app
        self.hosts = frozenset(host.lower() for host in hosts)
        self.tls = tls

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        sender = self._with_headers(scope, send)
        headers = Headers(scope=scope)
        if host_name(headers.get("host", "")) not in self.hosts:
            answer = PlainTextResponse("This desk does not answer to that host name.", status_code=400)
            await answer(scope, receive, sender)
            return
        limit = SOUND_BYTES if scope["path"].endswith(SOUND_PATHS) else FORM_BYTES
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > limit:
            await self._too_large(limit)(scope, receive, sender)
            return
        await self.app(scope, _limited(receive, limit), sender)

    @staticmethod
    def _too_large(limit: int) -> PlainTextResponse:
        return PlainTextResponse(_too_large_text(limit), status_code=413, headers={"Connection": "close"})

    def _with_headers(self, scope: Scope, send: Send) -> Send:
        async def sender(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                if not scope["path"].startswith("/static/"):
                    headers["Cache-Control"] = "no-store"
                if self.tls:
                    headers["Strict-Transport-Security"] = "max-age=31536000"
            await send(message)

        return sender


def _too_large_text(limit: int) -> str:
    return f"That is too large: at most {limit // 1024} kilobytes are taken here. Nothing was saved."


def _limited(receive: Receive, limit: int) -> Receive:
    """Counts a body that comes in pieces without saying its length."""
    seen = 0

    async def limited() -> Message:
        nonlocal seen
        message = await receive()
        if message["type"] == "http.request":
            seen += len(message.get("body", b""))
            if seen > limit:
                raise HTTPException(413, _too_large_text(limit))
        return message

    return limited


def host_name(header: str) -> str:
    """The name in a Host header, without the port."""
    header = header.lower()
    if header.startswith("["):
        return header.partition("]")[0] + "]"
    return header.partition(":")[0]
