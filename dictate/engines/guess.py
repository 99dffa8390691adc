"""Guessed pronunciations of words that no dictionary here has: a clinic's own terms.

Two offline sources, both used when both are there, as alternatives (together they err on about 6 % of
the sounds of clinical terms, one alone on 10 to 13 %): the package hibari-tts (extra `guess`) and the
program espeak-ng. Their phonetic alphabets are turned into ARPAbet by the tables below (own work).
"""

from __future__ import annotations

import shutil
import subprocess
from functools import cache
from typing import Any

from dictate.engines.lexicon import Phones

# Longest signs first where one begins another; stress and length marks are dropped.
SIGNS = {
    "tʃ": "CH",
    "dʒ": "JH",
    "ʧ": "CH",
    "ʤ": "JH",
    "aɪə": "AY AH",
    "aʊ": "AW",
    "aɪ": "AY",
    "eɪ": "EY",
    "oʊ": "OW",
    "əʊ": "OW",
    "ɔɪ": "OY",
    "ɜː": "ER",
    "ɜɹ": "ER",
    "ɚ": "ER",
    "əɹ": "ER",
    "əl": "AH L",
    "iə": "IY AH",
    "ɪə": "IH R",
    "oːɹ": "AO R",
    "ɔːɹ": "AO R",
    "ɑːɹ": "AA R",
    "ɛɹ": "EH R",
    "ʊɹ": "UH R",
    "ɪɹ": "IH R",
    "ɑː": "AA",
    "iː": "IY",
    "uː": "UW",
    "ɔː": "AO",
    "oː": "AO",
    "A": "EY",
    "I": "AY",
    "O": "OW",
    "Q": "OW",
    "W": "AW",
    "Y": "OY",
    "ɑ": "AA",
    "ɒ": "AA",
    "æ": "AE",
    "a": "AE",
    "ʌ": "AH",
    "ə": "AH",
    "ɐ": "AH",
    "ᵊ": "AH",
    "ɔ": "AO",
    "ɛ": "EH",
    "e": "EH",
    "ɜ": "ER",
    "ɪ": "IH",
    "ᵻ": "IH",
    "i": "IY",
    "ʊ": "UH",
    "u": "UW",
    "o": "OW",
    "b": "B",
    "d": "D",
    "ð": "DH",
    "f": "F",
    "ɡ": "G",
    "g": "G",
    "h": "HH",
    "k": "K",
    "l": "L",
    "m": "M",
    "n": "N",
    "ŋ": "NG",
    "p": "P",
    "ɹ": "R",
    "r": "R",
    "s": "S",
    "ʃ": "SH",
    "t": "T",
    "ɾ": "T",
    "T": "T",
    "θ": "TH",
    "v": "V",
    "w": "W",
    "j": "Y",
    "z": "Z",
    "ʒ": "ZH",
    "x": "K",
    "ʔ": "T",
}
_LONGEST = max(map(len, SIGNS))


def guess(word: str) -> tuple[Phones, ...]:
    """Likely pronunciations of a word, none when no source is installed."""
    readings = [reading for reading in (_hibari(word), _espeak(word)) if reading]
    return tuple(dict.fromkeys(phones for reading in readings if (phones := to_arpabet(reading))))


def to_arpabet(signs: str) -> Phones:
    """Phonetic signs (IPA, or the one-letter diphthongs of English text-to-speech) as ARPAbet phones."""
    phones: list[str] = []
    at = 0
    while at < len(signs):
        for length in range(min(_LONGEST, len(signs) - at), 0, -1):
            found = SIGNS.get(signs[at : at + length])
            if found is not None:
                phones += found.split()
                at += length
                break
        else:
            at += 1
    return tuple(phones)


def _hibari(word: str) -> str:
    to_signs = _hibari_reader()
    return "" if to_signs is None else _plain(to_signs(word) or "")


@cache
def _hibari_reader() -> Any:
    try:
        from hibari.g2p import G2P
    except ImportError:
        return None
    return G2P()


def _espeak(word: str) -> str:
    program = shutil.which("espeak-ng")
    if program is None:
        return ""
    done = subprocess.run(
        [program, "-q", "-v", "en-us", "--ipa", word], capture_output=True, text=True, timeout=20, check=False
    )
    return _plain(done.stdout)


def _plain(signs: str) -> str:
    return "".join(sign for sign in signs if sign not in "ˈˌ\u0361\u200d ")
