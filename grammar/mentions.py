"""Tokens -> mentions: which phrases, numbers, marks and unknown words were said, and where.

Overlapping phrases are settled left to right, the longest first. A mention keeps its token span [i, j).
"""

from __future__ import annotations

from grammar.cuts import Spans, cut_no, cut_pair, denied_short, denied_word, placeless
from grammar.lexicon import Lexeme
from grammar.numbers import Grade, gcs_part, grade_at
from grammar.pipeline import PhraseTree, Pipeline, Words

# Kinds of mention that are not phrases.
STOP, COMMA, COLON, MARK, GRADE, GCS, UNKNOWN, PHRASE = (
    "stop",
    "comma",
    "colon",
    "mark",
    "grade",
    "gcs",
    "unknown",
    "phrase",
)
_STOPS = {".": ".", "?": "?", "!": "!", ";": ";", "...": ".", "…": "."}
_OPENING = 12
_SHORT_NOT = frozenset(("isn't", "aren't", "wasn't", "weren't"))


class Mention:
    """One piece of what was said. `lex` is set for phrases, `grade` for numbers, `part` for coma-scale parts."""

    __slots__ = ("grade", "i", "j", "kind", "lex", "mark", "part", "used")

    def __init__(self, kind: str, i: int, j: int, lex: Lexeme | None = None) -> None:
        self.kind = kind
        self.i = i
        self.j = j
        self.lex = lex
        self.grade: Grade | None = None
        self.part: tuple[str, int] | None = None
        self.mark = ""
        self.used = False

    def __repr__(self) -> str:
        what = self.lex.text if self.lex else self.grade or self.part or self.mark
        return f"<{self.kind} {self.i}:{self.j} {what!r}>"


def find(pipe: Pipeline, words: Words, base: int = 0, opening: bool = False) -> list[Mention]:
    """The mentions of a text in order; token spans are counted from `base`. `opening`: nothing was found yet,
    so an everyday word ("forgetful") may name the complaint without a cue."""
    tokens, norms, blank = words.texts, words.norms, words.blank
    spans, complaints = _longest(pipe.tree, norms)
    small = pipe.small
    fractions = pipe.builder.fractions
    out: list[Mention] = []
    i, count, cued, acuity = 0, len(tokens), -99, False
    while i < count:
        norm = norms[i]
        if (
            norm in "evm"
            or norm in ("eye", "eyes", "verbal", "motor", "voice")
            or (len(norm) == 2 and norm[0] in "evm" and norm[1].isdecimal())
        ):
            part = gcs_part(norms, i)
            if part is not None and _is_gcs(norms, i, part, out):
                mention = Mention(GCS, i, part[2])
                mention.part = part[:2]
                out.append(mention)
                i = part[2]
                continue
        if norm == "with" and i + 1 in spans and _after_denial(out):
            i += 1
            continue
        span = complaints.get(i)
        if span is not None and i - cued >= 9:
            opens = opening and i + base < _OPENING and not _examining(out)
            if not opens or not span[1].complaint_only or _sided(span[1], out, i) or _denied(out, i):
                span = None
        span = span or spans.get(i)
        named = bool(out) and out[-1].lex is not None and bool(out[-1].lex.item or out[-1].lex.site)
        if span is not None:
            span = cut_no(pipe, norms, spans, i, span, named)
        if norm in _SHORT_NOT and (named or not placeless(pipe, spans.get(i + 1))):
            span = denied_short(pipe, norms, i, span)
        if norm == "?" and _ends_question(tokens, blank, i, out):
            span = None
        if span is not None and not (norm in ("left", "s") and _level_instead(norms, tokens, i, span[0])):
            cut = _two_findings(pipe, norms, i, spans, out) or cut_pair(pipe, norms, i, span, spans)
            span = _nervous_system(pipe, tokens, norms, i, cut)
            if denied_word(pipe, norms, spans, i, span[0], named):
                i += 1
                continue
            mention = Mention(PHRASE, i, span[0], span[1])
            if tokens[span[0] - 1] == "l" and span[0] - i > 1 and _level_instead(norms, tokens, span[0] - 1, span[0]):
                i = span[0] - 1
                continue
            if norms[i : span[0]][1:][-1:] == ["middle"] and norms[span[0] : span[0] + 1] in (["finger"], ["fingers"]):
                i = span[0] - 1  # "in the middle finger"
                continue
            out.append(mention)
            i = span[0]
            lex = span[1]
            if lex.complaint_cue:
                cued = i
            if lex.item is not None:
                acuity = lex.item.targets[0][0] == "visual_acuity"
            if lex.item is not None and lex.item.targets[0][0] == "cranial_nerves":
                _lower_nerves(norms, out)
                i = _nerve_range(pipe, norms, i, out)
            continue
        i = _plain_token(norms, tokens, i, fractions, small, out)
        if out and out[-1].grade is not None and out[-1].grade.den is not None and "/" in norms[out[-1].i : i]:
            slash = norms.index("/", out[-1].i, i)
            out[-1].grade.spaced = blank[slash - 1]
        if len(out) > 1 and (acuity or "eye" in norms[max(0, i - 3) : i + 5]):
            _spoken_fraction(out)
    if base:
        for mention in out:
            mention.i += base
            mention.j += base
    return out


