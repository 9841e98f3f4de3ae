"""What people say of missing numbers, and what stays missing after that.

An answer covers a range of one series. A number that arrives all the same is not missing any more, whatever was said of it: the gap
is reckoned from what arrived, and answers are laid over it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from itertools import pairwise

from bridge.bench.gaps import Gap
from bridge.model import Actor


class GapEnd(StrEnum):
    """What a person says of missing numbers. All but the last close them."""

    TYPED_IN = "typed in from the slip"
    NO_READING = "no reading: strip aborted, lost or in error"
    EXPLAINED = "explained"
    SET_BY_HAND = "the number was set by hand"
    NOT_SET = "the number was not set by hand"

    @property
    def closes(self) -> bool:
        """Say whether the numbers are accounted for; else the question alone is answered, and they stay missing."""
        return self is not GapEnd.NOT_SET


@dataclass(frozen=True, kw_only=True, slots=True)
class GapAnswer:
    """A named person's word on the numbers of ``gap``."""

    gap: Gap
    end: GapEnd
    by: Actor
    reason: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class GapPart:
    """Missing numbers of which one thing was said, or nothing (``answer`` None)."""

    gap: Gap
    answer: GapAnswer | None = None

    @property
    def is_open(self) -> bool:
        """Say whether the numbers are still to be accounted for."""
        return self.answer is None or not self.answer.end.closes

    def is_question(self, most: int) -> bool:
        """Say whether to ask if the number was set by hand: a jump over more than ``most`` numbers of which nothing was said."""
        return self.answer is None and self.gap.count > most


def parts_of(gap: Gap, answers: Iterable[GapAnswer]) -> tuple[GapPart, ...]:
    """Cut a gap where what was said of it differs, in order of its numbers. The latest answer of a number counts."""
    said = sorted((each for each in answers if _meets(each.gap, gap)), key=lambda each: each.at)
    cuts = {gap.first, gap.last + 1}
    for each in said:
        cuts |= {number for number in (each.gap.first, each.gap.last + 1) if gap.first < number <= gap.last}
    edges = sorted(cuts)
    return _joined([_part(gap, first, following - 1, said) for first, following in pairwise(edges)])


def parts(gaps: Iterable[Gap], answers: Sequence[GapAnswer]) -> tuple[GapPart, ...]:
    """Give the parts of all gaps, in their order."""
    return tuple(part for gap in gaps for part in parts_of(gap, answers))


def _meets(one: Gap, other: Gap) -> bool:
    is_same = (one.analyzer, one.mode, one.series) == (other.analyzer, other.mode, other.series)
    return is_same and one.first <= other.last and other.first <= one.last


def _part(gap: Gap, first: int, last: int, said: Sequence[GapAnswer]) -> GapPart:
    of = [each for each in said if each.gap.first <= first and last <= each.gap.last]
    return GapPart(gap=replace(gap, first=first, last=last), answer=of[-1] if of else None)


def _joined(cut: Iterable[GapPart]) -> tuple[GapPart, ...]:
    """Join neighbours of which the same was said: an answer that a later one covers leaves no seam."""
    joined: list[GapPart] = []
    for part in cut:
        if joined and joined[-1].answer is part.answer:
            joined[-1] = replace(joined[-1], gap=replace(joined[-1].gap, last=part.gap.last))
        else:
            joined.append(part)
    return tuple(joined)
