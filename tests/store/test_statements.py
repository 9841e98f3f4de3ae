"""What several commands share: an event, a stop, a delivery's move."""

from __future__ import annotations

import pytest

from bridge.lifecycle.states import DELIVERY_STEPS, DeliveryEvent, StopGroup
from bridge.model import SERVICE, DeliveryState
from bridge.store.codec import microseconds
from bridge.store.database import SqliteDb
from bridge.store.interned import OwnKind
from bridge.store.sqlite import SqliteStore
from bridge.store.statements import Change, NewStop, move_delivery, note, note_own, open_stop
from tests.store import strips as s

PAIRS = [(state, event) for state in DeliveryState for event in DeliveryEvent]


def test_an_event_says_who_what_and_from_where_to_where(store: SqliteStore, file: SqliteDb) -> None:
    """One line of history; what is not said is empty."""
    note(file, s.NOW, s.BO, "stop.closed", "stop:7", Change(before="open", after="released", reason="seen"))
    note(file, s.later(1), s.EDA, "stop.seen", "stop:7", Change())
    one, two = store.events("stop:7")
    assert (one.at, one.actor, one.verified, one.what, one.subject) == (s.NOW, "Bo", "unverified", "stop.closed", "stop:7")
    assert (one.before, one.after, one.reason) == ("open", "released", "seen")
    assert (two.at, two.actor, two.before, two.after, two.reason) == (s.later(1), "Eda", "", "", "")
    assert store.events("stop:70") == ()


def test_an_event_of_our_own_reads_like_any_other(store: SqliteStore, file: SqliteDb) -> None:
    """What is said shorter because it comes with every strip is the same in the history."""
    note_own(file, microseconds(s.NOW), OwnKind("strip.judged", "strip", after="held"), 7, "why")
    note(file, s.NOW, SERVICE, "strip.judged", "strip:7", Change(after="held", reason="why"))
    own, usual = store.events("strip:7")
    assert own == usual


def test_a_stop_is_opened_with_its_event_and_without_the_patient(store: SqliteStore, file: SqliteDb) -> None:
    """History holds the rule and no identifier of a patient."""
    number = open_stop(file, NewStop(group=StopGroup.HELD, rules=("a.b", "c.d"), sentence="S.", remedy="R."), at=s.NOW)
    stop = store.stop(number)
    assert stop is not None
    assert (stop.rule, stop.rules, stop.sentence, stop.remedy, stop.place, stop.repeats) == (
        "a.b",
        ("a.b", "c.d"),
        "S.",
        "R.",
        None,
        0,
    )
    (event,) = store.events(f"stop:{number}")
    assert (event.what, event.after, event.reason, event.actor) == ("stop.opened", "held", "a.b", "padpost")


@pytest.mark.parametrize(("state", "event"), PAIRS, ids=[f"{state}-{event.name}" for state, event in PAIRS])
def test_a_delivery_moves_by_the_table_alone(file: SqliteDb, state: DeliveryState, event: DeliveryEvent) -> None:
    """Each of all pairs: the table's next state with its event, or an error that changes nothing."""
    file.execute(
        "INSERT INTO deliveries (id, destination, lane, priority, result_id, version, format, state, attempts, born_at, last_code)"
        " VALUES (5, 'records', 'A', 'routine', 'R1', 1, '', ?, 0, 'x', '')",
        (state,),
    )
    expected = DELIVERY_STEPS.get((state, event))
    if expected is None:
        with pytest.raises(ValueError, match="cannot meet"):
            move_delivery(file, 5, event, s.NOW, s.BO)
        assert file.execute("SELECT count(*) FROM events").fetchone() == (0,)
    else:
        assert move_delivery(file, 5, event, s.NOW, s.BO, reason="why") is expected
        told = file.execute("SELECT what, subject, before, after, reason, actor FROM history").fetchall()
        assert told == [(f"delivery.{event.name.lower()}", "delivery:5", state, expected, "why", "Bo")]
    assert file.execute("SELECT state FROM deliveries").fetchone() == (expected or state,)
