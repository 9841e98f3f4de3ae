"""What an insert prints for a pad becomes the steps of the strip's ladder that it allows; what the ladder cannot decide is refused.

Nothing is rounded to a step and no unit is converted: an end of a range is a grade of the ladder, or a number compared with the ladder's own.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import Decimal

from bridge.errors import TableError
from bridge.model import Grade, Quantity, Step, UnitSystem
from bridge.tables.types import StripPad

Path = tuple[str | int, ...]

_NUMBER = re.compile(r"(?P<comparator><=|>=|<|>)?(?P<digits>[0-9]{1,6}(\.[0-9]{1,4})?)")  # as on ladders: documents.Number
_OPEN_BELOW = frozenset({"<", "<="})
_OPEN_ABOVE = frozenset({">", ">="})


def ranks_between(pad: StripPad, low: str, high: str, *, system: UnitSystem, path: Path = ()) -> tuple[int, ...]:
    """Give the ranks of the steps from ``low`` to ``high``, both as the insert prints them and both included.

    Raises TableError where an end is no grade of the ladder and no number, where a step with an open end ("1200 and more") lies
    across an end, or where no step lies between.
    """
    begin = _first_from(pad, low, system, (*path, "low"))
    end = _last_to(pad, high, system, (*path, "high"))
    if begin > end:
        raise TableError(
            f"No step of {pad.pad} lies from {low} to {high}.",
            remedy=f"Write the two ends from low to high, as the insert prints them. The scale has: {scale(pad, system)}.",
            path=(*path, "high"),
        )
    return tuple(range(begin, end + 1))


def ranks_of_words(pad: StripPad, words: Iterable[str], *, path: Path = ()) -> tuple[int, ...]:
    """Give the ranks of the words that the insert allows. Raises TableError for one that the pad does not have."""
    known = {step.word: step.rank for step in pad.ladder if step.word}
    ranks = []
    for index, word in enumerate(words):
        if word not in known:
            raise TableError(
                f"{pad.pad} has no word {word!r}.",
                remedy=f"Use one of: {', '.join(known)}." if known else "It has grades or numbers: give low and high.",
                path=(*path, "words", index),
            )
        ranks.append(known[word])
    return tuple(sorted(set(ranks)))


def step_text(step: Step, system: UnitSystem) -> str:
    """Give a step as people write it in one unit system: the number with its comparator, else the grade, else the word."""
    number = _number_of(step, system)
    if number is not None:
        return f"{number.comparator}{number.value}"
    return step.grade.value if step.grade else step.word or _any_number(step)


def scale(pad: StripPad, system: UnitSystem) -> str:
    """Give all steps of a pad as people write them, lowest first: "negative, 60, 120, >=1200"."""
    return ", ".join(step_text(step, system) for step in pad.ladder)


def _any_number(step: Step) -> str:
    return str(step.conventional.value) if step.conventional else ""


def _number_of(step: Step, system: UnitSystem) -> Quantity | None:
    return {UnitSystem.CONVENTIONAL: step.conventional, UnitSystem.SI: step.si, UnitSystem.ARBITRARY: None}[system]


def _first_from(pad: StripPad, text: str, system: UnitSystem, path: Path) -> int:
    """Give the rank of the lowest step that is not below ``text``."""
    exact = _exact(pad, text, system)
    if exact is not None:
        return exact
    end = _number(pad, text, system, path)
    numbered = _numbered(pad, system)
    inside = [step.rank for step in numbered if _is_inside(step, end, pad, system, path=path, from_low=True)]
    if len(inside) == len(numbered) and numbered[0].rank > 0:
        bottom = step_text(pad.ladder[0], system)
        raise TableError(
            f"Whether {bottom} of {pad.pad} belongs to a range from {text} is not said by numbers.",
            remedy=f"Write {bottom} as the low end if the insert's range takes it in, or {step_text(numbered[0], system)} if not.",
            path=path,
        )
    return min(inside, default=len(pad.ladder))


def _last_to(pad: StripPad, text: str, system: UnitSystem, path: Path) -> int:
    """Give the rank of the highest step that is not above ``text``; steps without a number count only where they are named."""
    exact = _exact(pad, text, system)
    if exact is not None:
        return exact
    end = _number(pad, text, system, path)
    inside = [step.rank for step in _numbered(pad, system) if _is_inside(step, end, pad, system, path=path, from_low=False)]
    return max(inside, default=-1)


def _exact(pad: StripPad, text: str, system: UnitSystem) -> int | None:
    """Give the rank of the step that is written so: by its grade, or by its number with the same comparator."""
    for step in pad.ladder:
        number = _number_of(step, system)
        if (step.grade and step.grade.value == text) or (number is not None and f"{number.comparator}{number.value}" == text):
            return step.rank
    return None


def _numbered(pad: StripPad, system: UnitSystem) -> list[Step]:
    return [step for step in pad.ladder if _number_of(step, system) is not None]


def _number(pad: StripPad, text: str, system: UnitSystem, path: Path) -> Decimal:
    """Give an end that is no step of the ladder as a number to compare with."""
    found = _NUMBER.fullmatch(text)
    if text in {grade.value for grade in Grade} or found is None or found["comparator"] or not _numbered(pad, system):
        raise TableError(
            f"{text!r} is no step of {pad.pad} in {system.value} values.",
            remedy=f"Write it as the insert prints it, on this scale: {scale(pad, system)}.",
            path=path,
        )
    return Decimal(found["digits"])


def _is_inside(step: Step, end: Decimal, pad: StripPad, system: UnitSystem, *, path: Path, from_low: bool) -> bool:
    """Say whether the whole step lies at or past the low end (else: at or before the high end) of a range.

    Raises TableError for a step with an open end ("1200 and more") that lies across it.
    """
    number = _number_of(step, system)
    assert number is not None, "only steps with a number are compared"
    opens_inwards, opens_outwards = (_OPEN_ABOVE, _OPEN_BELOW) if from_low else (_OPEN_BELOW, _OPEN_ABOVE)
    reaches = number.value >= end if from_low else number.value <= end
    # a step whose open side leaves the range is outside it or across its end; one that opens inwards is inside or across
    if reaches if number.comparator in opens_outwards else number.comparator in opens_inwards and not reaches:
        raise TableError(
            f"{end} lies inside the step {number.comparator}{number.value} of {pad.pad}, which is open at one end.",
            remedy=f"Write {number.comparator}{number.value} if the insert's range takes it in, or the step next to it if not.",
            path=path,
        )
    return reaches
