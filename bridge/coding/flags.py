"""The flag of one pad: from the ladder's own abnormal steps, the reference range and the person's band; and the critical ones.

A value is compared only where the answer is sure: never across units, never on a mere possibility.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from bridge.model import Flag, Grade, Quantity, Step
from bridge.tables.flag_table import Band, Condition, CriticalRule
from bridge.tables.types import CataloguePad

# The grades that can be compared, lowest first. POSITIVE stands beside the counted ones, not above them.
_RISING = (Grade.NEGATIVE, Grade.NORMAL, Grade.TRACE, Grade.PLUS_1, Grade.PLUS_2, Grade.PLUS_3, Grade.PLUS_4)


def flag_of(pad: CataloguePad, step: Step, band: Band | None) -> Flag:
    """Give the flag of ``step`` in a person of ``band`` (None: the expectation for everyone), critical rules apart."""
    low, high = limits(pad, band)
    from_grade = band.abnormal_from if band else None
    return flag(
        abnormal=step.abnormal or (from_grade is not None and reaches(step.grade, from_grade)),
        numbers=[number for number in (step.conventional, step.si) if number is not None],
        low=low,
        high=high,
    )


def limits(pad: CataloguePad, band: Band | None) -> tuple[Quantity | None, Quantity | None]:
    """Give the numeric range in force: the band's where it has one, else the catalogue's."""
    return (band.low, band.high) if band and (band.low or band.high) else (pad.low, pad.high)


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


def reaches(grade: Grade | None, least: Grade) -> bool:
    """Say whether a grade is surely ``least`` or more.

    "positive" is more than a trace, and cannot be compared with a count of plus signs.
    """
    if grade is None:
        return False
    if Grade.POSITIVE in (grade, least):
        return grade is Grade.POSITIVE and least not in _RISING[_RISING.index(Grade.PLUS_1) :]
    return _RISING.index(grade) >= _RISING.index(least)


# --- critical rules of the site ------------------------------------------------------------------


def critical_flag(condition: Condition, step: Step) -> Flag | None:
    """Give what ``step`` is flagged by a condition that it meets, else None.

    AA "applies to non-numeric units, analogous to panic limits for numeric units"; HH and LL are for numbers (HL7 table 0078 of 2.5.1).
    """
    numbers = [number for number in (step.conventional, step.si) if number is not None]
    if condition.grade is not None:
        return Flag.CRITICAL if reaches(step.grade, condition.grade) else None
    if condition.at_least is not None:
        return Flag.CRITICAL_HIGH if any(_is_at_least(number, condition.at_least) for number in numbers) else None
    least = condition.at_most
    return Flag.CRITICAL_LOW if least is not None and any(_is_at_most(number, least) for number in numbers) else None


def _is_at_least(number: Quantity, limit: Quantity) -> bool:
    return number.unit == limit.unit and number.comparator in ("", ">", ">=") and number.value >= limit.value


def _is_at_most(number: Quantity, limit: Quantity) -> bool:
    return number.unit == limit.unit and number.comparator in ("", "<", "<=") and number.value <= limit.value


def met_rules(rules: Iterable[CriticalRule], steps: Mapping[str, Step]) -> tuple[CriticalRule, ...]:
    """Give the rules of which every condition is met by the strip's ``steps``, by pad."""
    return tuple(
        rule
        for rule in rules
        if all(each.pad in steps and critical_flag(each, steps[each.pad]) is not None for each in rule.when)
    )


def critical_flags(rules: Iterable[CriticalRule], pad: str, step: Step) -> tuple[Flag, ...]:
    """Give the flags that ``rules`` give the pad at ``step``, in the rules' order, each once; the first is the one it gets."""
    flags = (critical_flag(condition, step) for rule in rules for condition in rule.when if condition.pad == pad)
    return tuple(dict.fromkeys(each for each in flags if each is not None))
