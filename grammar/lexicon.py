"""The phrase data compiled: every phrase with all the roles it can play (item, site, side, result, cue ...).

One phrase string is one `Lexeme`, whatever number of files name it; which role it plays in a sentence is settled
later by its neighbours (`grammar/reader.py`). The file formats are described in data/README.md.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from grammar.data_files import expand
from grammar.errors import Fault
from grammar.phrase_files import InstructionPhrase, ItemPhrase, PhraseFile, ResultPhrase, SitePhrase
from grammar.protocols import Catalogue


class Lexeme:
    """One phrase and every role it can play. Empty roles are None."""

    __slots__ = (
        "alt_item",
        "because",
        "but",
        "compare",
        "complaint_cue",
        "complaint_only",
        "complaints",
        "context",
        "control",
        "ditto",
        "except_",
        "filler",
        "heading",
        "hedge",
        "instruction",
        "item",
        "joins",
        "key",
        "neg",
        "now",
        "number",
        "pair_order",
        "praise",
        "question",
        "repair",
        "rest",
        "result",
        "severity",
        "side",
        "site",
        "station",
        "stranger",
        "strong_side",
        "text",
        "units",
        "weak_ask",
    )

    text: str
    item: ItemReading | None
    alt_item: ItemReading | None
    site: SiteReading | None
    result: ResultSet | None
    instruction: tuple[()] | tuple[str, str | None] | None
    pair_order: tuple[str, str] | None
    side: str | None
    neg: str | None
    hedge: str | None
    severity: str | None
    compare: str | None
    repair: str | None
    context: str | None
    complaints: str | None
    control: str | None
    station: str | None
    heading: str | None
    key: tuple[str, ...] | None
    joins: bool | None
    but: bool | None
    except_: bool | None
    rest: bool | None
    ditto: bool | None
    because: bool | None
    now: bool | None
    units: bool | None
    filler: bool | None
    stranger: bool | None
    praise: bool | None
    question: bool | None
    weak_ask: bool | None
    complaint_cue: bool | None
    complaint_only: bool | None
    strong_side: bool | None
    number: str | None

    def __init__(self, text: str) -> None:
        for slot in self.__slots__:
            setattr(self, slot, None)
        self.text = text

    def __repr__(self) -> str:
        roles = [slot for slot in self.__slots__ if slot != "text" and getattr(self, slot)]
        return f"Lexeme({self.text!r}: {', '.join(roles)})"


# What stands at a place where no phrase stands.
NOTHING = Lexeme("")


class ItemReading:
    """An item phrase as the reader uses it: targets are (item, site) pairs."""

    __slots__ = ("alt", "descriptors", "heading", "needs", "number", "side", "sign", "status", "targets", "test")

    def __init__(self, row: ItemPhrase, number: str, sign: bool, kinds: Mapping[str, str]) -> None:
        pairs: list[tuple[str, str | None]] = []
        for name in (row.item, *row.items) if row.item else row.items:
            base, _, own_site = (name or "").partition(":")
            for site in row.sites or (row.site or own_site or None,):
                pairs.append((base, site))
        self.targets = tuple(pairs)
        self.number = number
        self.sign = sign or row.is_sign
        self.test = row.is_test
        alt = row.alt.partition(":") if row.alt else None
        self.alt = (alt[0], alt[2] or None) if alt else None
        self.descriptors = row.descriptors or ((row.descriptor,) if row.descriptor else ())
        self.status = row.status
        self.side = row.side
        self.heading = row.heading
        self.needs = row.needs


class SiteReading:
    """A place of the body: its areas, its grammatical number and, for "RUE", its side."""

    __slots__ = ("areas", "midline", "needs", "number", "side")

    def __init__(self, row: SitePhrase, number: str) -> None:
        self.areas = row.areas or ((row.area,) if row.area else ())
        self.number = number
        self.side = row.side
        self.midline = row.midline
        self.needs = row.needs


class ResultSet:
    """The readings of a result phrase: by item, by kind of item, and for any item."""

    __slots__ = ("any", "by_item", "by_kind", "test_only")

    def __init__(self) -> None:
        self.by_item: dict[str, ResultPhrase] = {}
        self.by_kind: dict[str, ResultPhrase] = {}
        self.any: ResultPhrase | None = None
        self.test_only: dict[str, ResultPhrase] = {}

    def add(self, row: ResultPhrase) -> None:
        for item in row.items:
            (self.test_only if row.test_only else self.by_item).setdefault(item, row)
        for kind in row.kinds:
            self.by_kind.setdefault(kind, row)
        if not row.items and not row.kinds and self.any is None:
            self.any = row

    def reading(self, item: str, kind: str, as_test: bool = False) -> ResultPhrase | None:
        """The most specific reading for this item, or None when the phrase says nothing about it."""
        if as_test and item in self.test_only:
            return self.test_only[item]
        found = self.by_item.get(item)
        if found is None:
            found = self.by_kind.get(kind)
        return found if found is not None else self.any


class Builder:
    """Collects lexemes from the phrase files; `lexemes` maps a phrase as written to its Lexeme."""

    def __init__(self, catalogue: Catalogue) -> None:
        self.catalogue = catalogue
        self.kinds = {name: item.kind for name, item in catalogue.items.items()}
        self.lexemes: dict[str, Lexeme] = {}
        self.faults: list[Fault] = []
        self.small: set[str] = set()
        self.severity_kept: set[str] = set()
        self.norms: dict[str, str] = {}
        self.fractions: dict[str, int] = {}
        self.roman: dict[str, int] = {}
        self.sounds: dict[str, str] = {}
        self.alike: set[str] = set()
        self.meant: set[str] = set()

    def say(self, pattern: str) -> list[Lexeme]:
        """The lexemes of a pattern, made on first use."""
        phrases = [phrase for phrase in expand(pattern) if phrase]
        for phrase in phrases:
            if phrase not in self.lexemes:
                self.lexemes[phrase] = Lexeme(phrase)
        return [self.lexemes[phrase] for phrase in phrases]

    def add_items(self, file: str, rows: Iterable[ItemPhrase]) -> None:
        for index, row in enumerate(rows):
            self._check_item(file, f"phrase[{index}]", row)
            groups = (("one", row.one), ("many", row.many), ("any", row.any), ("sign", row.sign))
            for number, patterns in groups:
                reading = ItemReading(row, number if number != "sign" else "any", number == "sign", self.kinds)
                for pattern in patterns:
                    for lexeme in self.say(pattern):
                        if lexeme.item is None:
                            lexeme.item = reading
                        elif reading.needs and lexeme.item.needs and reading.needs != lexeme.item.needs:
                            lexeme.alt_item = reading
                        elif lexeme.item.targets != reading.targets:
                            self.faults.append(
                                Fault(
                                    file,
                                    f"phrase[{index}]",
                                    f"{lexeme.text!r} already names {lexeme.item.targets}.",
                                    "keep the phrase at one item only.",
                                )
                            )

    def _check_item(self, file: str, entry: str, row: ItemPhrase) -> None:
        reading = ItemReading(row, "any", False, self.kinds)
        for name, site in (*reading.targets, *((reading.alt,) if reading.alt else ())):
            item = self.catalogue.items.get(name)
            if item is None:
                self.faults.append(Fault(file, entry, f"unknown item {name!r}.", "use an item of the catalogue."))
            elif site is not None and site not in item.sites:
                self.faults.append(Fault(file, entry, f"{name} has no site {site!r}.", "use a site of that item."))
            elif any(d not in item.describe for d in reading.descriptors) and len(reading.targets) == 1:
                self.faults.append(
                    Fault(
                        file,
                        entry,
                        f"{name} is not described as {reading.descriptors}.",
                        "use a description of that item.",
                    )
                )

    def add_results(self, file: str, rows: Iterable[ResultPhrase]) -> None:
        for index, row in enumerate(rows):
            for name in row.items:
                item = self.catalogue.items.get(name)
                if item is None:
                    self.faults.append(
                        Fault(file, f"result[{index}]", f"unknown item {name!r}.", "use an item of the catalogue.")
                    )
            for pattern in row.say:
                for lexeme in self.say(pattern):
                    if lexeme.result is None:
                        lexeme.result = ResultSet()
                    lexeme.result.add(row)

    def add_sites(self, rows: Iterable[SitePhrase]) -> None:
        for row in rows:
            for number, patterns in (("one", row.one), ("many", row.many), ("any", row.any)):
                reading = SiteReading(row, number)
                for pattern in patterns:
                    for lexeme in self.say(pattern):
                        if lexeme.site is None or row.side:
                            lexeme.site = reading

    def add_instructions(self, file: str, rows: Iterable[InstructionPhrase]) -> None:
        for index, row in enumerate(rows):
            asks: tuple[str, str | None] | None = None
            if row.asks:
                name, _, site = row.asks.partition(":")
                asks = (name, site or None)
                if name not in self.catalogue.items:
                    self.faults.append(
                        Fault(file, f"instruction[{index}]", f"unknown item {name!r}.", "use an item of the catalogue.")
                    )
            for pattern in row.say:
                for lexeme in self.say(pattern):
                    if lexeme.instruction is None or (lexeme.instruction == () and asks):
                        lexeme.instruction = asks or ()
                        lexeme.weak_ask = pattern in row.weak

    def mark(self, patterns: Iterable[str], role: str, value: object) -> None:
        """Give every phrase of the patterns a role (the first value stays)."""
        for pattern in patterns:
            for lexeme in self.say(pattern):
                if getattr(lexeme, role) is None:
                    setattr(lexeme, role, value)

    def add_file(self, file: str, data: PhraseFile) -> None:
        self.add_items(file, data.phrase)
        self.add_sites(data.site)
        self.add_results(file, data.result)
        self.add_instructions(file, data.instruction)
        for row in data.station:
            self.mark(row.say, "station", row.id)
        for row in data.heading:
            self.mark(row.say, "heading", row.id)
        self._add_cues(data)
        self._add_words(data)

    def _add_cues(self, data: PhraseFile) -> None:
        for side, patterns in data.side.items():
            self.mark(patterns, "side", side)
        self.mark(data.negation.get("before", ()), "neg", "plain")
        self.mark(data.negation.get("hedged", ()), "neg", "hedged")
        for pattern in data.negation.get("hedged", ()):
            for lexeme in self.say(pattern):
                lexeme.neg = "hedged"
        self.mark(data.uncertain.get("weak", ()), "hedge", "weak")
        self.mark(data.uncertain.get("before", ()), "hedge", "strong")
        for name, patterns in data.severity.items():
            self.mark(patterns, "severity", name.replace("_", " "))
        self.severity_kept.update(data.severity_kept.get("words", ()))
        self.mark(data.compare.get("worse", ()), "compare", "worse")
        self.mark(data.compare.get("than", ()), "compare", "right")
        self.mark(data.compare.get("than_left", ()), "compare", "left")
        roles = {
            "and": "joins",
            "but": "but",
            "except": "except_",
            "rest": "rest",
            "ditto": "ditto",
            "because": "because",
            "now": "now",
        }
        for name, role in roles.items():
            self.mark(data.join.get(name, ()), role, True)
        for strength, patterns in data.repair.items():
            self.mark(patterns, "repair", strength)
        self.mark(data.number.get("units", ()), "units", True)
        self.mark(data.number.get("counting", ()), "units", True)
        for name in ("history", "relative", "plan"):
            for kind, patterns in getattr(data, name).items():
                self.mark(patterns, "context", name if kind == "before" else kind)
        self.mark(data.filler.get("words", ()), "filler", True)
        self.mark(data.filler.get("strangers", ()), "stranger", True)
        self.mark(data.praise.get("say", ()), "praise", True)
        self.mark(data.question.get("say", ()), "question", True)
        for order, patterns in data.pair_order.items():
            self.mark(patterns, "pair_order", ("right", "left") if order == "right_left" else ("left", "right"))
        self.mark(data.complaint.get("cue", ()), "complaint_cue", True)
        for addon, patterns in data.complaint.get("words", {}).items():
            self.mark(patterns, "complaints", addon)
        self.mark(data.addon.get("cue", ()), "control", "addon")
        for name, patterns in data.control.items():
            self.mark(patterns, "control", name)

    def _add_words(self, data: PhraseFile) -> None:
        self.small.update(data.small.get("words", ()))
        for table in (data.spelling, data.numbers, data.signs):
            for norm, words in table.items():
                self.norms.update(dict.fromkeys(words, norm))
        self.fractions.update(data.fractions)
        self.roman.update(data.roman)
        self.alike.update(data.alike.get("read", ()))
        self.meant.update(data.alike.get("meant", ()))
        for phrase, heard in data.sounds.items():
            self.sounds.update(dict.fromkeys(heard, phrase))
