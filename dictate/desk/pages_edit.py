"""Forms that change a draft. Each carries the revision that was seen; a stale one is refused by the store."""

from __future__ import annotations

from starlette.responses import JSONResponse, Response

from dictate.desk import checking, editing, words
from dictate.desk.asking import Ask
from dictate.desk.editing import Hand, Wish
from dictate.desk.pages_drafts import undo_stack
from dictate.errors import DeskError
from dictate.storage.document import Change, Origin
from dictate.storage.writer import stamp


def hand(ask: Ask) -> Hand:
    """Who edits, and when."""
    return Hand(ask.me.username, stamp(ask.store.clock()))


def back(ask: Ask, anchor: str = "") -> Response:
    """To the page of the draft, at a place on it."""
    return ask.go(f"/drafts/{ask.number}{'#' + anchor if anchor else ''}")


def entry_number(ask: Ask) -> int:
    return int(ask.request.path_params["entry"])


def show_finding(ask: Ask) -> Response:
    """The form of one finding, with catalogue values only."""
    draft = ask.draft()
    entry = draft.document.entry(entry_number(ask))
    if entry is None:
        raise DeskError("That finding is not in the draft any more; reload the page.")
    return ask.page(
        "finding.html",
        head=draft.head,
        entry=entry,
        choices=checking.choices(entry.finding.item),
        fragment=True,
    )


def change_finding(ask: Ask) -> Response:
    """Side, status, grade, description of one finding."""
    document = ask.draft().document
    number = entry_number(ask)
    entry = document.entry(number)
    if entry is None:
        raise DeskError("That finding is not in the draft any more; reload the page.")
    descriptors = tuple(ask.form.get("descriptors", "").split("\n")) if ask.form.get("descriptors") else ()
    wish = Wish(
        item=entry.finding.item,
        site=ask.text("site", longest=100) or None,
        side=ask.text("side", longest=20),
        status=ask.text("status", longest=20),
        grade=ask.text("grade", longest=20) or None,
        descriptors=descriptors,
        reason=ask.text("reason") or None,
    )
    edited, change = editing.change_finding(document, number, wish, hand(ask))
    ask.save(change, edited, "change")
    return back(ask, f"finding-{number}")


def withdraw(ask: Ask) -> Response:
    """Take a finding out of the note."""
    edited, change = editing.withdraw(ask.draft().document, entry_number(ask), hand(ask))
    ask.save(change, edited, "withdraw")
    return back(ask, "withdrawn")


def restore(ask: Ask) -> Response:
    """Bring a withdrawn finding back."""
    number = entry_number(ask)
    edited, change = editing.restore(ask.draft().document, number, hand(ask))
    ask.save(change, edited, "restore")
    return back(ask, f"finding-{number}")


def preview(ask: Ask) -> Response:
    """What the grammar reads in a phrase, without saving anything."""
    phrase = ask.text("phrase")
    read = checking.read_phrase(phrase, ask.draft().document.note)
    return JSONResponse(
        {
            "findings": [words.finding_words(finding) for finding in read.findings],
            "unread": [span.text for span in read.unread],
            "queries": [query.message for query in read.queries],
        }
    )


def add_phrase(ask: Ask) -> Response:
    """Take the findings of a typed or dictated phrase into the note."""
    phrase = ask.text("phrase", required="Type what was found, for example: left ankle jerk absent.")
    unread = ask.whole("unread") if ask.form.get("unread") else None
    document = ask.draft().document
    pending = ask.desk.dictations.find(ask.form.get("dictation", ""), ask.me.username, ask.number)
    recording = len(ask.store.recordings(ask.number)) if pending else None
    edited, change = editing.add_phrase(
        document,
        phrase,
        hand(ask),
        origin="dictated" if pending else "phrase",
        unread=unread,
        recording=recording,
    )
    start = edited.additions[-1].start_char
    sound = (pending.words, pending.samples, start) if pending else None
    ask.save(change, edited, "add", sound=sound)
    ask.desk.dictations.saved(ask.form.get("dictation", ""))
    return back(ask, f"finding-{edited.entries[-1].number}")


