"""RecordOutcome, beside what the contract says: strips as rows, repeats, and what is set aside."""

from __future__ import annotations

import sqlite3
from dataclasses import replace

import pytest

from bridge.lifecycle.states import StopEnd, StopGroup
from bridge.model import CheckedPad, Coded, Grade, Place, Printed, PrintedPad, Priority, Purpose, Severity, Step
from bridge.store.database import SqliteDb
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.strips import NOW, later


def _pad(label: str, value: str, at: int, unit: str = "") -> PrintedPad:
    def printed(text: str) -> Printed:
        return Printed(text=text, place=Place(start=at, end=at + 1))

    return PrintedPad(label=printed(label), value=printed(value), unit=printed(unit) if unit else None)


def test_pads_are_kept_as_printed_with_what_is_known_of_them(store: SqliteStore) -> None:
    """Abnormal, normal, or unknown: a pad that was not understood is never counted as normal."""
    of = replace(s.reading(), pads=(_pad("GLU", "++", 1, "mg/dl"), _pad("NIT", "neg", 2), _pad("XYZ", "?", 3)))
    steps = {1: Step(rank=2, grade=Grade.PLUS_2, conventional=None, si=None, abnormal=True)}
    steps[2] = Step(rank=0, grade=Grade.NEGATIVE, conventional=None, si=None, abnormal=False)
    pads = tuple(CheckedPad(pad=str(at), step=step, printed="", place=Place(start=at, end=at + 1)) for at, step in steps.items())
    recorded = s.record(store, of, s.held(of, pads=pads))
    strip = store.strip(recorded.strip_id)
    assert strip is not None
    assert strip.pads == (("GLU", "++", "mg/dl", True), ("NIT", "neg", "", False), ("XYZ", "?", "", None))


def test_a_strip_without_a_key_shows_what_was_printed(store: SqliteStore) -> None:
    """Not understood that far: the row still names number, patient and operator as they stand on the slip."""
    recorded = s.record(store, s.reading("S?7"), s.rejected(None), at=later(2))
    strip = store.strip(recorded.strip_id)
    assert strip is not None
    assert (strip.number, strip.patient_id, strip.operator, strip.series) == ("S?7", "4711", "OP7", "")
    assert (strip.purpose, strip.priority, strip.analyzed_at) == (Purpose.PATIENT, Priority.ROUTINE, None)
    assert (strip.arrived_at, strip.judged_at, strip.place, strip.tables_digest) == (NOW, later(2), s.PLACE, "t")


def test_an_unreadable_stretch_is_a_row_too(store: SqliteStore) -> None:
    """Nothing of it is known but its place and its bytes' digest."""
    recorded = s.record(store, s.unreadable(), None)
    strip = store.strip(recorded.strip_id)
    assert strip is not None
    assert (strip.outcome, strip.number, strip.patient_id, strip.pads) == ("unreadable", "", "", ())
    assert strip.findings == (("read.unreadable", "reject", "read.unreadable says."),)
    assert store.open_stops() == {StopGroup.HELD: 0, StopGroup.REJECTED: 1, StopGroup.REFUSED: 0}


def test_a_note_is_shown_only_where_nothing_else_stopped_the_strip(store: SqliteStore) -> None:
    """The row's reason is what stops; notes stay on the strip."""
    of = s.reading()
    note, hold = s.finding("time.arrival_used", Severity.NOTE), s.finding("copy.doubt", Severity.HOLD)
    recorded = s.record(store, of, s.held(of, note, hold))
    (stop,) = store.stops()
    assert (stop.rule, stop.rules) == ("copy.doubt", ("copy.doubt",))
    strip = store.strip(recorded.strip_id)
    assert strip is not None
    assert [rule for rule, _, _ in strip.findings] == ["time.arrival_used", "copy.doubt"]


def test_a_repeat_is_a_copy_of_the_strip_that_is_stopped(store: SqliteStore) -> None:
    """The day tally counts it as a copy, never as a second rejected strip; after the stop is closed it opens a new one."""
    first = s.record(store, s.reading(), s.rejected(s.reading()))
    second = s.record(store, s.reading(), s.rejected(s.reading()))
    strip = store.strip(second.strip_id)
    assert strip is not None
    assert (strip.outcome, strip.copy_of) == ("copy", first.strip_id)
    assert first.stop_id is not None
    s.close(store, first.stop_id, StopEnd.DISCARDED)
    third = s.record(store, s.reading(), s.rejected(s.reading()))
    assert (third.repeat, third.stop_id == first.stop_id) == (False, False)


def test_judging_again_closes_the_stop_that_it_replaces(store: SqliteStore) -> None:
    """By the service and as read again: no person's name stands under it."""
    one = s.record(store, s.unreadable(index=0), None)
    assert one.stop_id is not None
    strip = store.strip(one.strip_id)
    assert strip is not None
    other = s.record(store, s.unreadable("e" * 64, index=0), None)
    assert other.stop_id is not None
    s.close(store, other.stop_id, StopEnd.READ_AGAIN)
    intake = store.next_intake("brook-1")
    assert intake is not None
    s.record(store, s.reading(), s.held(s.reading()), capture_id=intake.capture_id, at=later(4))
    assert [stop.stop_id for stop in store.stops(group=StopGroup.REJECTED)] == [one.stop_id]
    assert [row.outcome for row in store.capture_strips(intake.capture_id)] == ["held"]
    assert len(store.strips(outcome="superseded")) == 1


def test_reading_again_sets_aside_unreadable_rests_behind_the_new_end(store: SqliteStore) -> None:
    """A mended profile finds two strips where three broken ones were: the third's row is closed, nothing else is."""
    capture_id = s.keep(store)
    stops = [
        s.record(store, s.unreadable(str(n) * 64, index=n), None, capture_id=capture_id, ends=n == 2).stop_id for n in range(3)
    ]
    assert stops[0] is not None
    s.close(store, stops[0], StopEnd.READ_AGAIN)
    for n in range(2):
        s.record(store, s.reading(str(n), index=n), s.control(s.reading(str(n), index=n)), capture_id=capture_id, ends=n == 1)
    assert store.stops() == ()
    assert [(row.index, row.outcome) for row in store.capture_strips(capture_id)] == [(0, "non_patient"), (1, "non_patient")]
    closed = store.stop(stops[2] or 0)
    assert closed is not None
    assert (closed.closed_by, closed.closed_how) == ("padpost (service)", "read again")


def test_one_reading_has_one_newest_row_by_the_files_own_rule(store: SqliteStore, file: SqliteDb) -> None:
    """A unique index is the backstop: two newest interpretations of one strip cannot be written."""
    s.record(store, s.reading(), s.control(s.reading()))
    with pytest.raises(sqlite3.IntegrityError, match=r"strips\.capture_id, strips\.idx"):
        file.execute(
            "INSERT INTO strips SELECT 99, capture_id, idx, is_newest, outcome, analyzer, mode, series, number, purpose, priority, patient_printed,"
            " patient_id, specimen_id, operator, strip_type, strip_lot, analyzed_at, arrived_at, judged_at, record_digest, copy_of,"
            " result_id, findings, abnormal, place_start, place_end, purged_at, tables, record_key, printed, accepted FROM strips"
        )


def test_a_result_without_a_destination_is_kept_all_the_same(store: SqliteStore) -> None:
    """A site that has none yet loses no result."""
    of = s.reading()
    recorded = s.record(store, of, Coded(checked=s.checked(of), result=s.result("R1")))
    assert recorded.delivery_ids == ()
    assert [row.result_id for row in store.results()] == ["R1"]
