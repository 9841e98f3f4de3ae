"""What the pages ask of what is stopped: filters, order and paging. What every store must answer alike: stop_contract.py."""

from __future__ import annotations

from datetime import timedelta

from bridge.lifecycle.states import DestinationState, StopEnd, StopGroup
from bridge.model import Actor, Priority
from bridge.signals.kinds import Kind
from bridge.store.commands import MuteSignals, NoteRefusedFile, SetDestination
from bridge.store.reads_stops import MOST_NEWS
from bridge.store.rows import News, StopSearch
from bridge.store.sqlite import SqliteStore
from bridge.store.today_commands import PauseDestination
from tests.store import strips as s
from tests.store.plans import plans
from tests.store.signal_contract import OPENED, keep
from tests.store.strips import NOW, later


def _held(store: SqliteStore, number: str, *rules: str, stat: bool = False) -> int:
    of = s.reading(number)
    found = [s.finding(rule) for rule in rules or ("copy.doubt",)]
    priority = Priority.STAT if stat else Priority.ROUTINE
    stop_id = s.record(store, of, s.held(of, *found, priority=priority)).stop_id
    assert stop_id is not None
    return stop_id


def _refused_file(store: SqliteStore, at: float = 0) -> int:
    noted = NoteRefusedFile(
        source="drops", name=f"{at}.bin", digest="f" * 64, size=9, beginning=b"x", sentence="S.", remedy="R.", at=later(at)
    )
    stop_id: int = store.submit(noted).result(s.WAIT)
    return stop_id


def test_stops_come_newest_first_in_pages_and_by_what_is_asked(store: SqliteStore) -> None:
    """Group, rule, priority, open or closed; a page begins behind the last row of the one before."""
    one, two, three = _held(store, "1", "a.a"), _held(store, "2", "b.b", stat=True), _held(store, "3", "a.a")
    four = s.record(store, s.reading("4"), s.rejected(None, "c.c")).stop_id
    assert four is not None
    file = _refused_file(store)

    def found(**asked: object) -> list[int]:
        return [stop.stop_id for stop in store.stops(**asked)]  # type: ignore[arg-type]  # the parameters vary by row

    assert found() == [file, four, three, two, one]
    assert found(limit=2) == [file, four]
    assert found(before=four, limit=2) == [three, two]
    assert found(group=StopGroup.HELD) == [three, two, one]
    assert found(rule="a.a") == [three, one]
    assert found(priority=Priority.STAT) == [two]
    assert found(priority=Priority.ROUTINE, rule="receive.refused") == [file]
    s.close(store, three, StopEnd.DISCARDED)
    assert found(rule="a.a") == [one]
    assert found(is_open=False) == [three]
    assert store.open_stops() == {StopGroup.HELD: 2, StopGroup.REJECTED: 2, StopGroup.REFUSED: 0}
    assert store.open_reasons() == (
        (StopGroup.HELD, "a.a", 1),
        (StopGroup.HELD, "b.b", 1),
        (StopGroup.REJECTED, "c.c", 1),
        (StopGroup.REJECTED, "receive.refused", 1),
    )
    assert store.stop(999) is None


def test_urgent_stops_come_stat_first_then_the_longest_waiting(store: SqliteStore) -> None:
    """Page by page the same order, even where the last row shown has been closed since."""
    numbers = [_held(store, str(n), stat=n in (2, 4)) for n in range(1, 6)]
    one, two, three, four, five = numbers
    order = [two, four, one, three, five]
    assert [stop.stop_id for stop in store.urgent_stops()] == order
    assert [stop.stop_id for stop in store.urgent_stops(StopSearch(priority=Priority.STAT))] == [two, four]
    for place, shown in enumerate(order):
        assert [stop.stop_id for stop in store.urgent_stops(after=shown)] == order[place + 1 :]
    s.close(store, four, StopEnd.DISCARDED)
    assert [stop.stop_id for stop in store.urgent_stops(after=four)] == [one, three, five]
    assert [stop.stop_id for stop in store.urgent_stops(StopSearch(group=StopGroup.HELD), after=four, limit=1)] == [one]


def test_news_counts_what_came_since(store: SqliteStore) -> None:
    """Closed stops and superseded strips are no news; the newest ids are those of the same look."""
    standing = store.news(after_stop=0, after_strip=0).standing
    assert store.news(after_stop=0, after_strip=0) == News(stops=0, strips=0, last_stop=0, last_strip=0, standing=standing)
    first = _held(store, "1")
    s.post(store, "R2")
    assert store.news(after_stop=0, after_strip=0) == News(stops=1, strips=2, last_stop=first, last_strip=2, standing=standing)
    assert store.news(after_stop=first, after_strip=1) == News(
        stops=0, strips=1, last_stop=first, last_strip=2, standing=standing
    )
    s.close(store, first, StopEnd.DISCARDED)
    assert store.news(after_stop=0, after_strip=2) == News(stops=0, strips=0, last_stop=first, last_strip=2, standing=standing)
    assert MOST_NEWS == 1_000


def test_news_has_another_mark_when_receivers_pauses_signals_or_mutes_stand_otherwise(store: SqliteStore) -> None:
    """HZ-H01: an open Today is told of a receiver that went down; the same standing has the same mark, so nothing is told twice."""
    marks = [store.news(after_stop=0, after_strip=0).standing]
    store.submit(SetDestination(name="chart", state=DestinationState.CLOSED, reason="401", at=NOW)).result()
    marks.append(store.news(after_stop=0, after_strip=0).standing)
    keep(store, OPENED, at=NOW)
    marks.append(store.news(after_stop=0, after_strip=0).standing)
    who = Actor(name="Ana", verified="unverified")
    store.submit(MuteSignals(kind=Kind.STAT, until=NOW + timedelta(hours=1), actor=who, reason="x", at=NOW)).result()
    marks.append(store.news(after_stop=0, after_strip=0).standing)
    store.submit(PauseDestination(destination="records", actor=who, reason="x", at=NOW)).result()
    marks.append(store.news(after_stop=0, after_strip=0).standing)
    assert len(set(marks)) == 5
    assert store.news(after_stop=9, after_strip=9).standing == marks[-1]


def test_a_list_of_what_is_open_touches_no_strip_that_went(store: SqliteStore) -> None:
    """However many results there are, only open stops are walked, and of each the strip and the delivery by their keys."""
    asked = plans(store, lambda: (store.urgent_stops(StopSearch(analyzer="brook-1")), store.stop_counts((NOW,))))
    assert [step for step in asked if step.startswith("SCAN")] == ["SCAN t USING INDEX stops_open"] * 2
