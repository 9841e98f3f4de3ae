"""The search over real tables, by an index for each kind; tests/pages/test_where.py asks it by its page."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.lifecycle.states import StopEnd
from bridge.model import NonPatient
from bridge.store import reads_found
from bridge.store.rows import FoundBy, NearNumber
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store", now=lambda: s.later(60))
    yield opened
    opened.close()


def test_each_strip_once_newest_first(store: SqliteStore) -> None:
    """One whose number is another's patient ID is found as both, each under its own kind; a stop is named with its strip."""
    s.post(store, "4711", patient="99")
    s.post(store, "8", patient="4711")
    held = s.record(store, s.reading("9"), s.held(s.reading("9")))
    found = store.find_strips("4711", limit=20)
    assert [(each.kind, each.strip.number, each.stop_id) for each in found] == [
        (FoundBy.PATIENT, "9", held.stop_id),
        (FoundBy.PATIENT, "8", None),
        (FoundBy.NUMBER, "4711", None),
    ]
    assert [each.strip.number for each in store.find_strips("4711", limit=0)] == ["9", "4711"]
    assert store.find_strips("471", limit=20) == ()
    (by_control,) = store.find_strips("8rec", limit=20)
    assert (by_control.kind, by_control.strip.number) == (FoundBy.CONTROL_ID, "8")


def _between(store: SqliteStore, first: float, last: float, *, limit: int = 9) -> list[tuple[FoundBy, str]]:
    found = store.strips_between(s.later(first), s.later(last), limit=limit)
    return [(each.kind, each.strip.number) for each in found]


def test_a_strip_is_found_by_when_it_was_run_and_when_it_came(store: SqliteStore) -> None:
    """A day in an analyzer's memory may lie between the two; each strip once, and a correction of the time counts as what was printed does."""
    for number, at in (("1", s.later(-240)), ("2", s.NOW), ("3", None)):
        of = s.reading(number)
        s.record(store, of, NonPatient(checked=s.checked(of, at=at)))
    of = s.reading("4")
    held = s.record(store, of, s.held(of, at=s.later(-500)))
    assert _between(store, -241, -239) == [(FoundBy.RUN_AT, "1")]
    assert _between(store, 0, 1) == [
        (FoundBy.RUN_AT, "2"),
        (FoundBy.TIME, "4"),
        (FoundBy.TIME, "1"),
        (FoundBy.TIME, "3"),
    ]
    assert _between(store, 1, 9) == []
    assert len(_between(store, 0, 1, limit=1)) == 2
    assert _between(store, -501, -499) == [(FoundBy.RUN_AT, "4")]
    assert held.stop_id is not None
    s.close(store, held.stop_id, StopEnd.TIME_CORRECTED, who=s.BO, analyzed_at=s.later(-100))
    assert _between(store, -101, -99) == [(FoundBy.RUN_AT, "4")]


def test_the_nearest_numbers_of_each_analyzer(store: SqliteStore) -> None:
    """Below and above, no further than asked, and nothing from long ago."""
    for number in ("1", "7", "9", "12", "30"):
        s.post(store, number)
    near = [NearNumber(analyzer="brook-1", number=number, arrived_at=s.NOW) for number in (9, 12)]
    assert list(store.numbers_near(10, reach=5, since=s.NOW)) == near
    assert list(store.numbers_near(10, reach=1, since=s.NOW)) == near[:1]
    assert store.numbers_near(10, reach=5, since=s.later(1)) == ()


def test_every_look_is_into_an_index(store: SqliteStore) -> None:
    """SQLite's own plan names no walk through all strips or deliveries."""
    db = store._db()
    for _, query, times in reads_found._KINDS:
        plan = db.execute(f"EXPLAIN QUERY PLAN SELECT id FROM strips WHERE id IN ({query})", ["x"] * times).fetchall()
        steps = [str(step[3]) for step in plan]
        assert not [
            step for step in steps if step.startswith("SCAN") and "SUBQUERY" not in step and "strips USING" not in step
        ], steps
        assert not [step for step in steps if step.startswith("SCAN strips")], steps
    for _, query, times in reads_found._MOMENTS:
        plan = db.execute(f"EXPLAIN QUERY PLAN {query}", ["x", "x", 9] * times).fetchall()
        walked = [str(step[3]) for step in plan if str(step[3]).startswith("SCAN")]
        assert set(walked) <= {"SCAN printed", "SCAN corrected", "SCAN came", "SCAN (subquery-1)", "SCAN (subquery-3)"}, walked
