"""What judging and delivering ask: who may be the same strip, which series is newest, and that an index answers."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from bridge.lifecycle.states import StopEnd
from bridge.model import Answer, Coded, Needs, Priority, Reading, SeriesState, StripContent, StripKey
from bridge.store.sqlite import FILE, SqliteStore
from tests.store import strips as s
from tests.store.plans import plans
from tests.store.strips import NOW, later

TWO_HOURS = timedelta(hours=2)
NEEDS = Needs(analyzer="brook-1", mode="all", number="7", record_digest="7" * 64, patient_id="4711", printed_at=NOW)


def _put(
    store: SqliteStore, of: Reading, *, at: datetime | None = NOW, arrived: datetime = NOW, series: str = "2026-11-25"
) -> int:
    """Record a held strip; give its id."""
    capture_id = s.keep(store, of.record_digest.encode(), arrived_at=arrived, analyzer=of.analyzer)
    return s.record(store, of, s.held(of, at=at, series=series), capture_id=capture_id).strip_id


def _seen(store: SqliteStore, needs: Needs = NEEDS, *, now: datetime = NOW) -> tuple[list[int], list[int], list[int]]:
    found = store.seen_strips(needs, now=now, window=TWO_HOURS, apart_from=(0, 0))
    return tuple([each.strip_id for each in group] for group in (found.same_number, found.same_record, found.same_patient))  # type: ignore[return-value]  # three groups


# --- who may be the same strip


def test_a_strip_is_told_as_identity_needs_it(store: SqliteStore) -> None:
    """Key, content, printed and arrival time, the record's bytes, and whether a person still has it before them."""
    of = s.reading("7")
    strip_id = _put(store, of, arrived=later(3))
    (seen,) = store.seen_strips(NEEDS, now=NOW, window=TWO_HOURS, apart_from=(0, 0)).same_number
    assert seen.strip_id == strip_id
    assert seen.key == StripKey(analyzer="brook-1", mode="all", series="2026-11-25", number="7")
    assert seen.content == StripContent(
        patient_id="4711", operator="OP7", strip_type="plover-12", strip_lot="L1", pads=(("glucose", 0),)
    )
    assert (seen.printed_at, seen.arrived_at, seen.record_digest) == (NOW, later(3), of.record_digest)
    assert (seen.open_stop, seen.discarded) == (True, False)
    (stop,) = store.stops()
    s.close(store, stop.stop_id, StopEnd.DISCARDED)
    (seen,) = store.seen_strips(NEEDS, now=NOW, window=TWO_HOURS, apart_from=(0, 0)).same_number
    assert (seen.open_stop, seen.discarded) == (False, True)


def test_the_same_number_is_found_in_every_series_newest_first(store: SqliteStore) -> None:
    """Numbers start again each day: a resend of an old day must find its own, however many days lie between."""
    days = [_put(store, s.reading("7", patient=f"P{day}"), series=f"day {day}", at=later(-1440 * day)) for day in range(230)]
    _put(store, s.reading("8"))
    _put(store, s.reading("7", analyzer="tern-1"))
    assert _seen(store)[0] == days[::-1]


def test_numberless_strips_are_found_for_the_same_patient_or_none(store: SqliteStore) -> None:
    """Without a number the content is compared with all that is kept; other patients' strips contradict it anyway."""
    own, none = (_put(store, s.reading("", patient=patient, digest=patient * 64), at=None, series="") for patient in ("4", ""))
    _put(store, s.reading("", patient="5", digest="5" * 64), at=None, series="")
    needs = replace(NEEDS, number="", patient_id="4", printed_at=None)
    assert _seen(store, needs)[0] == [none, own]
    assert len(_seen(store, replace(needs, patient_id=""))[0]) == 3


def test_the_same_bytes_are_found_for_the_same_analyzer(store: SqliteStore) -> None:
    """Whatever their number or patient; another analyzer's record is another strip."""
    one = _put(store, s.reading("1", patient="A", digest="7" * 64))
    _put(store, s.reading("1", patient="A", digest="7" * 64, analyzer="tern-1"))
    two = _put(store, s.reading("2", patient="B", digest="7" * 64))
    assert _seen(store)[1] == [two, one]


