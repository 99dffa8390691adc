"""De-identified export for research: who and when are replaced, people's own words are left out.

    patient, examination    keyed hash (HMAC-SHA256): the same patient stays the same under one key
    dates                   shifted back by 1 to 365 whole days, the same for every examination of a patient;
                            the examination starts at noon, so that durations and intervals in days remain
    left out                names, place, visit, birth date, transcript, words, reasons, texts of queries,
                            unread and context
    kept                    items, sites, sides, states, grades, descriptors, known qualifiers, codes, slots

Whoever holds the key can link the hash to a reference that they know: keep it apart and local. Rare findings
can still single a person out; this is pseudonymisation, not a promise of anonymity.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from collections import Counter
from datetime import UTC, datetime, time, timedelta
from typing import Any

from dictate.clinic import catalogue
from dictate.errors import SettingsError
from dictate.exports.subject import ExportInput, fingerprint
from grammar.codes import modifiers
from grammar.models import CAUTION, Finding, Frozen, Note

SHORTEST_KEY = 16
_GRADE = re.compile(r"[0-9A-Za-z/+\-.]{1,12}")
_KEPT_QUALIFIERS = frozenset({"hedged", "worse"})


class Removed(Frozen):
    """What was taken out, over all examinations: number of values by kind."""

    examinations: int
    replaced: dict[str, int]
    left_out: dict[str, int]


class Deidentifier:
    """Takes examinations one by one and counts what it removes."""

    def __init__(self, key: bytes) -> None:
        """Raises SettingsError when the key has fewer than 16 bytes."""
        if len(key) < SHORTEST_KEY:
            raise SettingsError(
                f"The key has {len(key)} bytes; at least {SHORTEST_KEY} are needed. Make one, for instance "
                "with `openssl rand -out research.key 32`."
            )
        self._key = key
        self._examinations = 0
        self._replaced: Counter[str] = Counter()
        self._left_out: Counter[str] = Counter()

    def report(self) -> Removed:
        """What has been removed so far."""
        return Removed(examinations=self._examinations, replaced=dict(self._replaced), left_out=dict(self._left_out))

    def __call__(self, subject: ExportInput) -> ExportInput:
        """The examination without what identifies a person."""
        self._examinations += 1
        for name in ("patient_name", "birth_date", "clinician", "place", "encounter"):
            if getattr(subject, name) is not None:
                self._left_out[name] += 1
        self._replaced.update(["patient_ref", "examination_id", "dates"])
        note = self._note(subject.note)
        moved = self._moved(subject)
        signature = subject.signature
        if signature is not None:
            self._left_out.update(["signed_by"] + (["amendment reason"] if signature.reason else []))
            signature = signature.model_copy(
                update={
                    "signed_by": "a clinician",
                    "signed_at": moved + (signature.signed_at - subject.started_at),
                    # The fingerprint of what is left; the signed text itself is not in this export.
                    "fingerprint": fingerprint(note),
                    "reason": None,
                }
            )
        return ExportInput(
            examination_id=self._hash("examination", subject.examination_id),
            patient_ref=self._hash("patient", subject.patient_ref),
            started_at=moved,
            ended_at=moved + (subject.ended_at - subject.started_at) if subject.ended_at else None,
            status=subject.status,
            signature=signature,
            tool_version=subject.tool_version,
            note=note,
        )

    def _digest(self, kind: str, text: str) -> bytes:
        return hmac.new(self._key, f"{kind}:{text}".encode(), hashlib.sha256).digest()

    def _hash(self, kind: str, text: str) -> str:
        return self._digest(kind, text).hex()[:24]

    def _moved(self, subject: ExportInput) -> datetime:
        days = 1 + int.from_bytes(self._digest("days", subject.patient_ref)[:8], "big") % 365
        day = subject.started_at.astimezone(UTC).date() - timedelta(days=days)
        return datetime.combine(day, time(12), UTC)

    def _note(self, note: Note) -> Note:
        texts = {
            "transcript": bool(note.transcript),
            "unread": len(note.unread),
            "context": len(note.context),
            "withdrawn": len(note.withdrawn),
            "queries' texts": len(note.queries),
            "suggestions' texts": len(note.suggestions),
        }
        self._left_out.update({name: int(count) for name, count in texts.items() if count})
        self._left_out.update(["slots' reasons"] * sum(slot.reason is not None for slot in note.slots))
        return Note(
            complaint=self._known("complaints", note.complaint, frozenset(catalogue().addons)),
            findings=tuple(self._finding(finding) for finding in note.findings),
            slots=tuple(slot.model_copy(update={"reason": None}) for slot in note.slots),
            queries=tuple(
                query.model_copy(update={"message": query.kind, "settle": None, "start_char": None, "end_char": None})
                for query in note.queries
            ),
            asked=note.asked,
            suggestions=tuple(s.model_copy(update={"reason": ""}) for s in note.suggestions),
            caution=CAUTION,
        )

    def _finding(self, finding: Finding) -> Finding:
        facts: dict[str, Any] = {
            "item": finding.item,
            "site": finding.site,
            "side": finding.side,
            "status": finding.status,
            "codes": finding.codes,
            "text": "",
            "start_char": 0,
            "end_char": 0,
            "confidence": finding.confidence,
            "descriptors": self._known("descriptors", finding.descriptors, _described(finding.item)),
            "qualifiers": self._known("qualifiers", finding.qualifiers, _severities()),
        }
        if finding.grade is not None and _GRADE.fullmatch(finding.grade):
            facts["grade"] = finding.grade
        elif finding.grade is not None:
            self._left_out["grades"] += 1
        self._left_out["words"] += bool(finding.text)
        self._left_out["reasons"] += finding.reason is not None
        self._left_out = Counter({name: count for name, count in self._left_out.items() if count})
        return Finding(**facts)

    def _known(self, name: str, words: tuple[str, ...], known: frozenset[str]) -> tuple[str, ...]:
        kept = tuple(word for word in words if word in known)
        if len(kept) < len(words):
            self._left_out[name] += len(words) - len(kept)
        return kept


def _described(item: str) -> frozenset[str]:
    entry = catalogue().items.get(item)
    return frozenset(entry.describe if entry else ()) | {"reduced", "absent"}


def _severities() -> frozenset[str]:
    return _KEPT_QUALIFIERS | {row.word for row in modifiers() if row.kind == "severity"}
