"""After a restore nothing is sent by itself that may have been sent already, and no identity is given twice."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.bench.controls import RunVerdict
from bridge.bench.gate import ControlRead
from bridge.lifecycle.states import StopEnd, StopGroup
from bridge.model import Answer, Coded, DeliveryState, GateState, NonPatient, Purpose
from bridge.store.apply import EPOCH_LENGTH, EPOCH_LETTERS, new_epoch
from bridge.store.commands import GateWrite
from bridge.store.database import SqliteDb
from bridge.store.review import Reviewed, newest_moment, review
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.gate_contract import KEY, POLICY, Bench
from tests.store.strips import later


def reviewed(file: SqliteDb, **more: set[str]) -> Reviewed:
    """Review a store as it was five minutes after NOW, one hour later."""
    file.execute("BEGIN IMMEDIATE")
    done = review(file, now=later(60), taken_at=later(5), **more)
    file.execute("COMMIT")
    return done


def test_every_open_delivery_becomes_a_stop_and_no_other(store: SqliteStore, file: SqliteDb) -> None:
    """One of each state: the open ones wait for a person, ended and stopped ones stay as they are. HZ-H09."""
    (unborn,) = s.post(store, "A1", lane="1", born=False).delivery_ids
    (queued,) = s.post(store, "A2", lane="2").delivery_ids
    (sending,) = s.post(store, "A3", lane="3").delivery_ids
    (retrying,) = s.post(store, "A4", lane="4").delivery_ids
    (accepted,) = s.post(store, "A5", lane="5").delivery_ids
    (refused,) = s.post(store, "A6", lane="6").delivery_ids
    assert s.begin(store, sending)
    s.attempt(store, retrying, Answer.TRY_AGAIN, due_at=later(1))
    s.attempt(store, accepted, Answer.ACCEPTED)
    s.attempt(store, refused, Answer.REFUSED)
    done = reviewed(file)
    assert (done.deliveries, done.captures) == (4, 0)
    assert [s.states(store, f"A{number}")["records"].value for number in range(1, 7)] == [
        "unmade", "unsure", "unsure", "unsure", "accepted", "refused",
    ]  # fmt: skip
    stops = {stop.delivery_id: stop for stop in store.stops(rule="restore.unsure")}
    assert set(stops) == {unborn, queued, sending, retrying}
    stop = stops[queued]
    assert (stop.group, stop.releasable, stop.destination, stop.patient_id) == (StopGroup.HELD, False, "records", "4711")
    assert stop.sentence == (
        "This result may have been sent to records after the backup of 2026-11-25 10:05 UTC was taken, from which Padpost was restored."
    )
    assert stop.remedy == "Look for it in records. If it is there, discard this row; if it is not, send it again."
    assert s.heads(store, now=later(600)) == []
    assert store.unborn("records", limit=9) == ()
    assert store.next_due("records") is None
    assert file.execute("SELECT code, ended_at FROM attempts WHERE delivery_id = ?", (sending,)).fetchall() == [
        ("unknown", "2026-11-25T11:00:00.000000Z")
    ]


def test_a_person_sends_again_or_discards(store: SqliteStore, file: SqliteDb) -> None:
    """A message that was made goes with its bytes and control ID; one that was not is made then; what the receiver has is discarded."""
    s.post(store, "A1", lane="1", born=False)
    s.post(store, "A2", lane="2")
    s.post(store, "A3", lane="3")
    reviewed(file)
    unborn, queued, known = sorted(stop.stop_id for stop in store.stops(rule="restore.unsure"))
    s.close(store, unborn, StopEnd.SENT_AGAIN)
    s.close(store, queued, StopEnd.SENT_AGAIN)
    s.close(store, known, StopEnd.DISCARDED)
    assert [s.states(store, name)["records"] for name in ("A1", "A2", "A3")] == [
        DeliveryState.UNBORN, DeliveryState.QUEUED, DeliveryState.DISCARDED,
    ]  # fmt: skip
    (head,) = store.lane_heads("records", now=later(60), limit=9)
    assert (head.message.control_id, head.message.payload) == ("A2rec", b"MSH|A2rec\r")
    assert [result.result_id for _, result in store.unborn("records", limit=9)] == ["A1"]


def test_a_result_in_doubt_cannot_be_read_again(store: SqliteStore, file: SqliteDb) -> None:
    """The receiver may have it: it must be withdrawn there, not be replaced here."""
    s.post(store, "A1")
    reviewed(file)
    (stop,) = store.stops(rule="restore.unsure")
    with pytest.raises(Exception, match=r"^records has this result as it was, or may have it\."):
        s.close(store, stop.stop_id, StopEnd.READ_AGAIN)


def test_a_capture_that_was_not_judged_waits_for_a_person(store: SqliteStore, file: SqliteDb) -> None:
    """It may have been judged in the lost time, and its result sent under an identity that nobody here knows."""
    s.keep(store, b"one")
    s.keep(store, b"one")  # the same bytes twice: two captures, each to be decided
    done = reviewed(file)
    assert (done.deliveries, done.captures) == (0, 2)
    assert store.analyzers_with_work() == ()
    stops = store.stops(rule="restore.unjudged")
    assert [(stop.capture_id, stop.group, stop.repeats) for stop in stops] == [
        (2, StopGroup.REJECTED, 0),
        (1, StopGroup.REJECTED, 0),
    ]
    assert stops[0].sentence == (
        "This came in before the backup of 2026-11-25 10:05 UTC and was not judged in it; it may have been judged and sent since."
    )
    s.close(store, stops[0].stop_id, StopEnd.READ_AGAIN)
    work = store.next_intake("brook-1")
    assert work is not None
    assert (work.capture_id, work.only_index, work.next_index) == (2, None, 0)


def test_what_waited_for_controls_goes_to_a_person_and_gates_are_shut(store: SqliteStore, file: SqliteDb) -> None:
    """Its controls may have passed in the lost time, and failed after that: nothing goes by what the backup says of them."""
    bench = Bench(store)
    waiting, _ = bench.patient(waits=True)
    bench.control("1")  # half a set
    capture_id = s.keep(store, b"another control", arrived_at=later(5))
    bench.count += 1  # a strip of its own: the same bytes count once
    what = ControlRead(at=later(5), seat=(capture_id, 0), level="1", verdict=RunVerdict.PASSED)
    other = NonPatient(checked=s.checked(s.reading("50"), purpose=Purpose.CONTROL, strip_lot="L2"))
    whole = replace(POLICY, levels=frozenset({"1"}))
    bench.record(capture_id, other, GateWrite(key=replace(KEY, strip_lot="L2"), what=what, policy=whole))
    assert [row.gate.state for row in store.gates()] == [GateState.START, GateState.OPEN]
    done = reviewed(file)
    assert (done.deliveries, done.captures) == (0, 1)
    assert [(row.gate.state, row.gate.passed, row.waiting) for row in store.gates()] == [(GateState.START, frozenset(), 0)] * 2
    event = store.gate_events()[0]
    assert (event.what, event.before, event.after) == ("begin_anew", GateState.OPEN, GateState.START)
    assert (event.actor, event.reason) == ("padpost", "restored from the backup of 2026-11-25 10:05 UTC")
    (stop,) = store.stops(rule="restore.waited")
    assert (stop.capture_id, stop.group, stop.releasable, stop.number) == (waiting, StopGroup.HELD, False, "1")
    s.close(store, stop.stop_id, StopEnd.READ_AGAIN)
    assert bench.waiting_work() == [(waiting, "read again")]


def test_a_capture_half_judged_keeps_what_was_judged(store: SqliteStore, file: SqliteDb) -> None:
    """The first strip of two went before the backup; only the rest of the capture is in doubt."""
    capture = s.keep(store, b"two")
    of = s.reading("1")
    s.record(store, of, s.held(of), capture_id=capture, ends=False)
    reviewed(file)
    assert [(row.index, row.outcome) for row in store.capture_strips(capture)] == [(0, "held"), (1, "unreadable")]
    (stop,) = store.stops(rule="restore.unjudged")
    assert (stop.capture_id, stop.index) == (capture, 1)


def test_the_epoch_is_new_and_the_history_says_so(store: SqliteStore, file: SqliteDb) -> None:
    """MSH-10 is epoch and number: whatever was given in the lost time is not given again. HZ-H09."""
    old = store.epoch
    done = reviewed(file)
    assert (done.old_epoch, done.epoch) == (old, file.execute("SELECT value FROM meta WHERE name = 'epoch'").fetchone()[0])
    assert done.epoch != old
    (event,) = store.events("store")
    assert (event.what, event.before, event.after, event.reason) == (
        "store.restored", old, done.epoch, "backup of 2026-11-25 10:05 UTC",
    )  # fmt: skip
    assert newest_moment(file) == later(60)


def test_an_epoch_is_never_a_known_one() -> None:
    """Of all epochs but one known, the one is found; five clear letters."""
    epoch = new_epoch()
    assert len(epoch) == EPOCH_LENGTH == 5
    assert set(epoch) <= set(EPOCH_LETTERS)
    assert {new_epoch({epoch}) == epoch for _ in range(50)} == {False}


def test_a_capture_that_was_to_be_read_again_keeps_the_strips_of_it_that_went(store: SqliteStore, file: SqliteDb) -> None:
    """A stop of its own, behind the strips: set aside, one that was posted would be posted again under another identity."""
    capture_id = s.keep(store)
    of = s.reading(index=0)
    s.record(store, of, Coded(checked=s.checked(of), result=s.result("R1")), capture_id=capture_id, ends=False)
    broken = s.record(store, s.unreadable(index=1), None, capture_id=capture_id)
    assert broken.stop_id is not None
    s.close(store, broken.stop_id, StopEnd.READ_AGAIN)
    assert reviewed(file).captures == 1
    assert [(row.index, row.outcome) for row in store.capture_strips(capture_id)] == [
        (0, "coded"),
        (1, "unreadable"),
        (2, "unreadable"),
    ]
    (stop,) = store.stops()
    assert (stop.rule, stop.index) == ("restore.unjudged", 2)
    s.close(store, stop.stop_id, StopEnd.READ_AGAIN)
    piece = store.next_intake("brook-1")
    assert piece is not None
    assert (piece.only_index, piece.because) == (None, "read again")
