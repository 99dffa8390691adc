"""Puts the desk together: addresses, access, audit of every access, and faults turned into pages."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable
from datetime import timedelta
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from dictate.desk import words
from dictate.desk.accounts import People
from dictate.desk.asking import Ask, Desk, Recogniser, local_time
from dictate.desk.feed import Feed
from dictate.desk.pages_drafts import draft_page
from dictate.desk.pages_sound import Dictations, hear_addition
from dictate.desk.routes import PAGES, Page
from dictate.desk.security import Guard
from dictate.errors import (
    ClosedDraftError,
    DeskError,
    DictateError,
    ForbiddenError,
    InputError,
    NoDraftError,
    SignInError,
    StaleDraftError,
)
from dictate.storage import Store
from grammar.models import CAUTION

HERE = Path(__file__).parent
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
MOST_FIELDS = 100
AUTOMATIC = "x-automatic"
"""Header of requests that a page makes without its person doing anything."""
LARGEST = 2**31 - 1
"""The largest number that both databases keep in an integer column."""
STATUS: tuple[tuple[type[DictateError], int], ...] = (
    (StaleDraftError, 409),
    (ClosedDraftError, 409),
    (NoDraftError, 404),
    (ForbiddenError, 403),
    (SignInError, 403),
    (DeskError, 400),
    (InputError, 400),
)


def create_app(
    store: Store,
    *,
    hosts: Iterable[str] = LOOPBACK,
    tls: bool = False,
    idle: timedelta = timedelta(minutes=15),
    hear: Recogniser = hear_addition,
) -> ASGIApp:
    """The desk for one open store. `hosts`: the names it answers to; `hear`: turns a sound file into
    words.
    """
    desk = Desk(store, People(store, idle=idle), _templates(), Feed(), Dictations(), hear, tls)
    routes: list[Route | Mount] = [Route(page.path, _endpoint(desk, page), methods=[page.method]) for page in PAGES]
    routes.append(Mount("/static", StaticFiles(directory=HERE / "static")))
    app = Starlette(routes=routes, exception_handlers={HTTPException: _plain_fault, Exception: _broken})
    return Guard(app, hosts=hosts, tls=tls)


def _templates() -> Environment:
    found = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        auto_reload=False,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters.update(
        when=local_time,
        plain=words.plain,
        result=words.result_words,
        said=words.finding_words,
        slot=words.slot_words,
        item=words.item_words,
    )
    found.globals.update(
        CAUTION=CAUTION,
        STATE_WORDS=words.STATE_WORDS,
        SLOT_WORDS=words.SLOT_WORDS,
        SIDE_WORDS=words.SIDE_WORDS,
        STATUS_WORDS=words.STATUS_WORDS,
        ORIGIN_WORDS=words.ORIGIN_WORDS,
    )
    for name in found.list_templates():
        found.get_template(name)  # compiled now, not by everybody's first page at once
    return found


def _endpoint(desk: Desk, page: Page) -> Callable[[Request], Awaitable[Response]]:
    async def endpoint(request: Request) -> Response:
        form: dict[str, str] = {}
        body = b""
        if page.method == "POST":
            if page.roles is not None:  # who is nobody is not listened to: a body of theirs is never read
                refusal = await run_in_threadpool(_refusal, desk, page, request)
                if refusal is not None:
                    return refusal
            if page.body == "sound":
                body = await request.body()
            else:
                form = await _form(request)
        return await run_in_threadpool(_answer, desk, page, request, form, body)

    return endpoint


def _refusal(desk: Desk, page: Page, request: Request) -> Response | None:
    """The answer to a post without a session, before its body is read; None when there is a session."""
    if desk.people.who(request.cookies.get(desk.cookie), touch=False) is not None:
        return None
    answer = _not_signed_in(Ask(desk, request, None), page)
    answer.headers["Connection"] = "close"
    return answer


async def _form(request: Request) -> dict[str, str]:
    """The fields of a form; one that is given several times becomes lines."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise HTTPException(415, "Forms are taken as application/x-www-form-urlencoded only.")
    found: dict[str, str] = {}
    async with request.form(max_fields=MOST_FIELDS) as form:
        for name, value in form.multi_items():
            if isinstance(value, str):
                found[name] = f"{found[name]}\n{value}" if name in found else value
    return found


def _answer(desk: Desk, page: Page, request: Request, form: dict[str, str], body: bytes) -> Response:
    """Who is it, may they, do it, write it down."""
    by_itself = page.automatic or AUTOMATIC in request.headers
    person = desk.people.who(request.cookies.get(desk.cookie), touch=not by_itself)
    ask = Ask(desk, request, person, form, body)
    try:
        if page.roles is not None:
            if person is None:
                return _not_signed_in(ask, page)
            if person.role not in page.roles:
                raise ForbiddenError(f"The role {person.role} may not use this page.")
            if page.method == "POST" and not ask.csrf_holds():
                raise ForbiddenError("The form did not come from this desk's own page; reload the page and try again.")
        if any(number > LARGEST for number in request.path_params.values() if isinstance(number, int)):
            raise NoDraftError("There is no draft with such a number.")
        if "number" in request.path_params:
            ask.head()  # every page of one draft: may this person see this draft at all?
        answer = page.answer(ask)
    except DictateError as error:
        if page.clinical:
            who = person.username if person else "nobody"
            desk.store.log(who, page.name, _target(request), "rejected", type(error).__name__)
        return _fault(ask, page, error)
    if page.clinical and page.method == "GET" and person is not None:
        desk.store.log(person.username, page.name, _target(request), "accepted", _detail(request))
    return answer


def _target(request: Request) -> str:
    number = request.path_params.get("number")
    return f"draft {number}" if number is not None else "drafts"


def _detail(request: Request) -> str:
    facts = {name: value for name, value in request.path_params.items() if name != "number"}
    return " ".join(f"{name} {value}" for name, value in facts.items())


def _not_signed_in(ask: Ask, page: Page) -> Response:
    if page.clinical:
        ask.desk.store.log("nobody", page.name, _target(ask.request), "rejected", "not signed in")
    if page.method == "GET" and "text/html" in ask.request.headers.get("accept", ""):
        return RedirectResponse("/sign-in", status_code=303)
    return PlainTextResponse("Sign in first.", status_code=401)


def _fault(ask: Ask, page: Page, error: DictateError) -> Response:
    status = next((code for kind, code in STATUS if isinstance(error, kind)), 503)
    if "application/json" in ask.request.headers.get("accept", ""):
        return JSONResponse({"said": str(error)}, status_code=status)
    refused = page.method == "POST" and page.path.startswith("/drafts/") and status in (400, 409)
    if refused:
        tried = [
            (name, value) for name, value in ask.form.items() if name not in ("csrf", "revision", "password") and value
        ]
        return draft_page(ask, status, refused=str(error), tried=tried)
    return ask.page("fault.html", status, said=str(error))


async def _plain_fault(_request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return PlainTextResponse(f"{error.detail}\n", status_code=error.status_code)


async def _broken(_request: Request, _error: Exception) -> Response:
    return PlainTextResponse("The desk failed on that page; nothing was saved. See its log.\n", status_code=500)
