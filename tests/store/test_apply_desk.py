"""CloseStop, beside what the contract says: what is noted in whose name, and several stops of one result."""

from __future__ import annotations

import pytest

from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import StopEnd, StopState
from bridge.model import Answer, DeliveryState
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s

D = DeliveryState


def test_what_a_person_does_is_noted_in_their_name(store: SqliteStore) -> None:
    """Who, how we know them, why, and what became of the delivery: in the same transaction."""
    (number,) = s.post(store, "R1").delivery_ids
    s.attempt(store, number, Answer.REFUSED)
    (stop,) = store.stops()
    s.close(store, stop.stop_id, StopEnd.DISCARDED, at=s.later(5))
    closed = store.events(f"stop:{stop.stop_id}")[-1]
    assert (closed.at, closed.actor, closed.verified, closed.what) == (s.later(5), "Bo", "unverified", "stop.closed")
    assert (closed.before, closed.after, closed.reason) == ("open", "discarded", "because")
    moved = store.events(f"delivery:{number}")[-1]
    assert (moved.actor, moved.what, moved.before, moved.after, moved.reason) == (
        "Bo",
        "delivery.discard",
        "refused",
        "discarded",
        "because",
    )


def test_two_refusals_of_one_result_end_together(store: SqliteStore) -> None:
    """Refused by both receivers, corrected once: the second row would else ask a person to decide about nothing."""
    recorded = s.post(store, "R1", destinations=("records", "chart"))
    for number in recorded.delivery_ids:
        s.attempt(store, number, Answer.REFUSED)
    two, one = store.stops()
    s.close(store, one.stop_id, StopEnd.ID_CORRECTED, patient_id="40718823")
    assert store.stops() == ()
    other = store.stop(two.stop_id)
    assert other is not None
    assert (other.state, other.closed_by, other.closed_how) == (StopState.CLOSED, "Bo (unverified)", "patient ID corrected")
    with pytest.raises(Overtaken):
        s.close(store, two.stop_id, StopEnd.SENT_AGAIN, who=s.EDA)
    assert set(s.states(store, "R1").values()) == {D.SUPERSEDED}
    assert store.analyzers_with_work() == ("brook-1",)


def test_a_refusal_of_the_action_changes_nothing(store: SqliteStore) -> None:
    """Half of a correction would leave the result under two patients: the first delivery is not set aside either."""
    recorded = s.post(store, "R1", destinations=("records", "chart", "ward"))
    s.attempt(store, recorded.delivery_ids[1], Answer.REFUSED)
    s.attempt(store, recorded.delivery_ids[2], Answer.ACCEPTED)
    (stop,) = store.stops()
    with pytest.raises(RefusedAction, match=r"^ward has this result"):
        s.close(store, stop.stop_id, StopEnd.ID_CORRECTED, patient_id="40718823")
    assert s.states(store, "R1") == {"records": D.QUEUED, "chart": D.REFUSED, "ward": D.ACCEPTED}
    assert [event.what for event in store.events(f"stop:{stop.stop_id}")] == ["stop.opened"]
    strip_id = recorded.strip_id
    strip = store.strip(strip_id)
    assert strip is not None
    assert store.reading_facts(strip.capture_id, 0, record_digest=strip.record_digest).decisions.patient_id is None


def test_a_message_that_was_discarded_before_is_in_nobodys_way(store: SqliteStore) -> None:
    """Given up at one receiver, refused at the other: the strip may be judged again."""
    recorded = s.post(store, "R1", destinations=("records", "chart"))
    s.attempt(store, recorded.delivery_ids[0], Answer.REFUSED)
    (first,) = store.stops()
    s.close(store, first.stop_id, StopEnd.DISCARDED)
    s.attempt(store, recorded.delivery_ids[1], Answer.REFUSED)
    (second,) = store.stops()
    s.close(store, second.stop_id, StopEnd.READ_AGAIN)
    assert s.states(store, "R1") == {"records": D.DISCARDED, "chart": D.SUPERSEDED}


def test_decisions_add_up_and_the_last_patient_id_counts(store: SqliteStore) -> None:
    """Corrected, released, corrected once more: each decision stays on record, in order."""
    of = s.reading()
    capture_id = s.keep(store)
    for how, more in (
        (StopEnd.ID_CORRECTED, {"patient_id": "40718823"}),
        (StopEnd.RELEASED, {"accept_rules": frozenset({"copy.possible"})}),
        (StopEnd.ID_CORRECTED, {"patient_id": "40718831"}),
        (StopEnd.READ_AGAIN, {}),
    ):
        stopped = s.record(store, of, s.held(of), capture_id=capture_id)
        assert stopped.stop_id is not None
        s.close(store, stopped.stop_id, how, who=s.EDA if how is StopEnd.RELEASED else s.BO, **more)
    decisions = store.reading_facts(capture_id, 0, record_digest=of.record_digest).decisions
    assert (decisions.patient_id, decisions.corrected_by) == ("40718831", s.BO)
    assert decisions.accepted_rules == {"copy.possible"}
