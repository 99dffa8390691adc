"""Pages that show: the list of drafts, one draft, its live feed, the comparison with an earlier
examination.
"""

from __future__ import annotations

from typing import Any, get_args
from urllib.parse import urlencode

from starlette.responses import Response, StreamingResponse

from dictate.desk import editing, view, words
from dictate.desk.asking import Ask, may_see
from dictate.desk.figures import figure_of, figure_style
from dictate.errors import DeskError
from dictate.storage import Draft, DraftHead, Wanted
from dictate.storage.document import CLOSED_STATES, State
from dictate.storage.reading import SortKey

PAGE = 50
SORTS: tuple[SortKey, ...] = get_args(SortKey)
FILTERS: dict[str, tuple[State, ...]] = {
    "all": (),
    "open": ("draft", "asked_back", "ready"),
    **{state: (state,) for state in get_args(State)},
}
FILTER_WORDS = {"all": "all", "open": "not signed yet", **words.STATE_WORDS}


def start(ask: Ask) -> Response:
    """The first page of a role."""
    if ask.person is None:
        return ask.go("/sign-in")
    return ask.go("/people" if ask.me.role == "administrator" else "/drafts")


def show_list(ask: Ask) -> Response:
    """One page of drafts; the address holds search, filter and order."""
    query = ask.request.query_params
    sort = query.get("sort", "started")
    state = query.get("state", "all")
    page = query.get("page", "1")
    if sort not in SORTS or state not in FILTERS or not page.isascii() or not page.isdigit() or len(page) > 6:
        raise DeskError("That address asks for an order, filter or page that does not exist; go to the list of drafts.")
    down = query.get("down", "1" if sort in ("started", "number", "omissions", "queries") else "0") == "1"
    me = ask.me
    wanted = Wanted(
        text=query.get("q", "")[:200],
        states=FILTERS[state],
        clinician=me.username if me.role == "clinician" else None,
        signed_only=me.role == "exporter",
        sort=sort,  # type: ignore[arg-type]
        descending=down,
        limit=PAGE,
        offset=(max(1, int(page)) - 1) * PAGE,
    )
    listing = ask.store.listing(wanted)

    def link(**changes: Any) -> str:
        facts = {"q": wanted.text, "state": state, "sort": sort, "down": int(down), "page": 1, **changes}
        return "/drafts?" + urlencode(facts)

    return ask.page(
        "list.html",
        listing=listing,
        now=ask.store.clock(),
        age=words.age_words,
        wanted=wanted,
        state=state,
        filters=FILTER_WORDS,
        link=link,
        page_number=max(1, int(page)),
        pages=max(1, -(-listing.total // PAGE)),
        sort=sort,
        down=down,
    )


def figure_rules(ask: Ask) -> Response:
    """The style rules of the figure."""
    return Response(figure_style(), media_type="text/css")


def show_draft(ask: Ask) -> Response:
    """One draft for review."""
    return draft_page(ask)


def draft_page(ask: Ask, status: int = 200, **more: Any) -> Response:
    """The page of a draft, also used to show a refused change beside the draft as it is now."""
    draft = ask.draft()
    store, number = ask.store, draft.head.number
    document = draft.document
    recordings = store.recordings(number)
    values = {
        "draft": draft,
        "head": draft.head,
        "document": document,
        "lines": view.transcript_lines(document, recordings),
        "recordings": [r for r in recordings if r.samples and draft.head.sound == "kept"],
        "stations": view.stations(document),
        "queries": view.query_lines(document),
        "open_slots": view.open_slots(document),
        "decided": view.decided_pieces(document),
        "history": tuple(reversed(store.history(number))),
        "earlier": beside(ask, number),
        "signatures": store.signatures(number),
        "blocks": editing.what_blocks(document),
        "figure": figure_of(document.note),
        "clinicians": [a for a in ask.desk.people.all() if a.role == "clinician" and a.active],
        "editable": draft.head.state not in CLOSED_STATES,
        "undo": undo_line(ask, draft),
    }
    return ask.page("draft.html", status, **{**values, **more})


def undo_line(ask: Ask, draft: Draft) -> Any:
    """The last change that an undo would take back, or None."""
    stack = undo_stack(ask, draft)
    return stack[-1] if len(stack) > 1 else None


def undo_stack(ask: Ask, draft: Draft) -> list[Any]:
    """The changes that still hold in this version, oldest first; the first is where the version began."""
    stack: list[Any] = []
    for line in ask.store.history(draft.head.number):
        if line.version != draft.head.version or line.action in ("header", "ready"):
            continue
        if line.action == "undo" and len(stack) > 1:
            stack.pop()
        else:
            stack.append(line)
    return stack


def feed(ask: Ask) -> Response:
    """The live feed of a draft."""
    head = ask.head()
    store, people, digest = ask.store, ask.desk.people, ask.me.session.token_digest

    def look() -> tuple[int, str]:
        now = store.head(head.number)
        return now.revision, now.state

    stream = ask.desk.feed.stream(head.number, ask.me.account.name, look, lambda: people.alive(digest))
    return StreamingResponse(stream, media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})


def beside(ask: Ask, number: int) -> tuple[DraftHead, ...]:
    """The other examinations of the same patient that this person may see, newest first."""
    if ask.me.role == "exporter":
        return ()
    return tuple(head for head in ask.store.same_patient(number) if may_see(ask.me, head))


def compare(ask: Ask) -> Response:
    """This examination beside another one of the same patient."""
    this = ask.draft()
    other_number = int(ask.request.path_params["other"])
    if other_number not in {head.number for head in beside(ask, this.head.number)}:
        raise DeskError("That is not another examination of the same patient.")
    other = ask.store.draft(other_number)
    older, newer = sorted((this, other), key=lambda draft: draft.head.started_at)
    changes = words.compared(older.document.note.findings, newer.document.note.findings)
    return ask.page(
        "compare.html",
        this=this,
        older=older,
        newer=newer,
        changes=changes,
        rows=side_by_side(older, newer),
    )


def side_by_side(older: Draft, newer: Draft) -> list[tuple[str, list[tuple[str, str, str, bool]]]]:
    """Stations with lines (place in words, older result, newer result, whether they differ)."""
    before = {(line[0], line[1]): line for line in words.compared((), older.document.note.findings)}
    after = {(line[0], line[1]): line for line in words.compared((), newer.document.note.findings)}
    findings = [*older.document.note.findings, *newer.document.note.findings]
    labels = dict(view.station_labels())
    rows: dict[str, list[tuple[str, str, str, bool]]] = {labels[name]: [] for name in labels}
    seen = set()
    for station, indices in words.station_order(findings):
        for index in sorted(indices, key=lambda i: words.item_words(findings[i].item, findings[i].site)):
            finding = findings[index]
            for side in words.sides_of(finding):
                key = (words.item_words(finding.item, finding.site), words.SIDE_WORDS[side])
                if key in seen:
                    continue
                seen.add(key)
                old, new = (found[key][3] if key in found else "" for found in (before, after))
                place = key[0] + (f", {key[1]}" if key[1] else "")
                rows.setdefault(labels.get(station, station), []).append((place, old, new, old != new))
    return [(label, lines) for label, lines in rows.items() if lines]