def decide_unread(ask: Ask) -> Response:
    """Nothing clinical, or (clinicians) accepted as it is with a reason."""
    number = int(ask.request.path_params["piece"])
    document = ask.draft().document
    if ask.form.get("verdict") == "accepted":
        if ask.me.role != "clinician":
            raise DeskError("Only the clinician can accept unread text as it is; ask back instead.")
        reason = ask.text("reason", required="Give the reason for accepting this text as it is.")
        edited, change = editing.accept_unread(document, number, reason, hand(ask))
    else:
        edited, change = editing.nothing_clinical(document, number, hand(ask))
    ask.save(change, edited, "unread")
    return back(ask, "to-do")


def not_examined(ask: Ask) -> Response:
    """An omission: not examined, with the reason."""
    reason = ask.text("reason", required="Say why it was not examined.", longest=200)
    item, site, side = ask.text("item", longest=60), ask.text("site", longest=60) or None, ask.text("side")
    edited, change = editing.not_examined(ask.draft().document, item, site, side, reason, hand(ask))
    ask.save(change, edited, "not examined")
    return back(ask, "to-do")


def ask_back(ask: Ask) -> Response:
    """A question to the clinician."""
    about = ask.text("about", longest=300) or "the whole examination"
    question = ask.text("question", required="Write the question to the clinician.")
    edited, change = editing.ask_back(ask.draft().document, about, question, hand(ask))
    ask.save(change, edited, "ask back")
    return back(ask, "questions")


def answer(ask: Ask) -> Response:
    """The clinician's answer; its findings go into the note when that is ticked."""
    number = int(ask.request.path_params["question"])
    text = ask.text("answer", required="Write or dictate the answer.")
    document = ask.draft().document
    pending = ask.desk.dictations.find(ask.form.get("dictation", ""), ask.me.username, ask.number)
    sound = None
    if ask.form.get("take") == "yes":
        recording = len(ask.store.recordings(ask.number)) if pending else None
        origin: Origin = "dictated" if pending else "phrase"
        document, added = editing.add_phrase(document, text, hand(ask), origin=origin, recording=recording)
        sound = (pending.words, pending.samples, document.additions[-1].start_char) if pending else None
    edited, change = editing.answer(document, number, text, hand(ask))
    if ask.form.get("take") == "yes":
        change = Change(text=change.text, before=change.before, after=f"{change.after} → {added.after}")
    ask.save(change, edited, "answer", sound=sound)
    ask.desk.dictations.saved(ask.form.get("dictation", ""))
    return back(ask, "questions")


def accept_query(ask: Ask) -> Response:
    """Let a query stand, with the reason."""
    reason = ask.text("reason", required="Give the reason for letting this query stand.")
    edited, change = editing.accept_query(ask.draft().document, ask.text("key", longest=64), reason, hand(ask))
    ask.save(change, edited, "accept query")
    return back(ask, "to-do")


def undo(ask: Ask) -> Response:
    """Take back the last change that still holds; it stays in the history."""
    draft = ask.draft()
    stack = undo_stack(ask, draft)
    if len(stack) < 2:
        raise DeskError("There is nothing to undo in this version.")
    last, before = stack[-1], stack[-2]
    document = ask.store.draft(ask.number, before.revision).document
    change = Change(text=f"Undone: {last.change.text}", before=last.change.after, after=last.change.before)
    ask.save(change, document, "undo")
    return back(ask)


def mark_ready(ask: Ask) -> Response:
    """Hand the draft to the clinician for signing."""
    document = ask.draft().document
    if document.open_questions() or document.undecided():
        raise DeskError("Decide the unread text and wait for the answers first; then hand the draft over.")
    ask.save(Change(text="Handed over for signing"), document, "ready", state="ready")
    return back(ask)


def set_header(ask: Ask) -> Response:
    """Correct the patient reference or the clinician."""
    patient = ask.text("patient_ref", longest=100)
    clinician = ask.text("clinician", longest=32)
    known = {account.username for account in ask.desk.people.all() if account.role == "clinician"}
    if clinician not in known and clinician != ask.head().clinician:
        raise DeskError("Choose the clinician from the list.")
    with ask.store.writing() as writer:
        writer.set_header(ask.number, ask.revision, ask.me.username, patient, clinician)
    ask.desk.feed.tell(ask.number)
    return back(ask)
