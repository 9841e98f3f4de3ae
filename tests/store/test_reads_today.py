"""What Today asks: analyzers, receivers, and the sums of a day; each from a few rows, however much is stored."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest

from bridge.bench.corrections import Kind
from bridge.bench.feed import Came
from bridge.lifecycle.states import StopEnd
from bridge.model import Answer, Coded, DeliveryState, Severity
from bridge.store.commands import NoteRefusedFile
from bridge.store.rows import DaySent
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.correction_contract import change
from tests.store.histories import SINCE
from tests.store.plans import plans
from tests.store.strips import NOW, later

LISBON = ZoneInfo("Europe/Lisbon")
DAY = date(2026, 11, 25)


def _refused_file(store: SqliteStore, at: float = 0) -> int:
    noted = NoteRefusedFile(
        source="drops", name=f"{at}.bin", digest="f" * 64, size=9, beginning=b"x", sentence="S.", remedy="R.", at=later(at)
    )
    stop_id: int = store.submit(noted).result(s.WAIT)
    return stop_id


def test_analyzers_say_when_they_last_spoke_and_what_waits(store: SqliteStore) -> None:
    """By name, each once, also one whose first capture is still to be judged."""
    assert store.analyzers() == ()
    s.post(store, "R1")
    s.record(store, s.reading("9", analyzer="tern-1"), s.rejected(None))
    s.keep(store)
    s.keep(store, analyzer="alder-1")
    told = [(row.analyzer, row.last_strip_at, row.last_number, row.waiting_to_be_judged) for row in store.analyzers()]
    assert told == [("alder-1", None, "", 1), ("brook-1", NOW, "R1", 1), ("tern-1", NOW, "9", 0)]


def test_the_last_strip_is_the_one_that_came_last(store: SqliteStore) -> None:
    """A correction, a withdrawal or a reading anew writes a row of an old strip: nothing came then."""
    (first,) = s.post(store, "1").delivery_ids
    s.attempt(store, first, Answer.ACCEPTED)
    s.post(store, "2")
    change(store, "1", Kind.CORRECTED)
    change(store, "1", Kind.WITHDRAWN)
    assert [row.last_number for row in store.analyzers()] == ["2"]
    change(store, "2", Kind.WITHDRAWN)
    s.keep(store)
    assert [row.last_number for row in store.analyzers()] == ["2"]


def _numbers(store: SqliteStore, day: date) -> list[str]:
    return [number for group in store.day(day, LISBON).groups for _, number in group.strips]


def test_a_strip_in_error_says_so_whatever_else_was_wrong(store: SqliteStore) -> None:
    """Its number was used and gave no reading, once it is discarded too; another rejected strip names no rule."""
    fault, other = s.reading("7"), s.reading("8")
    stopped = s.record(store, fault, s.rejected(fault, "patient.missing", "analyzer.fault"))
    s.record(store, other, s.rejected(other, "patient.missing"))
    rules = {group.outcome: group.rules for group in store.day(DAY, LISBON).groups if group.strips[0][1] == "7"}
    assert rules == {"rejected": ("patient.missing", "analyzer.fault")}
    assert [group.rules for group in store.day(DAY, LISBON).groups if group.strips[0][1] == "8"] == [()]
    assert stopped.stop_id is not None
    s.close(store, stopped.stop_id, StopEnd.DISCARDED)
    rules = {group.outcome: group.rules for group in store.day(DAY, LISBON).groups if group.strips[0][1] == "7"}
    assert rules == {"discarded": ("patient.missing", "analyzer.fault")}


def test_destinations_count_what_is_open_turned_away_and_lately_received(store: SqliteStore) -> None:
    """Of what was received only the last days are counted; what waits or stands turned away is counted whole."""
    for number, (at, answer) in enumerate(
        ((-2_000, Answer.ACCEPTED), (-1, Answer.ACCEPTED), (-3_000, Answer.REFUSED), (-1, None))
    ):
        of, made = s.reading(str(number), patient=str(number)), s.result(f"R{number}", patient=str(number))
        recorded = s.record(
            store,
            of,
            Coded(checked=s.checked(of), result=made),
            deliveries=[s.delivery(s.message(made, f"M{number}"))],
            at=later(at),
        )
        if answer is not None:
            s.attempt(store, recorded.delivery_ids[0], answer)
    (row,) = store.destinations(since=NOW - timedelta(days=1))
    assert (row.name, row.waiting, row.oldest, row.accepted, row.refused) == ("records", 1, later(-1), 1, 1)
    (row,) = store.destinations()
    assert (row.waiting, row.accepted, row.refused) == (1, 2, 1)


def test_a_day_holds_all_that_the_tally_adds_up(store: SqliteStore) -> None:
    """Strips by arrival in the site's zone, their deliveries, unreadable stretches and refused files."""
    recorded = s.post(store, "R1", destinations=("records", "chart"))
    s.record(store, s.unreadable(), None)
    s.record(store, s.reading("2"), s.held(s.reading("2")))
    _refused_file(store)
    _refused_file(store, at=24 * 60)
    day = store.day(DAY, LISBON)
    assert [(day.of(outcome), outcome) for outcome in ("coded", "unreadable", "held")] == [
        ((1,), "coded"),
        ((2,), "unreadable"),
        ((3,), "held"),
    ]
    assert [group.rules for group in day.groups if group.outcome == "held"] == [("copy.possible",)]
    assert day.refused_files == 1
    assert sorted(day.sent, key=lambda each: each.destination) == [
        DaySent(destination=name, state=DeliveryState.QUEUED, strips=(recorded.strip_id,)) for name in ("chart", "records")
    ]
    assert day.last_accepted_at is None
    s.attempt(store, recorded.delivery_ids[1], Answer.ACCEPTED)
    assert store.day(DAY, LISBON).last_accepted_at == NOW
    empty = store.day(DAY - timedelta(days=1), LISBON)
    assert (empty.groups, empty.sent, empty.refused_files, empty.last_accepted_at) == ((), (), 0, None)


