"""Digits as the neural model writes them, turned into the words that were spoken ("12" -> "twelve")."""

from __future__ import annotations

from functools import cache

ONES = [
    "zero",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
]
TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
LONGEST = 3


@cache
def spoken(digits: str) -> tuple[str, ...]:
    """The words of a number of one to three digits; empty when it is no such number ("007")."""
    if not 0 < len(digits) <= LONGEST or (len(digits) > 1 and digits[0] == "0"):
        return ()
    number = int(digits)
    if number < 20:
        return (ONES[number],)
    if number < 100:
        rest = () if number % 10 == 0 else (ONES[number % 10],)
        return (TENS[number // 10 - 2], *rest)
    rest_words = spoken(str(number % 100)) if number % 100 else ()
    return (ONES[number // 100], "hundred", *rest_words)


@cache
def first_words(digits: str) -> tuple[str, ...]:
    """Every word that a number beginning with these digits can begin with; bounds what the number may still
    score."""
    found = {spoken(digits)[0]} if spoken(digits) else set()
    if len(digits) < LONGEST and spoken(digits) and digits != "0":
        for digit in "0123456789":
            found.update(first_words(digits + digit))
    return tuple(sorted(found))
