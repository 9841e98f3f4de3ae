"""Regular expressions from mapping files: compiled, with the mistakes refused that make matching endless."""

from __future__ import annotations

import re

from bridge.errors import TableError

LONGEST_PATTERN = 400  # ours: a slip line's pattern fits in a tenth of it


def pattern(text: str, path: tuple[str | int, ...], *, needs: frozenset[str] = frozenset()) -> re.Pattern[str]:
    """Give the compiled pattern. ``needs`` are groups that it must name.

    Raises TableError if it does not compile, is too long, lacks a group, or repeats a group that holds a
    repetition, such as (a+)+: on a line made for it, such a pattern runs for years.
    """
    if len(text) > LONGEST_PATTERN:
        raise TableError(
            f"The pattern is longer than {LONGEST_PATTERN} characters.", remedy="Split it into several line kinds.", path=path
        )
    try:
        made = re.compile(text)
    except re.error as error:
        raise TableError(
            f"{text!r} is not a regular expression: {error}.", remedy="Mend it; python's re module says how.", path=path
        ) from error
    if _repeats_a_repetition(text):
        raise TableError(
            f"{text!r} repeats a group that holds a repetition.",
            remedy="Write the repetition once, with a limit such as {1,20}.",
            path=path,
        )
    missing = sorted(needs - made.groupindex.keys())
    if missing:
        raise TableError(f"The pattern has no group {missing[0]!r}.", remedy=f"Name it: (?P<{missing[0]}>...).", path=path)
    return made


def _repeats_a_repetition(text: str) -> bool:
    """Find a group followed by * + or { that holds one of them outside a character class."""
    repeats: list[bool] = []  # for each open group: does it hold a repetition?
    index, closed = 0, False  # closed: the last thing was a group that held a repetition
    while index < len(text):
        char = text[index]
        if char in "*+{":
            if closed:
                return True
            if repeats:
                repeats[-1] = True
            closed = False
        elif char == "(":
            repeats.append(False)
            closed = False
        elif char == ")":
            closed = repeats.pop() if repeats else False
            if closed and repeats:
                repeats[-1] = True
        else:
            closed = False
            index = _past_one(text, index)
            continue
        index += 1
    return False


def _past_one(text: str, index: int) -> int:
    """Give the index after one literal, escape or character class."""
    if text[index] == "\\":
        return index + 2
    if text[index] != "[":
        return index + 1
    index += 1
    if text[index : index + 1] == "^":
        index += 1
    index += 1  # a bracket that comes first is a literal
    while index < len(text) and text[index] != "]":
        index += 2 if text[index] == "\\" else 1
    return index + 1