def test_a_day_is_as_long_as_its_clocks_say(store: SqliteStore) -> None:
    """On 2026-10-25 Lisbon goes from 02:00 to 01:00 (EU directive 2000/84/EC): that day has 25 hours and loses no strip."""
    start = later(-31 * 24 * 60 - 11 * 60)  # 2026-10-24 23:00 UTC, midnight in Lisbon's summer time
    for number, minutes in enumerate((-1, 0, 24 * 60, 25 * 60 - 1, 25 * 60)):
        of = s.reading(str(number))
        capture_id = s.keep(store, b"x", arrived_at=start + timedelta(minutes=minutes))
        s.record(store, of, s.control(of), capture_id=capture_id)
    assert _numbers(store, date(2026, 10, 25)) == ["1", "2", "3"]
    assert _numbers(store, date(2026, 10, 24)) == ["0"]
    assert _numbers(store, date(2026, 10, 26)) == ["4"]


@pytest.mark.parametrize(
    ("ask", "index"),
    [
        (lambda store: store.analyzers(), "captures_analyzer"),
        (lambda store: store.analyzers(), "strips_analyzer"),
        (lambda store: store.day(DAY, LISBON), "strips_arrived"),
        (lambda store: store.destinations(since=SINCE), "deliveries_state"),
    ],
)
def test_todays_questions_are_answered_by_an_index(store: SqliteStore, ask: Callable[[SqliteStore], object], index: str) -> None:
    """Captures, strips and deliveries grow for years; Today must not walk through them."""
    s.post(store, "7")
    lines = plans(store, lambda: ask(store))
    assert any(f"INDEX {index}" in line for line in lines), lines
    big = ("captures", "strips", "deliveries", "events", "attempts", "s", "d", "c")
    assert [line for line in lines if line.startswith("SCAN ") and line.split()[1] in big] == []


def test_what_came_lately_says_what_stopped_it(store: SqliteStore) -> None:
    """Newest first, notes left out; a copy says nothing, nor does a control, nor another analyzer's strip; it goes by the analyzer's index."""
    blank, noted = s.reading("1", patient=""), s.reading("2")
    s.record(store, blank, s.rejected(blank, "patient.missing"))
    s.record(store, blank, s.copy(blank, 1))
    s.record(store, noted, s.held(noted, s.finding("time.half_day", Severity.HOLD), s.finding("mark.disagrees", Severity.NOTE)))
    s.record(store, s.reading("3"), s.control(s.reading("3")))
    s.record(store, s.unreadable(), None)
    foreign = s.reading("9", analyzer="tern-1")
    s.record(store, foreign, s.held(foreign))
    told = [each.stopped_by for each in store.came_lately("brook-1", limit=9)]
    assert told == [frozenset({"read.unreadable"}), frozenset({"time.half_day"}), frozenset({"patient.missing"})]
    assert store.came_lately("brook-1", limit=1)[0] == Came(arrived_at=NOW, stopped_by=told[0])
    (plan,) = plans(store, lambda: store.came_lately("brook-1", limit=9))
    assert "strips_analyzer" in plan
    assert "TEMP B-TREE" not in plan
