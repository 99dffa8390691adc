"""One request at the desk: who asks, with which form, and the helpers every page uses."""

from __future__ import annotations

import hmac
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dictate.desk.accounts import People, Person
from dictate.errors import DeskError, ForbiddenError
from dictate.storage import Draft, DraftHead, Store
from dictate.storage.document import Change, Document, State

if TYPE_CHECKING:
    from jinja2 import Environment

    from dictate.desk.feed import Feed
    from dictate.desk.pages_sound import Dictations

Recogniser = Callable[[Path], Any]
LONGEST_TEXT = 2000


@dataclass(frozen=True)
class Desk:
    """Everything that the pages share."""

    store: Store
    people: People
    templates: Environment
    feed: Feed
    dictations: Dictations
    hear: Recogniser
    tls: bool = False

    @property
    def cookie(self) -> str:
        """Name of the session cookie; the __Host- prefix binds it to this host under TLS."""
        return "__Host-desk" if self.tls else "desk"


@dataclass
class Ask:
    """A request with its form (already read) and the person behind it."""

    desk: Desk
    request: Request
    person: Person | None
    form: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""

    @property
    def me(self) -> Person:
        """The person; only pages that require a role use this."""
        assert self.person is not None
        return self.person

    @property
    def store(self) -> Store:
        return self.desk.store

    @property
    def address(self) -> str:
        """The address of the browser."""
        return self.request.client.host if self.request.client else "unknown"

    @property
    def number(self) -> int:
        """The draft number in the address."""
        return int(self.request.path_params["number"])

    def text(self, name: str, *, required: str = "", longest: int = LONGEST_TEXT) -> str:
        """A text field: trimmed, on one line, without control characters; DeskError when empty or too
        long.
        """
        raw = self.form.get(name, "")
        clean = " ".join("".join(char if char.isprintable() else " " for char in raw).split())
        if required and not clean:
            raise DeskError(required)
        if len(clean) > longest:
            raise DeskError(f"That text is too long: at most {longest} characters are taken.")
        return clean

    def whole(self, name: str) -> int:
        """A whole number in the form."""
        raw = self.form.get(name, "")
        if not raw.isascii() or not raw.isdigit() or len(raw) > 9:
            raise DeskError("The form was not complete; go back, reload the page and try again.")
        return int(raw)

    @property
    def revision(self) -> int:
        """The revision that the person saw."""
        return self.whole("revision")

    def head(self) -> DraftHead:
        """The draft's head, if this person may see this draft."""
        head = self.store.head(self.number)
        require_may_see(self.me, head)
        return head

    def draft(self) -> Draft:
        """The draft, if this person may see it."""
        self.head()
        return self.store.draft(self.number)

    def save(
        self,
        change: Change,
        document: Document,
        action: str,
        *,
        state: State | None = None,
        sound: Any = None,
    ) -> int:
        """Keep an edited document under the revision that the person saw, and tell the other open pages."""
        head = self.head()
        state = state or ("asked_back" if document.open_questions() else "draft")
        fresh = self.store.save(
            head.number, self.revision, document, change, actor=self.me.username, action=action,
            state=state, sound=sound,
        )  # fmt: skip
        self.desk.feed.tell(head.number)
        return fresh

    def page(self, template: str, status: int = 200, **values: Any) -> HTMLResponse:
        """An HTML page."""
        found = self.desk.templates.get_template(template)
        csrf = self.person.session.csrf if self.person else ""
        html = found.render(person=self.person, csrf=csrf, path=self.request.url.path, **values)
        return HTMLResponse(html, status_code=status)

    def go(self, path: str) -> Response:
        """Answer a form: show that page next."""
        return RedirectResponse(path, status_code=303)

    def csrf_holds(self) -> bool:
        """Whether the form carries this session's secret and comes from this desk's own pages."""
        if self.person is None:
            return False
        given = self.form.get("csrf") or self.request.headers.get("x-csrf", "")
        return self.same_origin() and hmac.compare_digest(
            given.encode(errors="replace"), self.person.session.csrf.encode()
        )

    def same_origin(self) -> bool:
        """Whether the browser says that the request comes from this desk (or says nothing, as old ones
        do).
        """
        headers = self.request.headers
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return False
        origin = headers.get("origin")
        return origin is None or urlsplit(origin).netloc.lower() == headers.get("host", "").lower()


def may_see(person: Person, head: DraftHead) -> bool:
    """Whether the draft is this person's to see (secretaries: all; clinicians: their own; exporters: signed)."""
    if person.role == "clinician":
        return head.clinician == person.username
    return person.role == "secretary" or (person.role == "exporter" and head.signed_version > 0)


def require_may_see(person: Person, head: DraftHead) -> None:
    """ForbiddenError unless the draft is this person's to see."""
    if may_see(person, head):
        return
    raise ForbiddenError("This draft is not yours to see; it is in the list of its own clinician.")


def local_time(moment: datetime) -> str:
    """A time as people here read it."""
    return moment.astimezone().strftime("%d %b %Y, %H:%M")
