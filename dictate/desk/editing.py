"""Edits of a draft as plain functions: a document and what somebody wants -> the next document and its
change.

Nothing here touches the store or the clock. Every edit keeps the rules of the note: a finding has words
in the transcript (typed and dictated additions are appended to it), no word leaves it, and omissions and
queries are worked out anew by the grammar's own rules after each edit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dictate.desk import checking, words
from dictate.errors import DeskError
from dictate.storage.document import (
    Acceptance,
    Addition,
    Change,
    Document,
    Entry,
    Origin,
    Question,
    UnreadPiece,
)
from grammar.models import CoverSpan, Finding, Note, Slot, TextSpan

MOST_ADDED = 500


@dataclass(frozen=True, slots=True)
class Hand:
    """Whose hand makes the edit, and when (ISO 8601)."""

    by: str
    at: str


@dataclass(frozen=True, slots=True)
class Wish:
    """What a finding shall say; only catalogue values are taken."""

    item: str
    site: str | None
    side: str
    status: str
    grade: str | None
    descriptors: tuple[str, ...]
    reason: str | None = None


Edited = tuple[Document, Change]


def change_finding(document: Document, number: int, wish: Wish, hand: Hand) -> Edited:
    """Give a finding other values; its words stay the evidence."""
    entry = _standing(document, number)
    checking.require_catalogue_values(wish)
    fresh = checking.coded(
        entry.finding.model_copy(
            update={
                "item": wish.item,
                "site": wish.site,
                "side": wish.side,
                "status": wish.status,
                "grade": wish.grade,
                "descriptors": wish.descriptors,
                "reason": wish.reason if wish.status == "not_examined" else None,
            }
        )
    )
    if fresh == entry.finding:
        raise DeskError("Nothing was changed: the finding says that already.")
    edited = entry.model_copy(update={"finding": fresh, "by": hand.by, "at": hand.at,
                                      "was": entry.was or entry.finding})  # fmt: skip
    entries = tuple(edited if old.number == number else old for old in document.entries)
    before, after = words.finding_words(entry.finding), words.finding_words(fresh)
    return settled(document, entries=entries), Change(text="Finding changed", before=before, after=after)


def withdraw(document: Document, number: int, hand: Hand) -> Edited:
    """Take a finding out of the note; it stays among the withdrawn ones."""
    entry = _standing(document, number)
    return _set_withdrawn(document, entry, True, hand), Change(
        text="Finding withdrawn", before=words.finding_words(entry.finding)
    )


def restore(document: Document, number: int, hand: Hand) -> Edited:
    """Bring a withdrawn finding back."""
    entry = document.entry(number)
    if entry is None or not entry.withdrawn:
        raise DeskError("That finding is not withdrawn; reload the page to see the draft as it is now.")
    return _set_withdrawn(document, entry, False, hand), Change(
        text="Finding restored", after=words.finding_words(entry.finding)
    )


def add_phrase(
    document: Document,
    phrase: str,
    hand: Hand,
    *,
    origin: Origin = "phrase",
    unread: int | None = None,
    recording: int | None = None,
) -> Edited:
    """Append a phrase to the transcript and take over what the grammar reads in it.

    With `unread` the phrase says what a piece of unread text meant, and that piece counts as decided.
    """
    read = checking.read_phrase(phrase, document.note)
    if not read.findings:
        raise DeskError("The grammar reads no finding in that phrase; name the item, the side and the result.")
    joined, start = _appended(document.note, read)
    numbers = range(_next_number(document), _next_number(document) + len(read.findings))
    added = joined.findings[len(document.note.findings) :]
    entries = tuple(
        Entry(number=number, finding=finding, origin=origin, by=hand.by, at=hand.at)
        for number, finding in zip(numbers, added, strict=True)
    )
    addition = Addition(start_char=start, end_char=start + len(read.transcript), origin=origin, by=hand.by,
                        at=hand.at, recording=recording)  # fmt: skip
    pieces = document.unread
    if unread is not None:
        pieces = _decided(document, unread, "made_a_finding", hand, entries=tuple(numbers))
    fresh = max((piece.number for piece in pieces), default=0) + 1
    pieces += tuple(
        UnreadPiece(number=fresh + index, span=span)
        for index, span in enumerate(joined.unread[len(document.note.unread) :])
    )
    base = document.model_copy(update={"note": joined, "additions": (*document.additions, addition)})
    after = "; ".join(words.finding_words(finding) for finding in added)
    text = "Finding added from a phrase" if origin == "phrase" else "Finding added by dictation"
    return settled(base, entries=(*document.entries, *entries), unread=pieces), Change(
        text=text, before=_piece_text(document, unread), after=after
    )


def not_examined(document: Document, item: str, site: str | None, side: str, reason: str, hand: Hand) -> Edited:
    """Record that a required slot was not examined, with the reason."""
    slot = _open_slot(document, item, site, side)
    named = words.slot_words(slot)
    line = f"{named}: not examined, {reason}"
    start = _next_line(document.note)
    finding = checking.coded(
        Finding(item=item, site=site, side=slot.side, status="not_examined", reason=reason, text=line,
                start_char=start, end_char=start + len(line), spans=((start, start + len(line)),))
    )  # fmt: skip
    note = _with_line(document.note, line, (CoverSpan(kind="finding", start_char=start, end_char=start + len(line)),))
    addition = Addition(start_char=start, end_char=start + len(line), origin="catalogue", by=hand.by, at=hand.at)
    entry = Entry(number=_next_number(document), finding=finding, origin="catalogue", by=hand.by, at=hand.at)
    base = document.model_copy(update={"note": note, "additions": (*document.additions, addition)})
    return settled(base, entries=(*document.entries, entry)), Change(
        text="Marked as not examined", before=words.SLOT_WORDS[slot.state], after=line
    )


def nothing_clinical(document: Document, number: int, hand: Hand) -> Edited:
    """Decide that unread text holds nothing clinical: it becomes context."""
    pieces = _decided(document, number, "nothing_clinical", hand)
    return settled(document, unread=pieces), Change(
        text="Unread text: nothing clinical", before=_piece_text(document, number)
    )


def accept_unread(document: Document, number: int, reason: str, hand: Hand) -> Edited:
    """Let unread text stand as unread, with the reason."""
    pieces = _decided(document, number, "accepted", hand, reason=reason)
    return settled(document, unread=pieces), Change(
        text="Unread text accepted as it is", before=_piece_text(document, number), after=reason
    )


def accept_query(document: Document, key: str, reason: str, hand: Hand) -> Edited:
    """Let a query stand, with the reason."""
    query = next((query for query in document.open_queries() if document.query_key(query) == key), None)
    if query is None:
        raise DeskError("That query is not open any more; reload the page to see the draft as it is now.")
    accepted = Acceptance(key=key, message=query.message, reason=reason, by=hand.by, at=hand.at)
    kept = document.model_copy(update={"acceptances": (*document.acceptances, accepted)})
    return kept, Change(text="Query accepted", before=query.message, after=reason)


def ask_back(document: Document, about: str, question: str, hand: Hand) -> Edited:
    """Put a question to the clinician."""
    number = max((old.number for old in document.questions), default=0) + 1
    asked = Question(number=number, about=about, text=question, by=hand.by, at=hand.at)
    kept = document.model_copy(update={"questions": (*document.questions, asked)})
    return kept, Change(text="Asked back", before=about, after=question)


def answer(document: Document, number: int, text: str, hand: Hand) -> Edited:
    """Answer a question; what the answer adds to the note comes through `add_phrase` first."""
    asked = next((old for old in document.open_questions() if old.number == number), None)
    if asked is None:
        raise DeskError("That question is answered already; reload the page to see the draft as it is now.")
    answered = asked.model_copy(update={"answer": text, "answered_by": hand.by, "answered_at": hand.at})
    questions = tuple(answered if old.number == number else old for old in document.questions)
    return document.model_copy(update={"questions": questions}), Change(
        text="Question answered", before=asked.text, after=text
    )


def what_blocks(document: Document) -> list[str]:
    """Why the draft cannot be signed yet, in words; empty when it can."""
    counts = (
        (len(document.undecided()), "unread text is undecided", "unread texts are undecided"),
        (len(document.open_queries()), "query is open", "queries are open"),
        (len(document.open_questions()), "question is unanswered", "questions are unanswered"),
    )  # fmt: skip
    return [f"{count} {one if count == 1 else many}" for count, one, many in counts if count]


def settled(
    document: Document,
    *,
    entries: tuple[Entry, ...] | None = None,
    unread: tuple[UnreadPiece, ...] | None = None,
) -> Document:
    """The document with its note worked out anew from entries and decisions."""
    entries = document.entries if entries is None else entries
    unread = document.unread if unread is None else unread
    note = document.note
    standing = [entry.finding for entry in entries if not entry.withdrawn]
    context, left, cover = list(note.context), [], list(note.cover)
    for piece in unread:
        if piece.verdict in (None, "accepted"):
            left.append(piece.span)
        elif piece.verdict == "nothing_clinical" and piece.span not in context:
            context.append(piece.span)
            cover = _recovered(cover, piece.span)
    places = _new_places(document, entries)
    fresh = note.model_copy(
        update={
            "findings": tuple(standing),
            "withdrawn": tuple(entry.finding for entry in entries if entry.withdrawn),
            "unread": tuple(left),
            "context": tuple(sorted(context, key=lambda span: span.start_char)),
            "cover": tuple(cover),
            "queries": tuple(
                query.model_copy(update={"findings": tuple(places[i] for i in query.findings)})
                for query in note.queries
                if all(i in places for i in query.findings)
            ),
        }
    )
    return document.model_copy(update={"note": checking.rechecked(fresh), "entries": entries, "unread": unread})


def _new_places(document: Document, entries: Sequence[Entry]) -> dict[int, int]:
    """Index of a finding in the old note -> its index among the entries that stand now."""
    numbers = [entry.number for entry in entries if not entry.withdrawn]
    old = [entry.number for entry in document.standing()]
    return {index: numbers.index(number) for index, number in enumerate(old) if number in numbers}


def _set_withdrawn(document: Document, entry: Entry, withdrawn: bool, hand: Hand) -> Document:
    moved = entry.model_copy(update={"withdrawn": withdrawn, "by": hand.by, "at": hand.at})
    return settled(document, entries=tuple(moved if old.number == entry.number else old for old in document.entries))


def _standing(document: Document, number: int) -> Entry:
    entry = document.entry(number)
    if entry is None or entry.withdrawn:
        raise DeskError("That finding is not in the draft any more; reload the page to see the draft as it is now.")
    return entry


def _open_slot(document: Document, item: str, site: str | None, side: str) -> Slot:
    for slot in document.note.slots:
        if (slot.item, slot.site, slot.side) == (item, site, side):
            if slot.state in ("recorded", "not_examined"):
                raise DeskError(f"{words.slot_words(slot)} is {words.SLOT_WORDS[slot.state]} already.")
            return slot
    raise DeskError("That is not one of the required places of this examination.")


def _decided(document: Document, number: int, verdict: str, hand: Hand, **more: Any) -> tuple[UnreadPiece, ...]:
    if number not in {piece.number for piece in document.undecided()}:
        raise DeskError("That text is decided already; reload the page to see the draft as it is now.")
    facts = {"verdict": verdict, "by": hand.by, "at": hand.at, **more}
    return tuple(piece.model_copy(update=facts) if piece.number == number else piece for piece in document.unread)


def _piece_text(document: Document, number: int | None) -> str:
    return next((piece.span.text for piece in document.unread if piece.number == number), "")


def _recovered(cover: list[CoverSpan], span: TextSpan) -> list[CoverSpan]:
    """The cover with the unread parts inside the span turned into context."""
    return [
        CoverSpan(kind="context", start_char=old.start_char, end_char=old.end_char)
        if old.kind == "unread" and span.start_char <= old.start_char and old.end_char <= span.end_char
        else old
        for old in cover
    ]


def _next_number(document: Document) -> int:
    return max((entry.number for entry in document.entries), default=0) + 1


def _next_line(note: Note) -> int:
    return len(note.transcript) + 1 if note.transcript else 0


def _with_line(note: Note, line: str, cover: tuple[CoverSpan, ...]) -> Note:
    """The note with a line appended to its transcript; the line break belongs to the line's first piece."""
    start = _next_line(note)
    if start and cover:
        cover = (cover[0].model_copy(update={"start_char": cover[0].start_char - 1}), *cover[1:])
    transcript = f"{note.transcript}\n{line}" if note.transcript else line
    return note.model_copy(update={"transcript": transcript, "cover": (*note.cover, *cover)})


