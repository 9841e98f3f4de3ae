"""What an answer does to a delivery: at the end of its try, apart from it, or never."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import RefusedAction
from bridge.lifecycle.states import ANSWERED_LATE, StopEnd, StopState
from bridge.model import Answer, DeliveryState
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s

D = DeliveryState
LATER = s.later(15)


def committed(store: SqliteStore, result_id: str = "R1", *, patient: str = "4711") -> int:
    """Post a result whose receiver says that it keeps it; its answer is waited for until LATER."""
    (delivery_id,) = s.post(store, result_id, patient=patient).delivery_ids
    assert s.attempt(store, delivery_id, Answer.COMMITTED, "CA", due_at=LATER) is D.COMMITTED
    return delivery_id


def control_of(store: SqliteStore, result_id: str = "R1") -> str:
    """Give the control ID of the result's one message."""
    (row,) = store.deliveries(result_id)
    return row.control_id


def late(store: SqliteStore, answer: Answer, result_id: str = "R1", **more: str) -> tuple[DeliveryState, bool]:
    """Note a late answer to the result's message; give where it stands and whether the answer counted."""
    noted = s.late(store, "records", control_of(store, result_id), answer, at=s.later(5), due_at=s.later(6), **more)
    assert noted is not None
    return noted.state, noted.counts


def test_a_committed_delivery_holds_its_lane_and_is_not_sent_again(store: SqliteStore) -> None:
    """The next result of the patient waits; the answer is waited for until its time."""
    committed(store)
    s.post(store, "R2")
    assert s.heads(store, now=s.later(600)) == []
    assert (store.next_unanswered("records"), store.unanswered("records", now=s.later(14), limit=9)) == (LATER, ())
    (row,) = store.deliveries("R1")
    assert (row.state, row.due_at, row.accepted_at, row.last_code) == (D.COMMITTED, LATER, None, "CA")


@pytest.mark.parametrize(
    ("answer", "state", "heads"),
    [(Answer.ACCEPTED, D.ACCEPTED, ["R2"]), (Answer.REFUSED, D.REFUSED, ["R2"]), (Answer.TRY_AGAIN, D.RETRYING, ["R1"])],
)
def test_the_late_answer_decides(store: SqliteStore, answer: Answer, state: DeliveryState, heads: list[str]) -> None:
    """Yes ends it, no opens a stop with the receiver's words, later sends the same bytes again, ahead of the lane's next."""
    committed(store)
    s.post(store, "R2")
    assert late(store, answer, text="their words") == (state, True)
    assert s.heads(store, now=s.later(600)) == heads
    (row,) = store.deliveries("R1")
    assert (row.state, row.accepted_at) == (state, s.later(5) if state is D.ACCEPTED else None)
    assert [(stop.rule, stop.receiver_words) for stop in store.stops()] == (
        [("deliver.refused", "their words")] if state is D.REFUSED else []
    )
    detail = store.result("R1")
    assert detail is not None
    ((_, _, attempts),) = detail.deliveries
    assert [attempt.code for attempt in attempts] == [f"CA, later {row.last_code}"]


def test_a_commit_survives_a_restart(tmp_path: Path) -> None:
    """A crash after CA: the receiver keeps the message, so it is not sent again; its answer still counts."""
    first = SqliteStore(tmp_path, now=lambda: s.NOW)
    committed(first)
    first.close()
    again = SqliteStore(tmp_path, now=lambda: s.later(1))
    try:
        assert [row.state for row in again.deliveries("R1")] == [D.COMMITTED]
        assert s.heads(again, now=s.later(600)) == []
        assert late(again, Answer.ACCEPTED) == (D.ACCEPTED, True)
    finally:
        again.close()


def test_an_answer_that_never_came_is_shown_and_the_lane_goes_on(store: SqliteStore) -> None:
    """Nobody knows whether it stands in the record: a row says so, and nothing of it can be changed as if it did not."""
    delivery_id = committed(store)
    s.post(store, "R2")
    assert store.unanswered("records", now=LATER, limit=9) == (delivery_id,)
    assert s.end_wait(store, delivery_id, at=LATER) is D.EXPIRED
    assert s.heads(store) == ["R2"]
    (stop,) = store.stops()
    assert (stop.rule, stop.sentence, stop.delivery_id) == ("deliver.unanswered", "never answered", delivery_id)
    with pytest.raises(RefusedAction, match="has this result as it was, or may have it"):
        s.close(store, stop.stop_id, StopEnd.READ_AGAIN)
    assert s.end_wait(store, delivery_id, at=LATER) is D.EXPIRED  # asked twice: nothing more happens
    assert len(store.stops()) == 1