def _ends_question(tokens: list[str], blank: list[bool], i: int, out: list[Mention]) -> bool:
    """The mark at i ends a question; "? L drift, ? R catch" are doubts."""
    count = len(tokens)
    ends = blank[i] or i + 1 >= count or tokens[i + 1].isspace()
    apart = i == 0 or blank[i - 1] or tokens[i - 1].isspace()
    return ends and not (apart and i + 1 < count and (not out or out[-1].kind in (COMMA, COLON, STOP)))


def _sided(lex: Lexeme, out: list[Mention], i: int) -> bool:
    """ "left foot drop" with no cue before it is said of a side, so it is a finding rather than a complaint."""
    before = out[-1].lex if out and out[-1].j == i else None
    return lex.text.startswith(("right ", "left ")) or (before is not None and before.side in ("right", "left"))


def _examining(out: list[Mention]) -> bool:
    """A place with its item was named: "no weakness of the arms, legs weak" goes on with findings."""
    return any(m.lex is not None and m.lex.item is not None for m in out) and any(
        m.lex is not None and m.lex.site is not None for m in out
    )


def _after_denial(out: list[Mention]) -> bool:
    """ "no drift but with past pointing": what is behind "but with" is a finding of its own."""
    said = [m.lex for m in out if m.lex is not None]
    return bool(said) and bool(said[-1].but) and any(lex.neg for lex in said)


def _denied(out: list[Mention], i: int) -> bool:
    """ "no weakness in the legs" is a finding, and no complaint of weak legs."""
    return bool(out) and out[-1].j == i and out[-1].lex is not None and out[-1].lex.neg is not None


def _nervous_system(
    pipe: Pipeline, tokens: list[str], norms: list[str], i: int, span: tuple[int, Lexeme]
) -> tuple[int, Lexeme]:
    """ "CNS: normal" is the whole nervous system, which covers nothing; "CNs normal" and "CNS II-XII" are nerves."""
    if tokens[i] != "CNS" or span[0] != i + 1 or _nerve_range(pipe, norms, i + 1, []) > i + 1:
        return span
    whole = pipe.by_key.get(("neuro", "exam"))
    return span if whole is None else (i + 1, whole)


def _two_findings(
    pipe: Pipeline, norms: list[str], i: int, spans: Spans, out: list[Mention]
) -> tuple[int, Lexeme] | None:
    """ "extensor on the right and left knee jerk brisk": behind a value the first side ends a finding, and the other
    begins that of the single item which follows at once."""
    if i not in spans or not out or out[-1].kind not in (GRADE, PHRASE):
        return None
    end, lex = spans[i]
    following = spans[end][1].item if end in spans else None
    words = norms[i:end]
    if lex.side != "both" or "and" not in words or words[0] != "on" or {"right", "left"} - set(words):
        return None
    if not _value_here(norms, end, spans, out) and (following is None or following.number == "many"):
        return None
    cut = i + words.index("and")
    first = pipe.by_key.get(tuple(norms[i:cut]))
    return (cut, first) if first is not None and first.side else None


def _value_here(norms: list[str], i: int, spans: Spans, out: list[Mention]) -> bool:
    """ "sustained on the right and left about four beats": a value stands before the sides, and one for the second."""
    last = out[-1]
    told = last.kind == GRADE or (last.lex is not None and last.lex.result is not None and last.lex.item is None)
    i += 1 if norms[i : i + 1] == ["about"] else 0
    if not told or i >= len(norms):
        return False
    if norms[i].isdecimal():
        return not (i + 1 < len(norms) and norms[i + 1] == "of")
    end, lex = spans.get(i, (i, None))
    behind = spans.get(end, (end, None))[1]
    alone = behind is None or behind.item is None
    return lex is not None and lex.result is not None and lex.item is None and alone


def _spoken_fraction(out: list[Mention]) -> None:
    """ "six nine", "twenty forty" after visual acuity: two numbers are a fraction."""
    first, second = out[-2], out[-1]
    if (
        first.kind == second.kind == GRADE
        and first.j == second.i
        and first.grade
        and second.grade
        and first.grade.n in (6, 20)
        and first.grade.den is None
        and second.grade.den is None
    ):
        first.grade.den = second.grade.n
        first.j = second.j
        out.pop()


