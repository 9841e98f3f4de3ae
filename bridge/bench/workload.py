"""Who read how many strips, hour by hour and shift by shift, by the operator's number on the strip. Nobody is ranked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

from bridge.model import Purpose


class Handled(NamedTuple):  # a tuple, since thousands are made for a day
    """One strip as it was understood last. ``outcome`` as store.rows.StripRow's; ``read_at`` is the time on the strip, or its arrival where it bears none.

    ``rules`` are the ids of everything that was found of it, notes too.
    """

    analyzer: str
    operator: str
    purpose: Purpose
    outcome: str
    read_at: datetime
    arrived_at: datetime
    rules: frozenset[str]


class Hand(NamedTuple):
    """A number at one analyzer; "" where the strip bears none."""

    analyzer: str
    operator: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Load:
    """What one number read: patients' strips and others, by hour of the site's clock (0 to 23)."""

    patients: Mapping[int, int]
    others: Mapping[int, int]

    @property
    def strips(self) -> int:
        """Count all of them."""
        return sum(self.patients.values()) + sum(self.others.values())


@dataclass(frozen=True, kw_only=True, slots=True)
class Shift:
    """A part of the day: it begins at ``begins`` and ends where the next one begins."""

    begins: time
    hours: frozenset[int]


# A second record of a strip that was read once, and what gave no strip at all
_NOT_READ = frozenset({"copy", "unreadable"})


def loads_of(strips: Iterable[Handled], zone: ZoneInfo) -> Mapping[Hand, Load]:
    """Count strips by number, in the order of analyzer and number; copies are left out, and what could not be read bears no number."""
    found: dict[Hand, tuple[Counter[int], Counter[int]]] = {}
    for strip in strips:
        if strip.outcome in _NOT_READ:
            continue
        patients, others = found.setdefault(Hand(strip.analyzer, strip.operator), (Counter(), Counter()))
        (patients if strip.purpose is Purpose.PATIENT else others)[strip.read_at.astimezone(zone).hour] += 1
    return {hand: Load(patients=dict(of[0]), others=dict(of[1])) for hand, of in sorted(found.items())}


def added(days: Iterable[Mapping[Hand, Load]]) -> Mapping[Hand, Load]:
    """Add the loads of days up."""
    found: dict[Hand, tuple[Counter[int], Counter[int]]] = {}
    for day in days:
        for hand, load in day.items():
            patients, others = found.setdefault(hand, (Counter(), Counter()))
            patients.update(load.patients)
            others.update(load.others)
    return {hand: Load(patients=dict(of[0]), others=dict(of[1])) for hand, of in sorted(found.items())}


def shifts_of(begins: Sequence[time]) -> tuple[Shift, ...]:
    """Cut the day at the site's shifts, in their order; none where it has named none. Hours belong to the shift in which they begin."""
    if not begins:
        return ()
    hours = [each.hour + bool(each.minute or each.second) for each in sorted(begins)]
    ends = pairwise([*hours, hours[0] + 24])
    return tuple(
        Shift(begins=each, hours=frozenset(hour % 24 for hour in range(first, last)))
        for each, (first, last) in zip(sorted(begins), ends, strict=True)
    )
