"""What is foreseen is what then happens, and nothing of it is stored."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.desk.actions import Desk
from bridge.desk.foresight import Foresight, intended
from bridge.errors import RefusedAction, StoreFailed
from bridge.lifecycle.answers import Silence, no_answer
from bridge.lifecycle.states import StopEnd
from bridge.model import Acknowledgement, Actor, Answer
from bridge.pages.difference import differences
from bridge.store.commands import BeginAttempt, CloseStop, EndAttempt
from bridge.store.rows import StopRow
from bridge.store.sqlite import SqliteStore
from bridge.what_if import GIVEN_LATER, WhatIf, _Imagined
from tests.judging_for_tests import NOW, ORU, book, judging, kept, now, strip
from tests.tables.shipped_tables import ZONE, tables

ANA = Actor(name="Ana", verified="unverified")
GOOD, MISTYPED = "40718823", "4071882"  # the second one lacks a digit; invented


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store", now=now)
    yield opened
    opened.close()


def what_if(store: SqliteStore) -> WhatIf:
    return WhatIf(store, tables(), book(ORU, passed=[ORU.name]), now, profiles={"drops": "tern"})


def desk(store: SqliteStore) -> Desk:
    return Desk(store, tables().policy, now, zone=ZONE, holds=tables().holds)


def stopped(store: SqliteStore, **more: object) -> StopRow:
    """Have a strip judged that stops; give its row."""
    store.submit(kept(strip(1, **more))).result()
    asyncio.run(judging(store).work_off("bench-b"))
    (stop,) = store.stops()
    return stop


def correct(on: Desk, stop: StopRow) -> None:
    on.correct_patient_id(stop.stop_id, first=GOOD, second=GOOD, second_identifier="1", reason="typing slip", actor=ANA)


def everything(store: SqliteStore) -> list[str]:
    """Give the whole store as SQL."""
    return list(store._reader().iterdump())


def turned_away(store: SqliteStore) -> StopRow:
    """Have a result turned away; give its row."""
    return tried(store, Acknowledgement(answer=Answer.REFUSED, code="AR", text="No such patient"))


def tried(store: SqliteStore, answer: Acknowledgement, *, expire: bool = False) -> StopRow:
    """Have a result tried once, which stops it; give its row."""
    store.submit(kept(strip(1, patient_id=GOOD))).result()
    asyncio.run(judging(store).work_off("bench-b"))
    (result,) = store.results()
    (delivery,) = store.deliveries(result.result_id)
    attempt = store.submit(BeginAttempt(delivery_id=delivery.delivery_id, at=NOW)).result()
    store.submit(
        EndAttempt(
            delivery_id=delivery.delivery_id, attempt=attempt, at=NOW, acknowledgement=answer, due_at=None, expire=expire,
            sentence="It was turned away.", remedy="Look there.",
        )
    ).result()  # fmt: skip
    (stop,) = store.stops()
    return stop


def test_what_is_foreseen_is_what_goes(store: SqliteStore) -> None:
    """HZ-A01: the message shown before a correction is the one made after it, but for identifiers that are only given then; the store is as it was."""
    stop = stopped(store, patient_id=MISTYPED)
    before = everything(store)
    seen = what_if(store)(stop, intended(store, desk(store), lambda on: correct(on, stop)))
    assert everything(store) == before
    assert (seen.outcome, [each.destination for each in seen.messages]) == ("coded", ["records"])
    correct(desk(store), stop)
    asyncio.run(judging(store).work_off("bench-b"))
    (result,) = store.results()
    detail = store.result(result.result_id)
    assert detail is not None
    ((_, sent, _),) = detail.deliveries
    (foreseen,) = seen.messages
    assert foreseen.message is not None
    assert GOOD.encode() in foreseen.message.payload
    assert all(GIVEN_LATER in each.before for each in differences(foreseen.message, sent))


def test_a_correction_that_does_not_help_is_foreseen_too(store: SqliteStore) -> None:
    """Whatever else stops the strip still does; so nothing goes, and it is said why."""
    stop = stopped(store, patient_id=MISTYPED)
    command = intended(store, desk(store), lambda on: on.read_again(stop.stop_id, reason="r", actor=ANA))
    seen = what_if(store)(stop, command)
    assert (seen.outcome, seen.messages) == ("rejected", ())
    assert [each.rule for each in seen.findings if each.severity == "reject"] == ["patient.malformed"]


def test_a_message_that_goes_again_is_the_same(store: SqliteStore) -> None:
    """Byte for byte; a discarded one is none."""
    stop = turned_away(store)
    detail = store.result(store.results()[0].result_id)
    assert detail is not None
    ask = what_if(store)
    again = ask(stop, intended(store, desk(store), lambda on: on.send_again(stop.stop_id, reason="r", actor=ANA)))
    assert [each.message for each in again.messages] == [detail.deliveries[0][1]]
    gone = ask(stop, intended(store, desk(store), lambda on: on.discard(stop.stop_id, reason="r", actor=ANA)))
    assert gone == Foresight(outcome="discarded", findings=(), messages=())


def test_a_turned_away_result_goes_on_under_its_identity(store: SqliteStore) -> None:
    """Judged again under another patient ID it is the next version: what differs is the patient, and no identifier of ours."""
    stop = turned_away(store)
    other = "40718831"
    command = intended(
        store,
        desk(store),
        lambda on: on.correct_patient_id(stop.stop_id, first=other, second=other, second_identifier="1", reason="r", actor=ANA),
    )
    seen = what_if(store)(stop, command)
    detail = store.result(store.results()[0].result_id)
    assert detail is not None
    (foreseen,) = seen.messages
    assert foreseen.message is not None
    changed = differences(detail.deliveries[0][1], foreseen.message)
    assert [each.place for each in changed if each.place.startswith("PID")] == ["PID-3"]
    assert not [each for each in changed if GIVEN_LATER in each.after]


def test_what_the_act_would_refuse_is_refused_before_it(store: SqliteStore) -> None:
    """A receiver that was sent the result and never answered may have it: the act refuses to judge it anew, and so does its preview, in the same words."""
    stop = tried(store, no_answer(Silence.TIMEOUT, ""), expire=True)
    command = intended(store, desk(store), lambda on: on.read_again(stop.stop_id, reason="r", actor=ANA))
    with pytest.raises(RefusedAction, match="records has this result as it was, or may have it") as seen:
        what_if(store)(stop, command)
    with pytest.raises(RefusedAction) as done:
        store.submit(command).result()
    assert str(seen.value) == str(done.value)


def test_what_is_imagined_takes_nothing(store: SqliteStore) -> None:
    """Whoever asks it."""
    stop = stopped(store, patient_id=MISTYPED)
    command = CloseStop(stop_id=stop.stop_id, end=StopEnd.READ_AGAIN, actor=ANA, reason="r", at=NOW)
    with pytest.raises(StoreFailed):
        _Imagined(store, command, None).submit(command)
