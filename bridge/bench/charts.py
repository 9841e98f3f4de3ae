"""Figures of controls over time that are honest for grades: how many steps off, how often, on which side.

Grades are ranks without distances, so there is no mean, standard deviation, z or kappa of them here. A share always comes with its
interval and its n.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from itertools import groupby
from math import sqrt
from statistics import NormalDist

from bridge.tables.control_table import DriftRule

COVERAGE = 0.95  # ours: the customary 95 % interval


class Side(StrEnum):
    """On which side of what is expected."""

    LOW = "low"
    HIGH = "high"


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlledPad:
    """One pad of one control strip that could be compared: ``offset`` in steps, 0 within the range, negative below it."""

    at: datetime
    strip_id: int
    pad: str
    level: str
    lot: str
    offset: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Interval:
    """The two ends of a share's interval, each between 0 and 1."""

    low: float
    high: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Counts:
    """How many runs of a pad were exact, one step off, and two or more."""

    exact: int
    one: int
    more: int

    @property
    def n(self) -> int:
        """Count the runs."""
        return self.exact + self.one + self.more

    @property
    def exact_share(self) -> Interval | None:
        """Give the interval of the share of exact runs; None without runs."""
        return wilson(self.exact, self.n) if self.n else None

    @property
    def within_one_share(self) -> Interval | None:
        """Give the interval of the share of runs at most one step off; None without runs."""
        return wilson(self.exact + self.one, self.n) if self.n else None


@dataclass(frozen=True, kw_only=True, slots=True)
class PadChart:
    """One pad and level over time, oldest first, all lots in one line. ``by_lot`` counts each lot apart; ``drift`` is told of the last runs."""

    pad: str
    level: str
    points: tuple[ControlledPad, ...]
    by_lot: Mapping[str, Counts]
    counts: Counts
    drift: Side | None


def wilson(found: int, n: int, *, coverage: float = COVERAGE) -> Interval:
    """Give the score interval of a share, without correction for continuity (E. B. Wilson, J Am Stat Assoc 1927;22:209-212).

    Raises ValueError unless 0 <= found <= n, n is at least 1 and coverage lies between 0 and 1.
    """
    if not 0 <= found <= n or n < 1 or not 0 < coverage < 1:
        raise ValueError(f"there is no interval of coverage {coverage} for {found} of {n}")
    z = NormalDist().inv_cdf((1 + coverage) / 2)
    share = found / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z * sqrt(share * (1 - share) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    # at both ends the formula gives 0 or 1 exactly, and the machine's numbers do not
    return Interval(low=0.0 if found == 0 else middle - half, high=1.0 if found == n else middle + half)


def counted(offsets: Iterable[int]) -> Counts:
    """Count offsets by size."""
    sizes = [abs(offset) for offset in offsets]
    exact, one = sizes.count(0), sizes.count(1)
    return Counts(exact=exact, one=one, more=len(sizes) - exact - one)


def drift(offsets: Sequence[int], rule: DriftRule) -> Side | None:
    """Say on which side enough of the last runs lie off; None if on neither. ``offsets``: oldest first.

    Where both sides have enough, the side with more is told, and of two equal ones the side of the newest run that is off.
    """
    last = offsets[-rule.of :]
    low, high = sum(offset < 0 for offset in last), sum(offset > 0 for offset in last)
    if max(low, high) < rule.off:
        return None
    if low == high:
        newest = next(offset for offset in reversed(last) if offset)
        return Side.LOW if newest < 0 else Side.HIGH
    return Side.LOW if low > high else Side.HIGH


def pad_charts(runs: Iterable[ControlledPad], rule: DriftRule) -> tuple[PadChart, ...]:
    """Give a chart for each pad and level, in the order of their names; points by time, then by strip."""
    ordered = sorted(runs, key=lambda each: (each.pad, each.level, each.at, each.strip_id))
    return tuple(
        _chart(pad, level, tuple(group), rule)
        for (pad, level), group in groupby(ordered, key=lambda each: (each.pad, each.level))
    )


def _chart(pad: str, level: str, points: tuple[ControlledPad, ...], rule: DriftRule) -> PadChart:
    lots = dict.fromkeys(point.lot for point in points)
    return PadChart(
        pad=pad,
        level=level,
        points=points,
        by_lot={lot: counted(point.offset for point in points if point.lot == lot) for lot in lots},
        counts=counted(point.offset for point in points),
        drift=drift([point.offset for point in points], rule),
    )
