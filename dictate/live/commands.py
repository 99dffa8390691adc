"""Keys and buttons: each is a switch of the program or stands for words that could have been spoken."""

from __future__ import annotations

from dataclasses import dataclass

# kind -> (key on terminal and board, label, the words that the key stands for; None: a switch of the program)
KEYS: dict[str, tuple[str, str, str | None]] = {
    "pause": ("p", "Pause", None),
    "resume": ("r", "Resume", None),
    "missing": ("m", "What is missing", None),
    "withdraw": ("w", "Withdraw that", "withdraw that"),
    "end": ("e", "End examination", None),
}
WITH_VALUE = {"complaint": "complaint {}", "addon": "add {}"}


@dataclass(frozen=True, slots=True)
class Command:
    """One press of a key; `words` is what it stands for when it changes the note."""

    kind: str
    value: str | None = None

    @property
    def words(self) -> str | None:
        if self.kind in WITH_VALUE:
            return WITH_VALUE[self.kind].format((self.value or "").replace("_", " "))
        return KEYS[self.kind][2]


def command_named(kind: str, value: object = None) -> Command:
    """The command of that name; KeyError for a name that does not exist, ValueError for a bad value."""
    if kind in WITH_VALUE:
        if not isinstance(value, str) or not value.replace("_", "").replace(" ", "").isalpha() or len(value) > 60:
            raise ValueError(f"{kind!r} needs the name of a piece.")
        return Command(kind, value)
    KEYS[kind]
    return Command(kind)


def command_of_key(key: str) -> Command | None:
    """The command on a keyboard key."""
    for kind, (letter, _, _) in KEYS.items():
        if key.lower() == letter:
            return Command(kind)
    return None
