"""What a LOINC code says of itself: its check digit, and by its name the kind of value it may carry."""

from __future__ import annotations

import re

_NUMBER = re.compile(r"(?:LA)?[0-9]+-[0-9]")
_BRACKET = re.compile(r"\[([^\]]+)\]")
# Long common names put the property in brackets; these two carry numbers and have no bracket (LOINC 2.82 rows 50560-2 and 53326-5).
_UNBRACKETED = ("pH of ", "Specific gravity of ")
# These two carry a word, scale Nom (rows 5778-6 and 32167-9).
_NOMINAL = ("Color of ", "Clarity of ")


def has_check_digit(code: str) -> bool:
    """Say whether a LOINC number, or a LOINC answer code (LA...), ends in its mod-10 check digit.

    LOINC Users' Guide, section 12 C; worked example there: 12345-5. In an answer code the letters count as
    their ASCII number less 48 (from memory; it holds for every answer code of mappings/catalogue.yaml, and a test says so).
    """
    if not _NUMBER.fullmatch(code):
        return False
    values = [ord(character) - 48 for character in reversed(code[:-2])]
    total = sum(values[1::2]) + sum(2 * value - 9 * (value // 5) for value in values[::2])
    return -total % 10 == int(code[-1])


def wants_number(name: str) -> bool | None:
    """Say by a code's long name whether its value is a number (True), or a grade or a word (False); None if the name does not say."""
    bracket = _BRACKET.search(name)
    if bracket is None:
        return True if name.startswith(_UNBRACKETED) else False if name.startswith(_NOMINAL) else None
    return bracket[1] != "Presence"
