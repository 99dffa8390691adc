"""The board's few routes: the page, its stream of pictures, and its keys.

GET  /            the page (or the question for the code)
GET  /events      server-sent events "view" and "meter"
POST /do          {"do": "pause"}: a key, put in the program's queue
POST /enter       the one-time code
GET  /board.css, /board.js
"""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from dictate.live.board.entry import COOKIE, Door
from dictate.live.board.feed import Feed
from dictate.live.commands import Command, command_named

STATIC = Path(__file__).parent / "static"
_BODY_LIMIT = 2_000
_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "img-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Resource-Policy": "same-origin",
}


class Guard:
    """Refuses foreign host names and origins, asks for the code, and adds the security headers."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self.app, self.door = app, door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        refusal = self._refusal(request)
        if refusal is not None:
            refusal.headers.update(_HEADERS)
            await refusal(scope, receive, send)
            return

        async def send_guarded(message: dict) -> None:  # type: ignore[type-arg]
            if message["type"] == "http.response.start":
                extra = [(name.lower().encode(), value.encode()) for name, value in _HEADERS.items()]
                message["headers"] = [*message.get("headers", []), *extra]
            await send(message)

        await self.app(scope, receive, send_guarded)  # type: ignore[arg-type]

    def _refusal(self, request: Request) -> Response | None:
        if not self.door.knows_host(request.headers.get("host", "")):
            return JSONResponse({"error": "This board answers under its own address only."}, 421)
        origin = request.headers.get("origin")
        if request.method == "POST" and origin is not None:
            ours = f"{request.url.scheme}://{request.headers.get('host', '')}"
            if origin != ours:
                return JSONResponse({"error": "Keys are taken from the board's own page only."}, 403)
        free = request.url.path in ("/enter", "/board.css")
        if not free and not self.door.lets_in(request.cookies.get(COOKIE)):
            if request.url.path == "/":
                remark = "That was not the code. " if "wrong" in request.url.query else ""
                if self.door.wait_s:
                    remark = f"Too many wrong codes: the next one is looked at in {self.door.wait_s} seconds. "
                return HTMLResponse((STATIC / "enter.html").read_text("utf-8").replace("{remark}", remark))
            return JSONResponse({"error": "Open the board's page and give the code first."}, 401)
        return None


def create_app(feed: Feed, door: Door, press: Callable[[Command], None]) -> Starlette:
    """The board: `feed` gives it pictures, `press` takes its keys."""

    async def page(_: Request) -> Response:
        return FileResponse(STATIC / "board.html")

    def static(name: str) -> Callable[[Request], Awaitable[Response]]:
        async def serve(_: Request) -> Response:
            return FileResponse(STATIC / name)

        return serve

    async def events(_: Request) -> Response:
        return StreamingResponse(feed.stream(), media_type="text/event-stream")

    async def do(request: Request) -> Response:
        if request.headers.get("content-type", "").partition(";")[0] != "application/json":
            return JSONResponse({"error": "Send JSON."}, 415)
        body = await _small_body(request)
        try:
            wish = json.loads(body)
            command = command_named(str(wish["do"]), wish.get("value"))
        except (ValueError, KeyError, TypeError, AttributeError):
            return JSONResponse({"error": "Unknown key."}, 400)
        press(command)
        return JSONResponse({"done": command.kind}, 202)

    async def no_icon(_: Request) -> Response:
        return Response(status_code=204)

    async def enter(request: Request) -> Response:
        body = await _small_body(request)
        code = body.decode("utf-8", "replace").partition("=")[2]
        given = door.admit(code)
        if given is None:
            return RedirectResponse("/?wrong", 303)
        response = RedirectResponse("/", 303)
        secure = request.url.scheme == "https"
        response.set_cookie(COOKIE, given, httponly=True, secure=secure, samesite="strict")
        return response

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        yield
        feed.close()

    routes = [
        Route("/", page),
        Route("/favicon.ico", no_icon),
        Route("/events", events),
        Route("/do", do, methods=["POST"]),
        Route("/enter", enter, methods=["POST"]),
        *(Route(f"/{name}", static(name)) for name in ("board.css", "board.js")),
    ]
    return Starlette(routes=routes, middleware=[Middleware(Guard, door=door)], lifespan=lifespan)


async def _small_body(request: Request) -> bytes:
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > _BODY_LIMIT:
            return b""
    return body
