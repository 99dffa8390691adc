"""Talk that is no finding: history, other people, plans and hypotheticals (ConText: Harkema H et al.
J Biomed Inform 2009;42:839), with a reach cut to dictation: a cue takes the items that it speaks of, and ends at
the next item with a result of its own, at "now", "but", an instruction, a station word or the end of the sentence.
"""

from __future__ import annotations

from collections.abc import Callable

from grammar.drafts import SENSORY
from grammar.lexicon import NOTHING, Lexeme
from grammar.mentions import COMMA, STOP, UNKNOWN, Mention

_PAST = frozenset(("was", "were", "had", "used"))
# Said to the patient or to oneself while the examination goes on: it ends at the next comma.
_ASIDES = frozenset(("let me", "let us", "let's", "let 's"))
_TOLD = ("tells me", "told me", "says", "reports", "feels", "notices", "noticed", "describes")
# Who speaks as an examiner: what these say is history, whatever it names.
_EXAMINERS = ("the notes", "the referral", "gp letter", "the letter", "the physio", "nurse", "the nurse", "the ward")
_LAY = (*_TOLD, "said", "states", "stated that", "thinks", "remembers", "complains", "report", "say")
# What only an examination finds and no patient or relative ever tells.
_EXAMINED = SENSORY - {"sensation", "temperature"} | {
    "reflex", "plantar", "clonus", "hoffmann", "extinction", "romberg", "arm_drift", "finger_nose", "heel_shin",
    "rapid_alternating_movements", "supinator_catch", "cogwheel_rigidity", "fundi", "pupils", "visual_fields",
    "nystagmus", "eye_movements", "orientation", "consciousness", "registration", "straight_leg_raise",
}  # fmt: skip
_SAYING = (["says"], ["said"], ["tells"], ["reports"])
_ARTICLES = frozenset(("the", "a", "that", "there", "is", "are", "all", "both", "some", "any"))
_OWNED = frozenset(("his", "her", "their", "my"))
Look = Callable[[int], bool]


def context_scopes(
    ms: list[Mention], tokens: list[str], is_item: Look, own_result: Look, level: int = 0
) -> list[tuple[int, int]]:
    """Half-open index ranges of the mentions that are context."""
    scopes = []
    k = 0
    while k < len(ms):
        lex = ms[k].lex
        if lex is None or not lex.context or lex.instruction or (lex.item and is_item(k)) or _too(ms[k], tokens):
            k += 1
            continue
        end = _forward(ms, tokens, k, is_item, own_result)
        start = k
        if (
            lex.text.endswith((" says", " said", " tells me", " reports"))
            and k
            and ms[k - 1].kind == UNKNOWN
            and tokens[ms[k].j : ms[k].j + 1] not in (["that"], ["yes"], ["no"], ["it"])
        ):
            end = k + 1
        told = any(is_item(i) or _valued(ms[i]) for i in range(k + 1, end))
        if not told and lex.context == "history":
            start = _backward(ms, k, is_item, tokens)
        scopes.append((start, max(end, k + 1)))
        k = max(end, k + 1)
    return scopes


def _valued(m: Mention) -> bool:
    return m.lex is not None and m.lex.result is not None


def _too(m: Mention, tokens: list[str]) -> bool:
    """ "too weak to test": why it was not done, and no plan."""
    return tokens[m.i].lower() == "to" and "too" in [token.lower() for token in tokens[max(0, m.i - 3) : m.i]]


def _untested(lex: Lexeme) -> bool:
    return lex.result is not None and lex.result.any is not None and lex.result.any.status == "not_examined"


def _forward(ms: list[Mention], tokens: list[str], k: int, is_item: Look, own_result: Look) -> int:
    seen = placed = False
    cue = ms[k].lex
    told = cue is not None and cue.text.endswith(_TOLD)
    lay = k if _lay(ms[k], tokens) else -1
    j = k + 1
    while j < len(ms):
        m = ms[j]
        lex = m.lex
        if m.kind == STOP or (m.kind == COMMA and cue is not None and cue.text in _ASIDES):
            break
        if lex is not None:
            lay = j if lex.context and _lay(m, tokens) else lay
            if lex.station or lex.heading or lex.control or lex.but or lex.complaint_cue:
                break
            if lex.now and not (lex.result or lex.item):
                break
            if lex.instruction and not lex.item and not lex.result and len(lex.text.split()) > 1:
                break
            if is_item(j):
                if lay >= 0 and _examined(ms, j, tokens, own_result) and not _object(ms, lay, j, tokens):
                    return _prefix_start(ms, j, k)
                before = ms[j - 1]
                if not seen and _clause_over(ms, j, tokens) and (own_result(j) or _sign(m)):
                    return _prefix_start(ms, j, k)
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


