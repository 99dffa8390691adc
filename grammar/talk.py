"""Talk that is no finding: history, other people, plans and hypotheticals (ConText: Harkema H et al.
J Biomed Inform 2009;42:839), with a reach cut to dictation: a cue takes the items that it speaks of, and ends at
the next item with a result of its own, at "now", "but", an instruction, a station word or the end of the sentence.
"""

from __future__ import annotations

from collections.abc import Callable

from grammar.lexicon import Lexeme
from grammar.mentions import COMMA, STOP, UNKNOWN, Mention

_PAST = frozenset(("was", "were", "had", "used"))
_TOLD = ("tells me", "told me", "says", "reports", "feels", "notices", "noticed", "describes")
Look = Callable[[int], bool]


def context_scopes(
    ms: list[Mention], tokens: list[str], is_item: Look, own_result: Look, level: int = 0
) -> list[tuple[int, int]]:
    """Half-open index ranges of the mentions that are context."""
    scopes = []
    k = 0
    while k < len(ms):
        lex = ms[k].lex
        if lex is None or not lex.context or lex.instruction or (lex.item and is_item(k)):
            k += 1
            continue
        end = _forward(ms, tokens, k, is_item, own_result)
        start = k
        if (
            lex.text.endswith((" says", " said", " tells me", " reports"))
            and k
            and ms[k - 1].kind == UNKNOWN
            and tokens[ms[k].j : ms[k].j + 1] != ["that"]
        ):
            end = k + 1
        if not any(is_item(i) or _valued(ms[i]) for i in range(k + 1, end)) and lex.context == "history":
            start = _backward(ms, k, is_item)
        scopes.append((start, max(end, k + 1)))
        k = max(end, k + 1)
    return scopes


def _valued(m: Mention) -> bool:
    return m.lex is not None and m.lex.result is not None


def _untested(lex: Lexeme) -> bool:
    return lex.result is not None and lex.result.any is not None and lex.result.any.status == "not_examined"


def _forward(ms: list[Mention], tokens: list[str], k: int, is_item: Look, own_result: Look) -> int:
    seen = placed = False
    cue = ms[k].lex
    told = cue is not None and cue.text.endswith(_TOLD)
    j = k + 1
    while j < len(ms):
        m = ms[j]
        lex = m.lex
        if m.kind == STOP:
            break
        if lex is not None:
            if lex.station or lex.heading or lex.control or lex.but or lex.complaint_cue:
                break
            if lex.now and not (lex.result or lex.item):
                break
            if lex.instruction and not lex.item and not lex.result and len(lex.text.split()) > 1:
                break
            if is_item(j):
                before = ms[j - 1]
                joined = before.kind == COMMA or (before.lex is not None and before.lex.joins)
                past = _PAST & set(tokens[ms[j - 1].j : m.i] + tokens[m.j : m.j + 2])
                if seen and not joined and not past and (own_result(j) or _prefixed(ms, j)):
                    return _prefix_start(ms, j, k)
                seen = True
            elif lex.site is not None:
                placed = True
            elif told and placed and lex.result is not None:
                seen = True  # "he tells me the right leg is weak": what was told is complete
        j += 1
    return j


def _prefixed(ms: list[Mention], j: int) -> bool:
    lex = ms[j - 1].lex
    return lex is not None and bool(lex.neg or lex.side)


def _prefix_start(ms: list[Mention], j: int, k: int) -> int:
    while j - 1 > k:
        lex = ms[j - 1].lex
        if lex is None or not (lex.neg or lex.side or lex.severity or lex.hedge) or lex.text.startswith(("in ", "of ")):
            break
        j -= 1
    return j


def _backward(ms: list[Mention], k: int, is_item: Look) -> int:
    """The clause before a cue that stands behind: "... weak right arm last year"."""
    j = k
    found = False
    while j > 0:
        m = ms[j - 1]
        lex = m.lex
        if lex is not None and (lex.complaint_cue or (lex.complaints and not is_item(j - 1))):
            break
        if m.kind in (STOP, COMMA) or (lex is not None and (lex.but or (lex.instruction and not lex.item) or lex.now)):
            break
        if lex is not None and _untested(lex):
            break  # "hearing not tested, his aids are at home": said of today
        if found and not (
            (lex is not None and (lex.side or lex.neg or lex.severity or lex.hedge or lex.context)) or m.kind == UNKNOWN
        ):
            break
        if is_item(j - 1):
            found = True
        j -= 1
    return j
