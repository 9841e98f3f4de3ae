"""Stops of a period by reason: how many, how long they waited, and how they were put right."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from typing import NamedTuple

from bridge.bench.spread import Spread

_SECOND = timedelta(seconds=1)


class Stopped(NamedTuple):  # a tuple, since a busy month has thousands
    """One stop. ``group`` is a lifecycle.states.StopGroup, ``closed_at`` None while it is open, ``how`` and ``by`` then ""."""

    group: str
    rule: str
    analyzer: str
    opened_at: datetime
    closed_at: datetime | None
    how: str
    by: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Reason:
    """The stops of one group and rule, by the rule that is shown first. ``waited``: from the stop to its end; ``oldest_open_at`` None where none is open."""

    group: str
    rule: str
    count: int
    open: int
    oldest_open_at: datetime | None
    waited: Spread
    how: Mapping[str, int]
    analyzers: Mapping[str, int]


@dataclass(frozen=True, kw_only=True, slots=True)
class Person:
    """What one named person put right, by how."""

    name: str
    how: Mapping[str, int]


def reasons_of(stops: Iterable[Stopped]) -> tuple[Reason, ...]:
    """Give the reasons, the most frequent first; of two that are as frequent, in the order of group and rule."""
    ordered = sorted(stops, key=lambda each: (each.group, each.rule))
    found = (_reason(tuple(together)) for _, together in groupby(ordered, key=lambda each: (each.group, each.rule)))
    return tuple(sorted(found, key=lambda each: -each.count))


def people_of(stops: Iterable[Stopped]) -> tuple[Person, ...]:
    """Give who put what right, in the order of their names."""
    closed = sorted((each for each in stops if each.closed_at is not None), key=lambda each: each.by)
    return tuple(
        Person(name=name, how=_counts(each.how for each in together))
        for name, together in groupby(closed, key=lambda each: each.by)
    )


def _reason(stops: Sequence[Stopped]) -> Reason:
    waiting = [each.opened_at for each in stops if each.closed_at is None]
    waited = Counter(max(0, (each.closed_at - each.opened_at) // _SECOND) for each in stops if each.closed_at is not None)
    return Reason(
        group=stops[0].group,
        rule=stops[0].rule,
        count=len(stops),
        open=len(waiting),
        oldest_open_at=min(waiting, default=None),
        waited=Spread(dict(waited)),
        how=_counts(each.how for each in stops if each.closed_at is not None),
        analyzers=_counts(each.analyzer for each in stops if each.analyzer),
    )


def _counts(words: Iterable[str]) -> Mapping[str, int]:
    """Count words, in the order of the alphabet."""
    return dict(sorted(Counter(words).items()))