@pytest.mark.parametrize(
    ("printed", "arrived", "found"),
    [
        (NOW, NOW, True),
        (later(-120), later(-5000), True),  # read close together, carried over in a file days later
        (later(120), later(5000), True),
        (later(-120.1), later(-5000), False),
        (later(120.1), later(5000), False),
        (None, later(-119), True),  # no printed time: arrival is all there is
        (None, later(119), True),
        (None, later(-120 - 1441), False),
        (later(-5000), NOW, True),  # the rule looks at the printed times itself; the store may give more, never less
    ],
)
def test_a_patients_strips_of_the_window_are_found(
    store: SqliteStore, printed: datetime | None, arrived: datetime, found: bool
) -> None:
    """All that the re-run rule can hold against this strip, on any analyzer: by printed time, else by arrival."""
    strip_id = _put(store, s.reading("1", analyzer="tern-1"), at=printed, arrived=arrived)
    assert _seen(store)[2] == ([strip_id] if found else [])


def test_no_patient_finds_no_patients_strips(store: SqliteStore) -> None:
    """Two strips without an identifier have nobody in common."""
    _put(store, s.reading("1", patient=""))
    assert _seen(store, replace(NEEDS, patient_id=""))[2] == []


def test_a_corrected_strip_is_found_by_what_was_printed(store: SqliteStore) -> None:
    """Identity rests on printed evidence; a person's correction is no part of it."""
    of = s.reading("7", patient="4711")
    result = s.result("R1", patient="4812")
    fixed = s.checked(of, patient_id="4812", corrected_by=s.BO)
    strip_id = s.record(store, of, Coded(checked=fixed, result=result)).strip_id
    assert _seen(store)[2] == [strip_id]
    assert _seen(store, replace(NEEDS, patient_id="4812"))[2] == []


# --- the newest series


def test_the_newest_series_follows_printed_time(store: SqliteStore) -> None:
    """A strip that comes late, with whatever number, takes nothing back; the latest printed one stands for its series."""
    assert store.series("brook-1", "all") is None
    steps = [
        ("5", later(10), "s1", SeriesState(series="s1", last_number=5, last_printed_at=later(10))),
        ("9", later(5), "s1", SeriesState(series="s1", last_number=5, last_printed_at=later(10))),
        ("5", later(11), "s1", SeriesState(series="s1", last_number=5, last_printed_at=later(11))),
        ("4", later(11), "s1", SeriesState(series="s1", last_number=5, last_printed_at=later(11))),
        ("6", later(8), "s1", SeriesState(series="s1", last_number=6, last_printed_at=later(11))),  # the clock was set back
        ("7", later(11), "s1", SeriesState(series="s1", last_number=7, last_printed_at=later(11))),
        ("8", None, "s1", SeriesState(series="s1", last_number=8, last_printed_at=later(11))),  # an error record without a time
        ("1", later(20), "s2", SeriesState(series="s2", last_number=1, last_printed_at=later(20))),
        ("7", later(30), "s1", SeriesState(series="s2", last_number=1, last_printed_at=later(20))),
        ("4", None, "s2", SeriesState(series="s2", last_number=1, last_printed_at=later(20))),
    ]
    for number, at, series, expected in steps:
        _put(store, s.reading(number), at=at, series=series, arrived=at or later(10))
        assert store.series("brook-1", "all") == expected
    assert store.series("brook-1", "stat") is None
    assert store.series("tern-1", "all") is None


