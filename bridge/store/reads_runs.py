"""The numbers that arrived in a time, as runs without a hole. A month of them is read once; later looks read the days that changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from functools import cached_property
from itertools import pairwise

from bridge.bench.gaps import NumberRun, stretches
from bridge.store.codec import when
from bridge.store.database import Db
from bridge.store.snapshots import one_snapshot

_ARRIVED = (
    "SELECT analyzer, mode, series, group_concat(number, ',') FROM strips INDEXED BY strips_arrived"
    " WHERE arrived_at >= ? AND arrived_at < ? AND series <> '' AND number <> '' AND outcome <> 'superseded'"
    " GROUP BY analyzer, mode, series"
)
# What tells that a day is as it was: its strips, by the index alone, and all that were ever set aside. A strip's number never changes.
_OF_DAY = "SELECT count(*), sum(id) FROM strips INDEXED BY strips_arrived WHERE arrived_at >= ? AND arrived_at < ?"
_SET_ASIDE = "SELECT count(*), sum(id) FROM strips INDEXED BY strips_seldom WHERE outcome <> 'coded' AND outcome = 'superseded'"
_NEWEST = "SELECT max(arrived_at) FROM strips"
_OF_SERIES = "analyzer = ? AND mode = ? AND series = ? AND outcome <> 'superseded'"
_EVER = "~"  # sorts behind every time
AT_ONCE = 64  # ours: numbers that one look-up asks for; most holes are of one or two
FARTHEST = 1_024  # ours: numbers looked up one by one below a hole; past that it is quicker to read the series once
MOST_DAYS = (
    64  # ours: two months, in which a list of missing numbers ends; a longer time is read whole, and nothing of it is kept
)
_DAY = timedelta(days=1)

_Series = tuple[str, str, str]  # analyzer, mode, series
_Stretches = Sequence[tuple[int, int]]  # first and last of each run, rising
_Window = tuple[str | None, str | None]  # from then, and before then, as stored


class RunReads:
    """The reads of numbers in use; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @cached_property
    def _days_read(self) -> dict[str, tuple[object, Mapping[_Series, _Stretches]]]:
        """Keep what whole days brought, by their beginning, each with what tells whether it is still so."""
        return {}

    @one_snapshot
    def number_runs(self, *, since: datetime, until: datetime | None = None) -> tuple[NumberRun, ...]:
        """Give the numbers that arrived since ``since``, and before ``until``, as runs without a hole, in order of analyzer, mode, series, number; copies too, what was set aside not."""
        return self._runs_within((when(since), when(until) or _EVER))

    def _runs_within(self, window: _Window) -> tuple[NumberRun, ...]:
        found: dict[_Series, list[tuple[int, int]]] = {}
        for part in self._parts(window):
            for key, runs in part.items():
                found.setdefault(key, []).extend(runs)
        return tuple(run for key in sorted(found) for run in self._runs(key, _joined(found[key]), window))

    def _parts(self, window: _Window) -> Iterator[Mapping[_Series, _Stretches]]:
        """Give what the window brought: its whole days, by UTC, as they were read before where nothing changed, and what is left at its ends."""
        since, until = window
        days = self._whole_days(window)
        if not days:
            yield self._read(window)
            return
        aside = self._db().execute(_SET_ASIDE).fetchone()
        yield self._read((since, days[0]))
        for begin, end in pairwise(days):
            yield self._read_once((begin, end), aside)
        yield self._read((days[-1], until))
        for begin in sorted(self._days_read)[:-MOST_DAYS]:
            self._days_read.pop(begin, None)

    def _whole_days(self, window: _Window) -> list[str]:
        """Give the midnights of the window, as stored; none where there are too few or too many to be worth it."""
        since, until = window[0] or "", window[1] or ""
        newest = self._db().execute(_NEWEST).fetchone()[0] or ""
        first = _midnight(since) if _midnight(since) >= since else _midnight(since, _DAY)
        last = min(_midnight(newest, _DAY), _midnight(until)) if until != _EVER and newest else _midnight(newest, _DAY)
        days: list[str] = []
        while first <= last and len(days) <= MOST_DAYS:
            days.append(first)
            first = _midnight(first, _DAY)
        return days if 2 < len(days) <= MOST_DAYS else []

    def _read_once(self, day: tuple[str, str], aside: object) -> Mapping[_Series, _Stretches]:
        stamp = (aside, self._db().execute(_OF_DAY, day).fetchone())
        kept = self._days_read.get(day[0])
        if kept is not None and kept[0] == stamp:
            return kept[1]
        found = self._read(day)
        self._days_read[day[0]] = stamp, found
        return found

    def _read(self, window: _Window) -> Mapping[_Series, _Stretches]:
        found = self._db().execute(_ARRIVED, window).fetchall()
        return {(analyzer, mode, series): tuple(stretches(_numbers(together))) for analyzer, mode, series, together in found}

    def _runs(self, key: _Series, found: Iterable[tuple[int, int]], window: _Window) -> Iterator[NumberRun]:
        """Give the runs of one series; what stands before each may have arrived long before the window, or since."""
        analyzer, mode, series = key
        floor: int | None = None
        for first, last in found:
            before = self._before(key, first, floor, window)
            yield NumberRun(analyzer=analyzer, mode=mode, series=series, first=first, last=last, before=before)
            floor = last

    def _before(self, key: _Series, number: int, floor: int | None, window: _Window) -> int | None:
        """Give the nearest number of the series below ``number``; ``floor`` is the nearest one of the window, None where there is none.

        By look-ups of one number, nearest first: a hole is small, and a series may be years long.
        """
        lowest = 0 if floor is None else floor + 1
        asked = range(max(lowest, number - 1), number)
        while asked and number - asked.start <= FARTHEST:
            if found := self._used(key, asked):
                return max(found)
            if floor is None and asked.stop == number and not self._is_longer(key, window):
                return None
            asked = range(max(lowest, asked.start - AT_ONCE), asked.start)
        return max((each for each in self._all_used(key) if lowest <= each < asked.stop), default=floor) if asked else floor

    def _used(self, key: _Series, numbers: range) -> list[int]:
        marks = ", ".join("?" * len(numbers))
        query = f"SELECT number FROM strips INDEXED BY strips_number WHERE {_OF_SERIES} AND number IN ({marks})"
        return [int(number) for (number,) in self._db().execute(query, (*key, *map(str, numbers)))]

    def _is_longer(self, key: _Series, window: _Window) -> bool:
        """Say whether something of a series arrived outside the window; its first strips by id are its oldest but for what was judged again."""
        outside = "(arrived_at < ? OR arrived_at >= ?)"
        query = f"SELECT 1 FROM strips INDEXED BY strips_series WHERE {_OF_SERIES} AND {outside} AND number <> '' LIMIT 1"
        return self._db().execute(query, (*key, *window)).fetchone() is not None

    def _all_used(self, key: _Series) -> Iterator[int]:
        query = f"SELECT number FROM strips INDEXED BY strips_series WHERE {_OF_SERIES}"
        return iter(_numbers(",".join(number for (number,) in self._db().execute(query, key))))


def _joined(found: Iterable[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """Give stretches of which some lie over or beside each other as those that do not, rising."""
    at: tuple[int, int] | None = None
    for first, last in sorted(found):
        if at is None or first > at[1] + 1:
            if at is not None:
                yield at
            at = first, last
        else:
            at = at[0], max(at[1], last)
    if at is not None:
        yield at


def _midnight(moment: str, later: timedelta = timedelta()) -> str:
    """Give the beginning of a stored moment's day by UTC, or of one ``later``; "" for none."""
    return f"{date.fromisoformat(moment[:10]) + later}T00:00:00.000000Z" if moment else ""


def _numbers(together: str) -> list[int]:
    """Give the numbers of a text with commas, each once, in order; what is none is left out."""
    return sorted({int(number) for number in together.split(",") if number.isascii() and number.isdecimal()})
