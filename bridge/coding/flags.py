"""The flag of one pad: from the ladder's own abnormal steps and the numeric reference range."""

from __future__ import annotations

from collections.abc import Iterable

from bridge.model import Flag, Quantity


def flag(*, abnormal: bool, numbers: Iterable[Quantity], low: Quantity | None, high: Quantity | None) -> Flag:
    """Give the flag: H or L for a number outside the range, else A or N as the ladder says.

    Neither the ladder nor the range can undo the other: what one of them calls abnormal is never N.
    A grade has no direction, so it is A or N (HL7 table 0078 of 2.5.1: A "applies to non-numeric results").
    """
    for number in numbers:
        if high is not None and is_above(number, high):
            return Flag.HIGH
        if low is not None and is_below(number, low):
            return Flag.LOW
    return Flag.ABNORMAL if abnormal else Flag.NORMAL


def is_above(number: Quantity, limit: Quantity) -> bool:
    """Say whether the value is surely above ``limit``; never across units, never on a mere possibility.

    ``>=1.035`` may be exactly 1.035 and ``<9`` may be anything below: neither is surely above 1.035 or 5.
    """
    if number.unit != limit.unit:
        return False
    match number.comparator:
        case "" | ">=":
            return number.value > limit.value
        case ">":
            return number.value >= limit.value
        case _:
            return False


def is_below(number: Quantity, limit: Quantity) -> bool:
    """Say whether the value is surely below ``limit``; the mirror of ``is_above``."""
    if number.unit != limit.unit:
        return False
    match number.comparator:
        case "" | "<=":
            return number.value < limit.value
        case "<":
            return number.value <= limit.value
        case _:
            return False
