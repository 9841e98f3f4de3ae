"""Numbers that an analyzer used and that never arrived."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
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
class NumberRun:
    """The numbers ``first`` to ``last`` (both inclusive) of one series, all of which arrived; ``before``: the nearest below that did, if any."""

    analyzer: str
    mode: str
    series: str
    first: int
    last: int
    before: int | None


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
    return gaps_before(runs(used), schemes)


def runs(used: Iterable[UsedNumber]) -> Iterator[NumberRun]:
    """Give the runs of consecutive numbers, in order of analyzer, mode, series and number."""
    ordered = sorted({(each.analyzer, each.mode, each.series, each.number) for each in used})
    for key, group in groupby(ordered, key=lambda each: each[:3]):
        yield from runs_of(key, {each[3] for each in group})


def runs_of(key: tuple[str, str, str], numbers: Collection[int]) -> Iterator[NumberRun]:
    """Give the runs of one series; ``key`` is its analyzer, mode and name. Before each stands the run before it."""
    analyzer, mode, series = key
    before: int | None = None
    for first, last in stretches(sorted(numbers)):
        yield NumberRun(analyzer=analyzer, mode=mode, series=series, first=first, last=last, before=before)
        before = last


def stretches(numbers: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Give the first and last of every run of consecutive numbers; ``numbers`` rise, none stands twice."""
    first = 0
    for place, number in enumerate(numbers, 1):
        if place == len(numbers) or numbers[place] != number + 1:
            yield numbers[first], number
            first = place


def gaps_before(found: Iterable[NumberRun], schemes: Mapping[str, NumberScheme]) -> tuple[Gap, ...]:
    """Give the numbers that are missing right before each run, in the order of the runs; ``schemes`` as in ``gaps``."""
    told = []
    for run in found:
        begun = beginning(schemes.get(run.analyzer), run.series, run.first) if run.before is None else run.before + 1
        if begun < run.first:
            told.append(Gap(analyzer=run.analyzer, mode=run.mode, series=run.series, first=begun, last=run.first - 1))
    return tuple(told)


def beginning(scheme: NumberScheme | None, series: str, lowest: int) -> int:
    """Give the number at which a series began: the scheme's first for a dated daily one, else the lowest that arrived."""
    if scheme is not None and scheme.series is SeriesRule.DAILY and series:
        return min(scheme.first, lowest)
    return lowest