def _appended(note: Note, read: Note) -> tuple[Note, int]:
    """The note with another note's transcript, findings, unread text, context and queries appended to it."""
    start = _next_line(note)
    if len(note.transcript) + len(read.transcript) > 200_000 or len(read.findings) > MOST_ADDED:
        raise DeskError("That is too much for one addition; keep it as an examination of its own.")
    moved = moved_by(read, start)
    joined = _with_line(note, read.transcript, moved.cover)
    offset = len(note.findings)
    queries = tuple(
        query.model_copy(update={"findings": tuple(i + offset for i in query.findings)}) for query in moved.queries
    )
    return joined.model_copy(
        update={
            "findings": (*note.findings, *moved.findings),
            "unread": (*note.unread, *moved.unread),
            "context": (*note.context, *moved.context),
            "asked": tuple(dict.fromkeys((*note.asked, *moved.asked))),
            "queries": (*note.queries, *queries),
        }
    ), start


def moved_by(note: Note, offset: int) -> Note:
    """The note with every place in its transcript moved."""

    def span(old: Any) -> Any:
        return old.model_copy(update={"start_char": old.start_char + offset, "end_char": old.end_char + offset})

    def finding(old: Finding) -> Finding:
        return span(old).model_copy(
            update={
                "spans": tuple((start + offset, end + offset) for start, end in old.spans),
                "repaired": tuple(map(span, old.repaired)),
            }
        )

    return note.model_copy(
        update={
            "findings": tuple(map(finding, note.findings)),
            "withdrawn": tuple(map(finding, note.withdrawn)),
            "unread": tuple(map(span, note.unread)),
            "context": tuple(map(span, note.context)),
            "cover": tuple(map(span, note.cover)),
            "queries": tuple(query if query.start_char is None else span(query) for query in note.queries),
        }
    )