def _longest(tree: PhraseTree, norms: list[str]) -> tuple[Spans, Spans]:
    """start -> (end, lexeme) of the longest phrase at each start token; complaint words apart, for they
    count only behind a complaint cue."""
    longest: Spans = {}
    complaints: Spans = {}
    count = len(norms)
    for start, norm in enumerate(norms):
        node, end = tree.longer.get(norm), start + 1
        while node is not None:
            lex = node.lexeme
            if lex is not None and lex.complaints is not None:
                complaints[start] = (end, lex)
            if lex is not None and not lex.complaint_only:
                longest[start] = (end, lex)
            node = node.longer.get(norms[end]) if end < count else None
            end += 1
    return longest, complaints


def _plain_token(
    norms: list[str],
    tokens: list[str],
    i: int,
    fractions: dict[str, int],
    small: frozenset[str],
    out: list[Mention],
) -> int:
    norm = norms[i]
    first = norm[:1]
    if first.isdecimal() or norm in ("+", "-", "trace") or first in "ctls":
        grade = grade_at(norms, tokens, i, fractions)
        if grade is not None:
            mention = Mention(GRADE, i, grade.end)
            mention.grade = grade
            out.append(mention)
            return grade.end
    if norm in _STOPS:
        mention = Mention(STOP, i, i + 1)
        mention.mark = _STOPS[norm]
        out.append(mention)
    elif norm == ",":
        out.append(Mention(COMMA, i, i + 1))
    elif norm == ":":
        out.append(Mention(COLON, i, i + 1))
    elif norm.isspace():
        if "\n" in norm:
            mention = Mention(STOP, i, i + 1)
            mention.mark = "\n"
            out.append(mention)
    elif not norm[:1].isalnum():
        mention = Mention(MARK, i, i + 1)
        mention.mark = norm
        out.append(mention)
    elif norm not in small:
        if out and out[-1].kind == UNKNOWN and out[-1].j == i:
            out[-1].j = i + 1
        else:
            out.append(Mention(UNKNOWN, i, i + 1))
    return i + 1


def _level_instead(norms: list[str], tokens: list[str], i: int, end: int) -> bool:
    """ "l five" is a level, not the left side."""
    if end != i + 1 or len(tokens[i]) != 1 or i + 1 >= len(norms):
        return False
    grade = grade_at(norms, tokens, i, {})
    return grade is not None and grade.level is not None


def _is_gcs(norms: list[str], i: int, part: tuple[str, int, int], out: list[Mention]) -> bool:
    """A coma-scale part counts only beside another part, or after the scale's name."""
    if any(mention.kind == GCS for mention in out[-3:]):
        return True
    for mention in reversed(out[-4:]):
        lex = mention.lex
        if (
            lex is not None
            and lex.item is not None
            and lex.item.targets[0][0] == "consciousness"
            and lex.item.status is None
        ):
            return True
    after = part[2]
    while after < len(norms) and norms[after] in (",", "and", "/", "so"):
        after += 1
    follow = gcs_part(norms, after) if after < len(norms) else None
    return norms[after : after + 1] == ["gcs"] or (follow is not None and follow[0] != part[0])


def _lower_nerves(norms: list[str], out: list[Mention]) -> None:
    """ "the lower cranial nerves" are the ninth to the twelfth: "nerves" stands for their range."""
    named = out[-1]
    if named.i == 0 or norms[named.i - 1] != "lower" or named.j - named.i < 2:
        return
    named.j -= 1
    mention = Mention(GRADE, named.j, named.j + 1)
    mention.grade = Grade(9, mention.j)
    mention.grade.hi, mention.grade.unit = 12, "nerves"
    out.append(mention)


def _nerve_range(pipe: Pipeline, norms: list[str], i: int, out: list[Mention]) -> int:
    """The range after "cranial nerves": "two to twelve", "II-XII", "2 through 12", or single nerves."""
    roman = pipe.builder.roman

    def nerve(k: int) -> int | None:
        if k >= len(norms):
            return None
        word = norms[k]
        value = int(word) if word.isdecimal() and len(word) < 3 else roman.get(word)
        return value if value is not None and 1 <= value <= 12 else None

    if i + 1 < len(norms) and norms[i] == ":" and nerve(i + 1) is not None:
        i += 1
    low = nerve(i)
    if low is None:
        return i
    k = i + 1
    if k < len(norms) and norms[k] in ("to", "through", "-", "thru"):
        k += 1
    high = nerve(k)
    mention = Mention(GRADE, i, k + 1 if high is not None else i + 1)
    mention.grade = Grade(low, mention.j)
    if high is not None:
        mention.grade.hi = high
    mention.grade.unit = "nerves"
    out.append(mention)
    return mention.j