def _lay(cue: Mention, tokens: list[str]) -> bool:
    """ "he says", "his wife told me": words of somebody who has examined nothing."""
    if cue.lex is None or cue.lex.text.startswith(_EXAMINERS):
        return False
    return cue.lex.text.endswith(_LAY) or tokens[cue.j : cue.j + 1] in _SAYING


def _object(ms: list[Mention], cue: int, j: int, tokens: list[str]) -> bool:
    """ "he says the ankle jerks are absent": what he says; but not "at easter, he says, ankle jerks absent"."""
    low, high = ms[cue].j, ms[_prefix_start(ms, j, cue)].i
    low += 1 if tokens[low : low + 1] in _SAYING else 0
    between = {token.lower() for token in tokens[low:high]}
    before = ms[cue - 2] if cue > 1 and ms[cue - 1].kind == COMMA else ms[cue - 1]
    lex = before.lex or NOTHING
    told = cue > 0 and ms[cue].i - before.j < 2 and (before.kind == UNKNOWN or bool(lex.context or lex.units))
    return between <= _ARTICLES and not (told and not between)


def _examined(ms: list[Mention], j: int, tokens: list[str], own_result: Look) -> bool:
    """ "he says it began at easter, abdominal reflexes absent": what is found now, and nobody has told it."""
    item = (ms[j].lex or NOTHING).item
    told = own_result(j) or bool((ms[j - 1].lex or NOTHING).neg) or (item is not None and item.status is not None)
    return told and _by_examination(ms[j], tokens)


def _by_examination(m: Mention, tokens: list[str]) -> bool:
    """The item is one that only an examination finds, and nobody's own ("his reflexes")."""
    item = m.lex.item if m.lex is not None else None
    if item is None or not all(name in _EXAMINED for name, _ in item.targets):
        return False
    if item.status is not None and item.targets[0][0] == "consciousness":
        return False  # "she says he is drowsy"
    near = {token.lower() for token in (*tokens[max(0, m.i - 2) : m.i], *tokens[m.j : m.j + 2])}
    return not (near & (_PAST | _OWNED))


def _sign(m: Mention) -> bool:
    return m.lex is not None and m.lex.item is not None and m.lex.item.sign


def _clause_over(ms: list[Mention], j: int, tokens: list[str]) -> bool:
    """ "we'll start there, fundi not seen", "trouble since tuesday, tender over the spine": the talk ended before."""
    while (lex := ms[j - 1].lex) is not None and (lex.side or lex.neg):
        j -= 1
    last = tokens[ms[j].i - 1].lower()
    word = ms[j - 1].j - 1 if ms[j - 1].kind == UNKNOWN and ms[j - 1].j == ms[j].i else -1
    return last in ("there", "here") or (word > 0 and tokens[word - 1].lower() == "since")


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


def _backward(ms: list[Mention], k: int, is_item: Look, tokens: list[str]) -> int:
    """The clause before a cue that stands behind: "... weak right arm last year"."""
    j = k
    found, lay = False, _lay(ms[k], tokens)
    while j > 0:
        m = ms[j - 1]
        lex = m.lex
        if lex is not None and (lex.complaint_cue or (lex.complaints and not is_item(j - 1))):
            break
        if m.kind in (STOP, COMMA) or (lex is not None and (lex.but or (lex.instruction and not lex.item) or lex.now)):
            break
        if lex is not None and lex.question and not is_item(j - 1):
            break  # "anal tone normal, when did this start? about easter"
        if lex is not None and _untested(lex):
            break  # "hearing not tested, his aids are at home": said of today
        if found and not (
            (lex is not None and (lex.side or lex.neg or lex.severity or lex.hedge or lex.context)) or m.kind == UNKNOWN
        ):
            break
        if is_item(j - 1):
            found = True
            if lay and _by_examination(m, tokens):
                return k  # "knee jerks two plus, he says ..."
        j -= 1
    return j
