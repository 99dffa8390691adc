"""Every address of the desk with the roles that may use it: the one place where access is decided.

`roles` None: no sign-in needed. `clinical`: every accepted and rejected access goes into the audit log
(changes are logged by the store together with the change itself, so those pages log rejections only).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from starlette.responses import Response

from dictate.desk import pages_drafts, pages_edit, pages_people, pages_sign, pages_sound
from dictate.desk.accounts import ROLES
from dictate.desk.asking import Ask

ANYONE = frozenset(ROLES)
CLINICIAN = frozenset({"clinician"})
SECRETARY = frozenset({"secretary"})
REVIEWERS = frozenset({"clinician", "secretary"})
READERS = frozenset({"clinician", "secretary", "exporter"})
EXPORTERS = frozenset({"clinician", "exporter"})
ADMINISTRATOR = frozenset({"administrator"})


@dataclass(frozen=True, slots=True)
class Page:
    """One address with one method."""

    method: Literal["GET", "POST"]
    path: str
    answer: Callable[[Ask], Response]
    roles: frozenset[str] | None
    clinical: bool = False
    body: Literal["form", "sound"] = "form"
    automatic: bool = False
    """The page asks for this by itself, so it is no sign that its person is still there."""

    @property
    def name(self) -> str:
        return self.answer.__name__.replace("_", " ")


DRAFT = "/drafts/{number:int}"

PAGES: tuple[Page, ...] = (
    Page("GET", "/", pages_drafts.start, None),
    Page("GET", "/figure.css", pages_drafts.figure_rules, None),
    Page("GET", "/sign-in", pages_people.show_sign_in, None),
    Page("POST", "/sign-in", pages_people.sign_in, None),
    Page("POST", "/sign-out", pages_people.sign_out, ANYONE),
    Page("GET", "/account", pages_people.show_account, ANYONE),
    Page("POST", "/account", pages_people.set_own_password, ANYONE),
    Page("GET", "/people", pages_people.show_people, ADMINISTRATOR),
    Page("POST", "/people", pages_people.add_person, ADMINISTRATOR),
    Page("POST", "/people/{username}", pages_people.change_person, ADMINISTRATOR),
    Page("GET", "/drafts", pages_drafts.show_list, READERS, clinical=True),
    Page("GET", DRAFT, pages_drafts.show_draft, REVIEWERS, clinical=True),
    Page("GET", DRAFT + "/feed", pages_drafts.feed, REVIEWERS, clinical=True, automatic=True),
    Page("GET", DRAFT + "/beside/{other:int}", pages_drafts.compare, REVIEWERS, clinical=True),
    Page("GET", DRAFT + "/sound/{recording:int}.wav", pages_sound.listen, REVIEWERS, clinical=True),
    Page("POST", DRAFT + "/dictation", pages_sound.dictate, REVIEWERS, clinical=True, body="sound"),
    Page("GET", DRAFT + "/findings/{entry:int}", pages_edit.show_finding, REVIEWERS, clinical=True),
    Page("POST", DRAFT + "/findings/{entry:int}", pages_edit.change_finding, REVIEWERS, clinical=True),
    Page("POST", DRAFT + "/findings/{entry:int}/withdraw", pages_edit.withdraw, REVIEWERS, clinical=True),
    Page("POST", DRAFT + "/findings/{entry:int}/restore", pages_edit.restore, REVIEWERS, clinical=True),
    Page("POST", DRAFT + "/preview", pages_edit.preview, REVIEWERS, clinical=True),
    Page("POST", DRAFT + "/phrase", pages_edit.add_phrase, REVIEWERS, clinical=True),
    Page("POST", DRAFT + "/unread/{piece:int}", pages_edit.decide_unread, REVIEWERS, clinical=True),
    Page("POST", DRAFT + "/not-examined", pages_edit.not_examined, REVIEWERS, clinical=True),
    Page("POST", DRAFT + "/questions", pages_edit.ask_back, SECRETARY, clinical=True),
    Page("POST", DRAFT + "/questions/{question:int}", pages_edit.answer, CLINICIAN, clinical=True),
    Page("POST", DRAFT + "/queries", pages_edit.accept_query, CLINICIAN, clinical=True),
    Page("POST", DRAFT + "/undo", pages_edit.undo, REVIEWERS, clinical=True),
    Page("POST", DRAFT + "/ready", pages_edit.mark_ready, SECRETARY, clinical=True),
    Page("POST", DRAFT + "/header", pages_edit.set_header, SECRETARY, clinical=True),
    Page("GET", DRAFT + "/sign", pages_sign.show_sign, CLINICIAN, clinical=True),
    Page("POST", DRAFT + "/sign", pages_sign.sign, CLINICIAN, clinical=True),
    Page("POST", DRAFT + "/amend", pages_sign.amend, CLINICIAN, clinical=True),
    Page("GET", "/notes/{number:int}", pages_sign.show_note, READERS, clinical=True),
    Page("GET", "/notes/{number:int}/export/{format}", pages_sign.export, EXPORTERS, clinical=True),
)
