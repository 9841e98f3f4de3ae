"""Lengths of time as percentiles: counted by whole seconds, so that days can be added up and the figures of a month are exact."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import accumulate

METHOD = (
    "Percentiles are interpolated in a straight line between the two nearest lengths in order: definition 7 of Hyndman and Fan "
    "(The American Statistician 1996;50:361-365)."
)


@dataclass(frozen=True, slots=True)
class Spread:
    """How often each length in whole seconds came; no length is negative."""

    counts: Mapping[int, int] = field(default_factory=dict)

    @property
    def n(self) -> int:
        """Count the lengths."""
        return sum(self.counts.values())

    @property
    def longest_s(self) -> int | None:
        """Give the longest; None where there is none."""
        return max(self.counts, default=None)

    def percentiles(self, *percents: int) -> tuple[float, ...] | None:
        """Give percentiles in seconds, each asked for as a whole number from 0 to 100; None where there is no length. See METHOD."""
        if not self.counts:
            return None
        values = sorted(self.counts)
        ends = list(accumulate(self.counts[value] for value in values))
        return tuple(_percentile(values, ends, percent) for percent in percents)


def _percentile(values: list[int], ends: list[int], percent: int) -> float:
    place, part = divmod((ends[-1] - 1) * percent, 100)
    low = _at(values, ends, place)
    return low + (_at(values, ends, place + 1) - low) * part / 100 if part else float(low)


def _at(values: list[int], ends: list[int], place: int) -> int:
    """Give the length at a place of all in order, counted from 0; ``ends`` says how many are as long as each value or shorter."""
    return values[bisect_right(ends, place)]


def together(spreads: Iterable[Spread]) -> Spread:
    """Add spreads up."""
    counts: Counter[int] = Counter()
    for each in spreads:
        counts.update(each.counts)
    return Spread(counts)
