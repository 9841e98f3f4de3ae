"""Numbers that an analyzer used and that never arrived."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import groupby

from bridge.tables.types import NumberScheme, SeriesRule


@dataclass(frozen=True, kw_only=True, slots=True)
class UsedNumber:
    """A number that arrived on some strip, whatever became of it."""

    analyzer: str
    mode: str
    series: str
    number: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Gap:
    """The numbers ``first`` to ``last`` (both inclusive) of one series that no strip brought."""

    analyzer: str
    mode: str
    series: str
    first: int
    last: int

    @property
    def count(self) -> int:
        """Count the missing numbers."""
        return self.last - self.first + 1


def gaps(used: Iterable[UsedNumber], schemes: Mapping[str, NumberScheme]) -> tuple[Gap, ...]:
    """Give the missing numbers of every series, in order of analyzer, mode, series and number.

    A gap is where the next number is not the last one plus one. A daily series is known to begin at its scheme's
    ``first``; of any other the lowest number that arrived is the beginning. ``schemes`` is keyed by analyzer; one that is
    not listed is treated as any other. Copies and conflicts of a number count once.
    """
    ordered = sorted({(each.analyzer, each.mode, each.series, each.number) for each in used})
    found: list[Gap] = []
    for (analyzer, mode, series), group in groupby(ordered, key=lambda each: each[:3]):
        numbers = [each[3] for each in group]
        due = beginning(schemes.get(analyzer), series, numbers[0])
        for number in numbers:
            if number > due:
                found.append(Gap(analyzer=analyzer, mode=mode, series=series, first=due, last=number - 1))
            due = number + 1
    return tuple(found)


def beginning(scheme: NumberScheme | None, series: str, lowest: int) -> int:
    """Give the number at which a series began: the scheme's first for a dated daily one, else the lowest that arrived."""
    if scheme is not None and scheme.series is SeriesRule.DAILY and series:
        return min(scheme.first, lowest)
    return lowest