@given(strips=st.permutations([(number, number * 3) for number in range(1, 7)]))
@settings(max_examples=10, deadline=None, phases=[Phase.generate], suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_order_of_arrival_has_no_part_in_it(store: SqliteStore, strips: list[tuple[int, int]]) -> None:
    """Six strips of one series in any order leave the same newest number and time."""
    analyzer = f"a-{store.next_due('x')}-{len(store.analyzers())}"
    for number, minute in strips:
        _put(store, s.reading(str(number), analyzer=analyzer), at=later(minute), arrived=later(20), series="s")
    assert store.series(analyzer, "all") == SeriesState(series="s", last_number=6, last_printed_at=later(18))


def test_copies_and_numberless_strips_move_no_series(store: SqliteStore) -> None:
    """A resend is no news of the counter; a strip without number or series says nothing of it."""
    first = _put(store, s.reading("5"))
    s.record(store, s.reading("9"), s.copy(s.reading("9"), first))
    _put(store, s.reading("", digest="e" * 64), at=later(9))
    _put(store, s.reading("9"), at=later(9), series="")
    assert store.series("brook-1", "all") == SeriesState(series="2026-11-25", last_number=5, last_printed_at=NOW)


def test_a_time_ahead_of_its_arrival_counts_as_the_arrival(store: SqliteStore) -> None:
    """HZ-D08: a strip dated hours or years on would make every later one late. Its number counts; a day that has not come opens no series."""
    _put(store, s.reading("5"))
    _put(store, s.reading("6"), at=NOW + timedelta(days=3650), arrived=later(1))
    assert store.series("brook-1", "all") == SeriesState(series="2026-11-25", last_number=6, last_printed_at=later(1))
    _put(store, s.reading("7"), at=NOW + timedelta(hours=5), arrived=later(2))
    assert store.series("brook-1", "all") == SeriesState(series="2026-11-25", last_number=7, last_printed_at=later(2))
    _put(store, s.reading("1"), series="2036-11-22", at=NOW + timedelta(days=3650), arrived=later(3))
    assert store.series("brook-1", "all") == SeriesState(series="2026-11-25", last_number=7, last_printed_at=later(2))
    _put(store, s.reading("8"), at=later(15), arrived=NOW)
    assert store.series("brook-1", "all") == SeriesState(series="2026-11-25", last_number=8, last_printed_at=later(15))


# --- how


@pytest.mark.parametrize(
    ("ask", "index"),
    [
        (lambda store: store.analyzers_with_work(), "intake_open"),
        (lambda store: store.next_intake("a"), "intake_open"),
        (lambda store: store.seen_strips(NEEDS, now=NOW, window=TWO_HOURS, apart_from=(0, 0)), "strips_number"),
        (lambda store: store.seen_strips(NEEDS, now=NOW, window=TWO_HOURS, apart_from=(0, 0)), "strips_record"),
        (lambda store: store.seen_strips(NEEDS, now=NOW, window=TWO_HOURS, apart_from=(0, 0)), "strips_patient"),
        (lambda store: store.strip_before("a", (7, 0)), "strips_reading"),
        (lambda store: store.reading_facts(1, 0, record_digest="d"), "decisions_reading"),
    ],
)
def test_the_loops_questions_are_answered_by_an_index(
    store: SqliteStore, ask: Callable[[SqliteStore], object], index: str
) -> None:
    """Tables grow for years: no question of judging or delivering may walk through one."""
    lines = plans(store, lambda: ask(store))
    assert any(f"INDEX {index}" in line for line in lines), lines
    tables = ("d", "a", "s", "r", "t", "i", "c", "deliveries", "strips", "stops", "results", "captures", "decisions")
    walks = [line for line in lines if line.startswith("SCAN ") and line.split()[1] in tables and "intake_open" not in line]
    assert walks == []


# --- with a hundred thousand waiting

WAITING = 100_000


@pytest.fixture(scope="module")
def crowded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SqliteStore]:
    """Give a store in which a hundred thousand lanes wait for one receiver: a third untried, a third to be tried again, a third unborn."""
    folder = tmp_path_factory.mktemp("crowded")
    store = SqliteStore(folder, now=lambda: NOW)
    s.post(store, "R0", patient="P0", destinations=("elsewhere",))
    db = sqlite3.connect(folder / FILE)
    db.execute("INSERT INTO words (word) VALUES ('u')")
    db.execute(
        "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?)"
        " INSERT INTO results (result_id, version, strip_id, content) SELECT 'R' || i, 1, r.strip_id, r.content FROM n, results r",
        (WAITING,),
    )
    db.execute(
        "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?)"
        " INSERT INTO deliveries (destination, lane, priority, result_id, version, format, control_id, state, attempts, born_at, due_at,"
        " last_code, is_head, rank, is_blocked, tables)"
        " SELECT 'records', 'P' || i, 'routine', 'R' || i, 1, 'oru_r01', 'M' || i, CASE i % 3 WHEN 0 THEN 'queued' WHEN 1 THEN 'retrying'"
        " ELSE 'unborn' END, 0, '2026-11-25T10:00:00.000000Z',"
        " CASE WHEN i % 3 = 1 THEN '2026-11-25T09:00:00.' || printf('%06d', i) || 'Z' END, '', 1, 1, 0, CASE WHEN i % 2 THEN t.id ELSE u.id END FROM n, words t, words u"
        " WHERE t.word = 't' AND u.word = 'u'",
        (WAITING,),
    )
    db.execute(
        "INSERT INTO messages (delivery_id, payload) SELECT id, x'789c030000000001' FROM deliveries WHERE destination = 'records'"
    )
    db.commit()
    db.close()
    yield store
    store.close()


