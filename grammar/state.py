"""What the reader remembers between utterances; `Context` is its frozen form, handed from one parse to the next."""

from __future__ import annotations

import copy

from grammar.drafts import Draft, Group, Target

# Classes of token in the cover; the order is also the precedence when a gap is given to a neighbour.
UNREAD, FINDING, INSTRUCTION, CONTEXT, COMMAND = range(5)
KIND_NAMES = ("unread", "finding", "instruction", "context", "command")


class State:
    """Everything that is carried from one utterance to the next. Offsets are into the whole transcript."""

    def __init__(self) -> None:
        self.text: list[str] = []
        self.tokens: list[str] = []
        self.starts: list[int] = []
        self.ends: list[int] = []
        self.repairs: dict[int, str] = {}
        self.content = bytearray()
        self.classes = bytearray()
        self.length = 0
        self.station: str | None = None
        self.heading: str | None = None
        self.complaints: list[str] = []
        self.drafts: list[Draft] = []
        self.withdrawn: list[Draft] = []
        self.asked: dict[tuple[str, str | None], int] = {}
        self.bound: tuple[str, str | None] | None = None
        self.strange_words = 0
        self.topic: list[Target] = []
        self.topic_sites: list[str] = []
        self.pending: Group | None = None
        self.last_rows: list[Draft] = []
        self.last_group: list[Draft] = []
        # The group read last, when it made no row because its grade lies outside the scale.
        self.refused: Group | None = None
        self.prior_side: str | None = None
        self.prior_first = False
        self.region: str | None = None
        self.head_region: str | None = None
        self.head_side: str | None = None
        self.head_line = False
        self.limb: tuple[str, str | None] | None = None
        self.entered: str | None = None
        self.last_item: str | None = None
        self.topic_side: str | None = None
        self.pair_order: tuple[str, str] | None = None
        self.pair_index = 0
        self.pair_first: list[Draft] = []
        self.groups = 0
        self.exceptions: list[tuple[int, int, int]] = []
        self.faults: list[tuple[int, int]] = []
        self.corrections: list[tuple[int, int, int]] = []
        self.sentence_from = 0
        self.out_of_scale: list[tuple[str, str | None, str, str, int, int]] = []
        self.ranges: list[Draft] = []
        self.gcs: dict[str, int] = {}
        self.gcs_row: Draft | None = None
        self.controls: list[tuple[str, str | None, int, int]] = []

    @property
    def replaceable(self) -> bool:
        """Something was said that a repair can replace."""
        return bool(self.last_group) or self.refused is not None

    def branch(self) -> State:
        """A copy that can be read on without changing this one."""
        return copy.deepcopy(self)


class Context:
    """The frozen memory of a parse: give it to the next `parse` to go on with the next utterance."""

    __slots__ = ("_state",)
    _state: State

    def __init__(self, state: State) -> None:
        object.__setattr__(self, "_state", state)

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError("Context cannot be changed")

    def __delattr__(self, name: str) -> None:
        raise AttributeError("Context cannot be changed")

    def resume(self) -> State:
        """A state of its own to read on with."""
        return self._state.branch()

    @property
    def station(self) -> str | None:
        """Where in the walk through the examination the clinician is."""
        return self._state.station
