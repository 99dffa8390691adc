"""What the reflex figure shows at each place: findings of a note gathered by spot, before drawing.

A place that nobody spoke of stays "not recorded"; it is never filled from a neighbour. A summary ("reflexes
in the arms 2+") fills the places it names, in brackets. Two different results for one place are both shown.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from grammar.models import Finding, Note, Side

MarkState = Literal["normal", "abnormal", "equivocal", "not_examined", "conflict", "not_recorded"]

# Sites that a summary of the reflexes speaks for (grammar: "reflexes in the arms").
REFLEX_SUMMARY = {
    "arm": ("biceps", "triceps", "brachioradialis"),
    "leg": ("knee", "ankle"),
    "limbs": ("biceps", "triceps", "brachioradialis", "knee", "ankle"),
}
SENSATION = ("sensation", "light_touch", "pinprick", "temperature", "vibration", "joint_position")
MRC_ORDER = ("0", "1", "2", "3", "4-", "4", "4+", "5-", "5")

# Area of the outline -> sites of power and of sensation that are drawn there. Dermatomes are listed in the
# words below the figure, not drawn: their borders differ between published maps.
POWER_AREAS = {
    "upper arm": ("shoulder_abduction", "shoulder_adduction", "elbow_flexion", "elbow_extension",
                  "arm_proximal"),
    "forearm": ("wrist_flexion", "wrist_extension"),
    "hand": ("finger_flexion", "finger_extension", "finger_abduction", "thumb_abduction", "thumb_opposition",
             "grip", "arm_distal"),
    "thigh": ("hip_flexion", "hip_extension", "hip_abduction", "hip_adduction", "leg_proximal"),
    "lower leg": ("knee_flexion", "knee_extension"),
    "foot": ("ankle_dorsiflexion", "ankle_plantarflexion", "ankle_inversion", "ankle_eversion",
             "great_toe_extension", "toe_flexion", "leg_distal"),
}  # fmt: skip
SENSATION_AREAS = {
    "face": ("face",),
    "neck": ("neck",),
    "trunk": ("trunk",),
    "abdomen": ("abdomen",),
    "upper arm": (),
    "forearm": ("forearm",),
    "hand": ("hand", "palm", "dorsal_hand", "first_dorsal_web", "thumb", "index_finger", "middle_finger",
             "ring_finger", "little_finger", "fingers", "fingertips", "glove", "glove_and_stocking"),
    "thigh": ("thigh", "lateral_thigh", "lateral_cutaneous_thigh"),
    "lower leg": ("knee", "shin", "lateral_leg", "medial_leg"),
    "foot": ("ankle", "foot", "foot_dorsum", "sole", "lateral_foot", "heel", "first_web_space", "great_toe",
             "toes", "stocking", "glove_and_stocking"),
}  # fmt: skip
WHOLE = {
    "arm": ("upper arm", "forearm", "hand"),
    "leg": ("thigh", "lower leg", "foot"),
    "limbs": ("upper arm", "forearm", "hand", "thigh", "lower leg", "foot"),
}


@dataclass(frozen=True)
class Mark:
    """What is written at one place: a short label, its state and the full words (for screen readers)."""

    state: MarkState
    label: str
    words: str


def on_side(finding: Finding, side: Side) -> bool:
    """True when the finding was said for this side (both counts for either; unstated for none)."""
    return finding.side == side or (finding.side == "both" and side in ("right", "left"))


def short(finding: Finding) -> str:
    """The result in a word: grade, else what was described, else the status."""
    if finding.status == "not_examined":
        return "n/e"
    if finding.grade is not None:
        return finding.grade
    if finding.item == "plantar":
        named = [word for word in finding.descriptors if word in ("flexor", "extensor", "equivocal", "mute")]
        return named[0] if named else {"normal": "flexor", "abnormal": "extensor"}.get(finding.status, "?")
    for word in ("absent", "reduced", "brisk"):
        if word in finding.descriptors:
            return word
    return {"normal": "normal", "abnormal": "abn.", "equivocal": "?"}[finding.status]


def in_words(finding: Finding) -> str:
    """The finding as a phrase for titles: "abnormal, grade 4+, brisk"."""
    parts = [finding.status.replace("_", " ")]
    if finding.grade is not None:
        parts.append(f"grade {finding.grade}")
    parts += [word.replace("_", " ") for word in (*finding.qualifiers, *finding.descriptors)]
    if finding.reason:
        parts.append(f"reason: {finding.reason}")
    return ", ".join(parts)


def _mark(name: str, side: Side, found: list[Finding], *, summary: bool = False) -> Mark:
    where = {"right": f"{name}, right", "left": f"{name}, left"}.get(side, name)
    if not found:
        return Mark("not_recorded", "", f"{where}: not recorded")
    labels = list(dict.fromkeys(short(finding) for finding in found))
    states = {finding.status for finding in found}
    state: MarkState = found[0].status if len(states) == 1 else "conflict"
    label = "/".join(labels)
    words = "; also ".join(dict.fromkeys(in_words(finding) for finding in found))
    if summary:
        label, words = f"({label})", f"{words} (said in summary)"
    if state == "conflict":
        words = f"recorded differently: {words}"
    return Mark(state, label, f"{where}: {words}")


def reflex_mark(note: Note, site: str, side: Side) -> Mark:
    """One tendon reflex on one side; a midline one (jaw) takes side "none"."""
    name = "brachioradialis (supinator)" if site == "brachioradialis" else site
    sides: tuple[Side, ...] = ("none", "both") if side == "none" else (side,)
    reflexes = [f for f in note.findings if f.item == "reflex" and any(on_side(f, one) for one in sides)]
    own = [f for f in reflexes if f.site == site]
    if own:
        return _mark(f"{name} reflex", side, own)
    groups = [f for f in reflexes if site in REFLEX_SUMMARY.get(f.site or "limbs", ())]
    return _mark(f"{name} reflex", side, groups, summary=bool(groups))


def item_mark(note: Note, item: str, site: str | None, side: Side, name: str) -> Mark:
    """One item (and site) on one side, e.g. the plantar response."""
    found = [f for f in note.findings if f.item == item and (site is None or f.site == site) and on_side(f, side)]
    return _mark(name, side, found)


def power_mark(note: Note, area: str, side: Side) -> Mark:
    """Lowest power that was recorded in one area."""
    sites = POWER_AREAS.get(area, ())
    powers = [f for f in note.findings if f.item == "power" and on_side(f, side)]
    found = [f for f in powers if f.site in sites]
    summary = not found
    if summary:
        found = [f for f in powers if area in WHOLE.get(f.site or "limbs", ())]
    if not found:
        return Mark("not_recorded", "", f"power, {area}, {side}: not recorded")
    words = "; ".join(f"{(f.site or 'limbs').replace('_', ' ')} {in_words(f)}" for f in found)
    worst = min(found, key=_severity)
    label = f"({short(worst)})" if summary else short(worst)
    return Mark(worst.status, label, f"power, {area}, {side}: {words}")


def _severity(finding: Finding) -> tuple[int, int]:
    """Sorts the finding that must not be hidden first: abnormal, doubtful, not examined, then normal."""
    order = {"abnormal": 0, "equivocal": 1, "not_examined": 2, "normal": 3}
    grade = MRC_ORDER.index(finding.grade) if finding.grade in MRC_ORDER else len(MRC_ORDER)
    return order[finding.status], grade


def sensation_mark(note: Note, area: str, side: Side) -> Mark:
    """Sensation of any modality in one area: an abnormal one is shown before a normal one."""
    sites = SENSATION_AREAS.get(area, ())
    found = [
        f
        for f in note.findings
        if f.item in SENSATION and on_side(f, side) and (f.site in sites or area in WHOLE.get(f.site or "limbs", ()))
    ]
    if not found:
        return Mark("not_recorded", "", f"sensation, {area}, {side}: not recorded")
    words = "; ".join(
        f"{f.item.replace('_', ' ')} {(f.site or 'limbs').replace('_', ' ')} {in_words(f)}" for f in found
    )
    worst = min(found, key=_severity)
    return Mark(worst.status, short(worst), f"sensation, {area}, {side}: {words}")


def unplaced(note: Note) -> Iterable[str]:
    """Findings that belong on the figure but have no place there: side not stated, dermatomes and nerves."""
    drawn = {site for sites in SENSATION_AREAS.values() for site in sites} | set(WHOLE)
    for finding in note.findings:
        name = " ".join(filter(None, [finding.item, finding.site])).replace("_", " ")
        if finding.item in ("reflex", "plantar", "power", *SENSATION) and finding.side == "unstated":
            yield f"{name}, SIDE NOT STATED: {in_words(finding)}"
        elif finding.item in SENSATION and finding.site and finding.site not in drawn:
            side = {"none": "", "both": "both sides"}.get(finding.side, finding.side)
            yield f"{name}{', ' if side else ''}{side}: {in_words(finding)}"
