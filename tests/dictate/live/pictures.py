"""Pictures of an invented examination, as the board gets them."""

from dictate.live.view import FindingLine, SlotLine, StationView, Summary, View


def slot(label, sides="", remark=""):
    state = "asked_no_result" if remark else "missing"
    return SlotLine(label=label, sides=sides, state=state, remark=remark)


def station(name, label, slots, filled, total, here=False):
    return StationView(
        id=name,
        label=label,
        here=here,
        open=slots,
        open_slots=total - filled,
        filled=filled,
        by_summary=0,
        total=total,
    )


def finding(label, side, result, said, status="normal", weak=False):
    words = {"right": "RIGHT", "left": "LEFT", "both": "BOTH SIDES", "none": "", "unstated": "WHICH SIDE?"}
    return FindingLine(
        label=label, side=side, side_word=words[side], result=result, status=status, said=said, weak=weak
    )


ARMS = (
    slot("Finger to nose", "left only", "asked, no result yet"),
    slot("Touch at the fingertips"),
    slot("Fine finger movements"),
    slot("Rapid alternating movements"),
    slot("Tone, arm"),
    slot("Supinator catch"),
    slot("Cogwheel rigidity", "right only"),
)

BUSY = View(
    phase="listening",
    recording="Recording",
    station="Arms",
    complaint="foot drop",
    latest=finding("Arm drift", "left", "pronator, abnormal", "pronator drift on the left", "abnormal"),
    earlier=(
        finding("Arm drift", "right", "normal", "no drift on the right"),
        finding("Romberg test", "none", "negative, normal", "romberg negative"),
    ),
    partial="finger nose is accurate on the",
    under_way=("Finger to nose",),
    stations=(
        station("standing", "Standing and walking", (slot("Tandem gait"),), 7, 8),
        station("arms", "Arms", ARMS, 4, 16, here=True),
        station("face", "Face", (slot("Visual fields"), slot("Pupils"), slot("Tongue")), 0, 13),
        station("couch", "Couch", (slot("Fundi"), slot("Reflex, biceps"), slot("Plantar response")), 2, 14),
        station("addon", "Added pieces", (slot("Straight leg raise"),), 0, 2),
    ),
    queries=(
        "Plantar response: which side?",
        "Two results for the right knee reflex: 2+ and 3+. Which one holds?",
        "Heel walking is normal, but ankle dorsiflexion is 3 on the right.",
    ),
    unread=("turn the radio down please",),
    unread_count=2,
    hints=("1 gap in Standing and walking: Tandem gait",),
    notices=(),
    missing="",
    missing_asked=False,
    summary=None,
)

LONGEST = BUSY.model_copy(
    update={
        "latest": finding(
            "Relative afferent pupillary defect",
            "unstated",
            "equivocal, hedged",
            "there may be an afferent defect",
            "equivocal",
            True,
        ),
        "notices": ("Reading is 12 s behind the sound; nothing is lost, it will catch up.",),
    }
)

SUMMED = BUSY.model_copy(
    update={
        "phase": "ended",
        "recording": "Examination ended",
        "summary": Summary(
            title="Examination kept as draft 12",
            omissions=tuple(f"Arms: {line.label} {line.sides}".strip() for line in ARMS) * 3,
            queries=BUSY.queries,
            unread=BUSY.unread,
        ),
    }
)