QUESTIONS: list[tuple[Callable[[SqliteStore], object], set[str]]] = [
    (lambda store: store.lane_heads("records", now=NOW, limit=9), {"deliveries_ready", "deliveries_due"}),
    (lambda store: store.next_due("records"), {"deliveries_due"}),
    (lambda store: store.unborn("records", limit=9), {"deliveries_unborn"}),
    (lambda store: store.waiting_tables("records"), {"deliveries_tables"}),
]


def _steps(store: SqliteStore, ask: Callable[[SqliteStore], object]) -> int:
    """Count, in hundreds, the steps of SQLite's machine that a question takes; the statements are compiled before."""
    ask(store)
    steps = 0

    def step() -> int:
        nonlocal steps
        steps += 1
        return 0

    store._reader().set_progress_handler(step, 100)
    try:
        ask(store)
    finally:
        store._reader().set_progress_handler(None, 0)
    return steps


@pytest.mark.parametrize(("ask", "indexes"), QUESTIONS)
def test_a_look_at_the_lanes_costs_the_same_with_a_hundred_thousand_waiting(
    crowded: SqliteStore, ask: Callable[[SqliteStore], object], indexes: set[str]
) -> None:
    """It reads the beginning of an index and no more: a few thousand steps of SQLite's machine, where a walk takes a million."""
    lines = plans(crowded, lambda: ask(crowded))
    assert {line.split("INDEX ")[1].split()[0] for line in lines if "INDEX deliveries_" in line} == indexes
    assert [line for line in lines if line.startswith("SCAN deliveries")] == []
    assert ask(crowded)
    assert _steps(crowded, ask) <= 50


def test_what_goes_first_of_a_hundred_thousand(crowded: SqliteStore) -> None:
    """The oldest untried ones and the retries that have waited longest, in order of their numbers; births in order too."""
    heads = [int(head.message.control_id[1:]) for head in crowded.lane_heads("records", now=NOW, limit=6)]
    assert heads == [1, 3, 4, 6, 7, 9]
    assert crowded.next_due("records") == NOW.replace(hour=9, microsecond=1)
    assert len(crowded.unborn("records", limit=5)) == 5
    assert crowded.waiting_tables("records") == {"t", "u"}


def test_a_stat_retry_is_found_behind_any_number_of_routine_ones(crowded: SqliteStore) -> None:
    """Whatever fell due before it: urgency comes before age."""
    recorded = s.post(crowded, "URGENT", patient="urgent", priority=Priority.STAT)
    s.attempt(crowded, recorded.delivery_ids[0], Answer.TRY_AGAIN, due_at=NOW)
    assert s.heads(crowded, limit=1) == ["URGENT"]
    s.attempt(crowded, recorded.delivery_ids[0], Answer.ACCEPTED)