def test_a_yes_after_the_limit_closes_the_row_by_itself(store: SqliteStore) -> None:
    """The one answer that it was opened for has come; who closed it, and how, is kept."""
    delivery_id = committed(store)
    s.end_wait(store, delivery_id, at=LATER)
    (stop,) = store.stops()
    assert late(store, Answer.ACCEPTED) == (D.ACCEPTED, True)
    closed = store.stop(stop.stop_id)
    assert closed is not None
    assert (closed.state, closed.closed_by, closed.closed_how) == (StopState.CLOSED, "padpost (service)", ANSWERED_LATE)


def test_a_no_after_the_limit_takes_the_rows_place(store: SqliteStore) -> None:
    """One open row for one delivery, with the receiver's own words."""
    delivery_id = committed(store)
    s.end_wait(store, delivery_id, at=LATER)
    assert late(store, Answer.REFUSED, text="No such patient") == (D.REFUSED, True)
    assert [(stop.rule, stop.receiver_words) for stop in store.stops()] == [("deliver.refused", "No such patient")]


def test_an_answer_to_an_earlier_try_settles_a_message_that_waits_for_its_next(store: SqliteStore) -> None:
    """The first try timed out; its yes comes on another connection: the message is not sent a second time."""
    (delivery_id,) = s.post(store, "R1").delivery_ids
    s.attempt(store, delivery_id, Answer.TRY_AGAIN, "timeout", due_at=s.later(1))
    assert late(store, Answer.TRY_AGAIN) == (D.RETRYING, False)
    assert late(store, Answer.ACCEPTED) == (D.ACCEPTED, True)
    assert s.heads(store, now=s.later(600)) == []


@pytest.mark.parametrize("answer", [Answer.ACCEPTED, Answer.REFUSED])
def test_an_answer_that_comes_before_the_try_is_over_is_not_kept_yet(store: SqliteStore, answer: Answer) -> None:
    """CA is here and not noted: noted now, the answer would be forgotten by what the try's end says. Whoever brings it comes again."""
    (delivery_id,) = s.post(store, "R1").delivery_ids
    attempt = s.begin(store, delivery_id)
    assert late(store, answer) == (D.SENDING, False)
    assert [event.what for event in store.events(f"delivery:{delivery_id}")] == ["delivery.made", "delivery.begin"]
    assert s.end(store, delivery_id, attempt, Answer.COMMITTED, "CA", due_at=LATER) is D.COMMITTED
    assert late(store, answer) == (D.ACCEPTED if answer is Answer.ACCEPTED else D.REFUSED, True)
    detail = store.result("R1")
    assert detail is not None
    ((_, _, (tried,)),) = detail.deliveries
    assert tried.code == ("CA, later AA" if answer is Answer.ACCEPTED else "CA, later AE 204")


@pytest.mark.parametrize(("first", "second"), [(Answer.REFUSED, Answer.ACCEPTED), (Answer.ACCEPTED, Answer.REFUSED)])
def test_the_first_answer_stands_against_a_second_one(store: SqliteStore, first: Answer, second: Answer) -> None:
    """AA after AE for the same ID files nothing by itself, and AE after AA unfiles nothing; both are kept with the try."""
    (delivery_id,) = s.post(store, "R1").delivery_ids
    state = s.attempt(store, delivery_id, first, "AE" if first is Answer.REFUSED else "AA")
    assert late(store, second) == (state, False)
    assert len(store.stops()) == (first is Answer.REFUSED)
    events = [(event.what, event.reason) for event in store.events(f"delivery:{delivery_id}")]
    assert events[-1] == ("delivery.answered_late", "AA" if second is Answer.ACCEPTED else "AE 204")


def test_a_yes_that_was_silence_can_be_taken_back(store: SqliteStore) -> None:
    """A receiver that answers errors only: nothing came in time, then a no does. A person must see it."""
    delivery_id = committed(store)
    assert s.end_wait(store, delivery_id, is_yes=True, at=LATER) is D.ACCEPTED
    assert late(store, Answer.ACCEPTED) == (D.ACCEPTED, False)
    assert late(store, Answer.REFUSED, text="No such patient") == (D.REFUSED, True)
    (row,) = store.deliveries("R1")
    assert (row.state, row.accepted_at) == (D.REFUSED, None)
    assert [stop.receiver_words for stop in store.stops()] == ["No such patient"]


def test_an_answer_to_what_was_never_sent_is_nobodys(store: SqliteStore) -> None:
    """An unknown control ID, another destination's, or a message that never left: no delivery moves."""
    s.post(store, "R1")
    assert s.late(store, "records", control_of(store), Answer.ACCEPTED) is None
    committed(store, "R2", patient="4712")
    assert s.late(store, "chart", control_of(store, "R2"), Answer.ACCEPTED) is None
    assert s.late(store, "records", "ABCDEM404", Answer.ACCEPTED) is None
    assert [row.state for row in store.deliveries("R2")] == [D.COMMITTED]
