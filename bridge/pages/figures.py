"""The figures of days, kept in memory once they are reckoned: a month is added up from its days, and strips are walked through once.

A day is reckoned anew when a strip of it was judged, judged again or corrected since, and every few minutes while something of it is open.
Nothing of it is stored: what is reckoned again cannot differ from what it is of.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from types import MappingProxyType
from zoneinfo import ZoneInfo

from bridge.bench import workload
from bridge.bench.gaps import Gap, gaps_before
from bridge.bench.indicators import sums_of
from bridge.bench.period import Period, begin_of
from bridge.bench.stop_figures import Stopped
from bridge.bench.turnaround import Times, times_of
from bridge.bench.turnaround import added as times_added
from bridge.bench.workload import Hand, Handled, Load, loads_of
from bridge.store.api import Store
from bridge.tables.types import NumberScheme

MOST_DAYS = 70  # ours: this month and the last, and some days; of a busy site some 20 megabytes
LIVE = timedelta(seconds=10)  # ours: a day under way, or with something open, is as old at most
OPEN_LIVES = timedelta(minutes=5)  # ours: the same for a day that is over, of which a month may have thirty
AT_ONCE = 20_000  # ours: strips that came since the last look; past that all days are looked at anew
OVERLAP = 500  # ours: ids are given before a commit; another process's transaction is over long before as many more strips
UNSETTLED = frozenset({"held", "rejected", "unreadable", "waiting"})  # outcomes that a person may still change, in the row itself


@dataclass(frozen=True, kw_only=True, slots=True)
class DayFigures:
    """One day by arrival, as it was at ``at``. ``sums`` are bench.indicators'. ``is_settled``: nothing of it waits for a person, for controls or for a receiver."""

    day: date
    at: datetime
    times: Times
    loads: Mapping[Hand, Load]
    sums: Mapping[str, int]
    stops: tuple[Stopped, ...]
    is_settled: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class PeriodFigures:
    """The days of a period and what they come to. ``as_of``: nothing that changed later is in it."""

    days: tuple[DayFigures, ...]
    times: Times
    loads: Mapping[Hand, Load]
    sums: Mapping[str, int]
    as_of: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class UsedNumbers:
    """What a period's analyzers used of their numbers, as it was at ``at``: how many came, and what was passed over."""

    at: datetime
    came: int
    gaps: tuple[Gap, ...]


class FigureBook:
    """Reckons days and keeps them. Pages ask from several threads: one of them reckons at a time."""

    def __init__(
        self,
        store: Store,
        zone: ZoneInfo,
        now: Callable[[], datetime],
        *,
        schemes: Mapping[str, NumberScheme] = MappingProxyType({}),
    ) -> None:
        """``schemes`` says by analyzer how it numbers its strips."""
        self._store = store
        self._zone = zone
        self._schemes = schemes
        self._now = now
        self._days: dict[date, DayFigures] = {}
        self._sums: dict[str, PeriodFigures] = {}
        self._numbers: dict[str, UsedNumbers] = {}
        self._newest = 0
        self._seen = frozenset[int]()
        self._turn = threading.Lock()

    def of(self, period: Period) -> PeriodFigures:
        """Give a period's figures; days that are still to come are left out."""
        now = self._now()
        today = now.astimezone(self._zone).date()
        with self._turn:
            self._forget_changed()
            days = tuple(self._day(day, now, today) for day in period.days if day <= today)
            known = self._sums.get(period.name)
            if known is None or known.days != days:
                known = PeriodFigures(
                    days=days,
                    times=times_added(each.times for each in days),
                    loads=workload.added(each.loads for each in days),
                    sums=sum((Counter(each.sums) for each in days), Counter()),
                    as_of=min((each.at for each in days if not each.is_settled), default=now),
                )
                if len(self._sums) >= MOST_DAYS:
                    self._sums.clear()
                self._sums[period.name] = known
            return known

    def numbers(self, period: Period) -> UsedNumbers:
        """Give the numbers that were used in a period. A missing one may arrive on any later day, so they are looked at anew after a while."""
        now = self._now()
        since, until = period.bounds(self._zone)
        with self._turn:
            known = self._numbers.get(period.name)
            if known is None or now - known.at >= (LIVE if until > now else OPEN_LIVES):
                runs = self._store.number_runs(since=since, until=until)
                came = sum(run.last - run.first + 1 for run in runs)
                known = UsedNumbers(at=now, came=came, gaps=gaps_before(runs, self._schemes))
                if len(self._numbers) >= MOST_DAYS:
                    self._numbers.clear()
                self._numbers[period.name] = known
            return known

    def _forget_changed(self) -> None:
        """Forget the days of strips that came since the last look."""
        if not self._days:
            self._newest = self._store.news(after_stop=0, after_strip=0).last_strip
        newer = self._store.arrivals_behind(self._newest - OVERLAP, limit=AT_ONCE)
        if len(newer) == AT_ONCE:
            self._days.clear()
        for strip_id, arrived_at in newer:
            if strip_id not in self._seen:
                self._days.pop(arrived_at.astimezone(self._zone).date(), None)
        self._seen = frozenset(strip_id for strip_id, _ in newer)
        self._newest = max((self._newest, *self._seen))

    def _day(self, day: date, now: datetime, today: date) -> DayFigures:
        known = self._days.get(day)
        if known is not None and (known.is_settled or now - known.at < (LIVE if day == today else OPEN_LIVES)):
            return known
        if len(self._days) >= MOST_DAYS:
            self._days.pop(next(iter(self._days)))
        self._days[day] = found = self._reckoned(day, now)
        return found

    def _reckoned(self, day: date, now: datetime) -> DayFigures:
        since, until = begin_of(day, self._zone), begin_of(day + timedelta(days=1), self._zone)
        travelled = self._store.travelled(since=since, until=until)
        handled = self._store.handled(since=since, until=until)
        stops = self._store.stopped(since=since, until=until)
        return DayFigures(
            day=day,
            at=now,
            times=times_of(travelled, self._zone),
            loads=loads_of(handled, self._zone),
            sums=sums_of(handled),
            stops=stops,
            is_settled=_is_settled(handled, stops) and all(way.is_over for strip in travelled for way in strip.ways),
        )


def _is_settled(handled: tuple[Handled, ...], stops: tuple[Stopped, ...]) -> bool:
    return not any(strip.outcome in UNSETTLED for strip in handled) and not any(stop.closed_at is None for stop in stops)
