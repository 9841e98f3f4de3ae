"""Runs of numbers: by the plain definition, from a few rows, and of a month's days only those read again that changed."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.bench.gaps import NumberRun
from bridge.store.database import SqliteDb
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.histories import SINCE, Past, pasts, plain_runs, write
from tests.store.plans import plans
from tests.store.strips import NOW

MONTH_HOURS = 31 * 24
_NAMES = (f"mill-{number}" for number in itertools.count())


def _run(first: int, last: int, before: int | None, analyzer: str = "mill") -> NumberRun:
    return NumberRun(analyzer=analyzer, mode="all", series="2026-11-25", first=first, last=last, before=before)


@pytest.mark.parametrize(
    ("strips", "expected"),
    [
        ([], ()),
        ([Past("7", 1)], (_run(7, 7, None),)),  # nothing of the series came earlier: it begins here
        ([Past("6", 60), Past("7", 1)], (_run(7, 7, 6),)),
        ([Past("3", 60), Past("7", 1)], (_run(7, 7, 3),)),  # a hole at the window's beginning
        ([Past("3", 60), Past("7000", 1)], (_run(7000, 7000, 3),)),  # too wide for look-ups
        ([Past("3", 60), Past("6", 60, "superseded"), Past("7", 1)], (_run(7, 7, 3),)),
        (
            [Past("2", 1), Past("5", 60), Past("7", 1)],
            (_run(2, 2, None), _run(7, 7, 5)),
        ),  # an old number inside a hole of the window
        ([Past("9", 60), Past("4", 1)], (_run(4, 4, None),)),  # older numbers all stand above
        ([Past("9", 60)], ()),  # nothing of the series came lately
        ([Past("1", 1, series=""), Past("", 1), Past("1b", 1)], ()),
    ],
)
def test_runs_are_of_the_window_and_know_what_stands_before(
    store: SqliteStore, file: SqliteDb, strips: list[Past], expected: tuple[NumberRun, ...]
) -> None:
    """The numbers that came since, and before each run the nearest that ever came."""
    write(file, s.keep(store), "mill", strips)
    assert store.number_runs(since=SINCE) == expected
    assert plain_runs("mill", strips) == expected


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(strips=pasts)
def test_runs_are_those_of_the_plain_definition(store: SqliteStore, file: SqliteDb, strips: list[Past]) -> None:
    """Against reading every number that the analyzer ever had; each example is an analyzer of its own in one store."""
    name = next(_NAMES)
    write(file, s.keep(store), name, strips)
    assert tuple(run for run in store.number_runs(since=SINCE) if run.analyzer == name) == plain_runs(name, strips)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(strips=pasts, ended=st.integers(0, 47))
def test_runs_of_a_window_that_is_over_know_what_came_since(
    store: SqliteStore, file: SqliteDb, strips: list[Past], ended: int
) -> None:
    """A day of last week: a number that came later closes its gap, and begins no run of that day."""
    name, until = next(_NAMES), NOW - timedelta(hours=ended)
    write(file, s.keep(store), name, strips)
    found = tuple(run for run in store.number_runs(since=SINCE, until=until) if run.analyzer == name)
    assert found == plain_runs(name, strips, ended_hours_ago=ended)


# --- a month, of which a store keeps what its whole days brought

of_a_month = pasts.map(lambda strips: [replace(each, hours_ago=each.hours_ago * 9) for each in strips])  # 36 days


def month_of(store: SqliteStore, analyzer: str) -> tuple[NumberRun, ...]:
    return tuple(run for run in store.number_runs(since=NOW - timedelta(hours=MONTH_HOURS)) if run.analyzer == analyzer)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(strips=of_a_month, more=of_a_month, aside=st.integers(0, 30))
def test_a_month_that_was_looked_at_before_is_told_as_it_is_now(
    store: SqliteStore, file: SqliteDb, strips: list[Past], more: list[Past], aside: int
) -> None:
    """Strips that are judged late join a day long past, and one that is read again is set aside: nothing old is told."""
    name, capture_id = next(_NAMES), s.keep(store)
    write(file, capture_id, name, strips)
    assert month_of(store, name) == plain_runs(name, strips, began_hours_ago=MONTH_HOURS)
    write(file, capture_id, name, more)
    now = [*strips, *more]
    assert month_of(store, name) == plain_runs(name, now, began_hours_ago=MONTH_HOURS)
    ids = [row[0] for row in file.execute("SELECT id FROM strips WHERE analyzer = ? ORDER BY id", (name,))]
    for place in range(aside, len(now), 7):
        file.execute("UPDATE strips SET outcome = 'superseded' WHERE id = ?", (ids[place],))
        now[place] = replace(now[place], outcome="superseded")
    assert month_of(store, name) == plain_runs(name, now, began_hours_ago=MONTH_HOURS)


def read_days(store: SqliteStore) -> list[str]:
    """Give the beginning of each time whose strips a look at the month reads."""
    said: list[str] = []
    store._reader().set_trace_callback(said.append)
    try:
        month_of(store, "mill")
    finally:
        store._reader().set_trace_callback(None)
    return [query.split("arrived_at >= '")[1][:10] for query in said if "group_concat" in query]


def test_only_the_days_that_changed_are_read_again(store: SqliteStore, file: SqliteDb) -> None:
    """A month may hold 90,000 strips (65 ms); the page Numbers is looked at all day."""
    assert NOW.date().isoformat() == "2026-11-25"
    capture_id = s.keep(store)
    write(file, capture_id, "mill", [Past(str(number), hours_ago=24 * number) for number in range(35)])
    assert len(read_days(store)) == 33  # both ends and 31 days between
    ends = ["2026-10-25", "2026-11-26"]
    assert read_days(store) == ends
    write(file, capture_id, "mill", [Past("99", hours_ago=24 * 10)])
    assert read_days(store) == [ends[0], "2026-11-15", ends[1]]
    assert read_days(store) == ends


def test_a_time_of_years_keeps_nothing(store: SqliteStore, file: SqliteDb) -> None:
    """Who asks for everything gets it in one query; days long past are not held in memory for it."""
    write(file, s.keep(store), "mill", [Past("7", hours_ago=24 * 1000), Past("9", hours_ago=1)])
    assert store.number_runs(since=NOW - timedelta(days=2000)) == (_run(7, 7, None), _run(9, 9, 7))
    assert store._days_read == {}


@pytest.mark.parametrize("index", ["strips_arrived", "strips_number", "strips_seldom"])
def test_a_month_of_numbers_is_found_by_indexes(store: SqliteStore, index: str) -> None:
    """Strips grow for years; Today and Numbers must not walk through them, and of what never changes only the index is looked at."""
    s.post(store, "7")
    lines = plans(store, lambda: store.number_runs(since=NOW - timedelta(hours=MONTH_HOURS)))
    assert any(f"INDEX {index}" in line for line in lines), lines
    assert [line for line in lines if line.startswith("SCAN ")] == []
