"""Every kind of stop with every act that ends one: what was foreseen is what then happens, and what was refused is refused in the same words."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from bridge.desk.actions import Desk
from bridge.desk.corrections import CorrectionDesk, CorrectionTerms, Who
from bridge.desk.foresight import Foresight, intended
from bridge.errors import RefusedAction
from bridge.identity.patient_id import id_fault
from bridge.lifecycle.answers import Silence, no_answer
from bridge.model import Acknowledgement, Actor, Answer
from bridge.pages.difference import differences
from bridge.plan_book import PlanBook
from bridge.store.commands import BearMessage, BeginAttempt, EndAttempt, EndWait, NoteRefusedFile
from bridge.store.database import SqliteDb
from bridge.store.review import review
from bridge.store.rows import DeliveryRow, StopRow
from bridge.store.sqlite import FILE, SqliteStore
from bridge.what_if import GIVEN_LATER, WhatIf
from tests.judging_for_tests import NOW, ORU, book, judging, kept, now, strip
from tests.tables.shipped_tables import ZONE, tables

ANA = Actor(name="Ana", verified="unverified")
GOOD, OTHER, MISTYPED = "40718823", "40718831", "4071882"  # the last one lacks a digit; invented
WARD = replace(ORU, name="ward")
NO = Acknowledgement(answer=Answer.REFUSED, code="AR", text="No such patient")
YES = Acknowledgement(answer=Answer.ACCEPTED, code="AA", text="")
Act = Callable[[Desk, StopRow], None]
Kind = Callable[[SqliteStore, int], StopRow]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store", now=now)
    yield opened
    opened.close()


def writers() -> PlanBook:
    return book(ORU, WARD, passed=[ORU.name, WARD.name])


def work_off(store: SqliteStore) -> None:
    asyncio.run(judging(store, writers()).work_off("bench-b"))


def newest(store: SqliteStore) -> StopRow:
    return store.stops()[0]


# --- kinds of stop, each of a strip with the number


def of(**more: object) -> Kind:
    """Have a strip judged that stops."""

    def made(store: SqliteStore, number: int) -> StopRow:
        store.submit(kept(strip(number, **{"patient_id": GOOD, **more}))).result()
        work_off(store)
        return newest(store)

    return made


def bytes_of(cut: Callable[[bytes], bytes]) -> Kind:
    """Have two strips received in one piece of which something cannot be read."""

    def made(store: SqliteStore, number: int) -> StopRow:
        whole = kept(strip(number, patient_id=GOOD), strip(number + 1, patient_id=GOOD))
        store.submit(replace(whole, capture=replace(whole.capture, payload=cut(whole.capture.payload)))).result()
        work_off(store)
        return newest(store)

    return made


def by_another_profile(store: SqliteStore, number: int) -> StopRow:
    """Nothing of it could be read by the profile that its source had then; by the one of today it holds two strips."""
    both = kept(strip(number, patient_id=patient(number)), strip(number + 1, patient_id=patient(number + 1)))
    store.submit(replace(both, profile="wren")).result()
    work_off(store)
    return newest(store)


def sent(*answers: Acknowledgement, expire: bool = False) -> Kind:
    """Have a result tried at both receivers, or the first alone, with what each said last."""

    def made(store: SqliteStore, number: int) -> StopRow:
        posted(store, number)
        for delivery, answer in zip(deliveries(store), answers, strict=False):
            tried(store, delivery, answer, expire=expire)
        return newest(store)

    return made


def posted(store: SqliteStore, number: int) -> None:
    """Have a result made, of a patient of its own, so that no message waits behind another strip's."""
    store.submit(kept(strip(number, patient_id=patient(number)))).result()
    work_off(store)


def patient(number: int) -> str:
    """Give an invented patient ID with its check digit."""
    policy = tables().policy.patient_id
    return next(made for digit in range(10) if id_fault(made := f"40{number:03}00{digit}", policy) is None)


def deliveries(store: SqliteStore) -> tuple[DeliveryRow, ...]:
    return store.deliveries(store.results()[0].result_id)


def tried(store: SqliteStore, delivery: DeliveryRow, answer: Acknowledgement, *, expire: bool = False) -> None:
    ended(store, delivery, store.submit(BeginAttempt(delivery_id=delivery.delivery_id, at=NOW)).result(), answer, expire=expire)


def ended(store: SqliteStore, delivery: DeliveryRow, attempt: int, answer: Acknowledgement, *, expire: bool = False) -> None:
    command = EndAttempt(
        delivery_id=delivery.delivery_id, attempt=attempt, at=NOW, acknowledgement=answer, due_at=None, expire=expire,
        sentence="It was turned away.", remedy="Look there.",
    )  # fmt: skip
    store.submit(command).result()


def unanswered(store: SqliteStore, number: int) -> StopRow:
    """Let the receiver keep it, which then never says what became of it."""
    posted(store, number)
    first = deliveries(store)[0]
    tried(store, first, Acknowledgement(answer=Answer.COMMITTED, code="CA", text=""))
    over = EndWait(delivery_id=first.delivery_id, at=NOW, is_yes=False, sentence="No answer came.", remedy="Look there.")
    store.submit(over).result()
    return newest(store)


def withdrawn(store: SqliteStore, number: int) -> StopRow:
    """Taken by both and withdrawn; one of them turns the withdrawal away."""
    posted(store, number)
    first, second = deliveries(store)
    for each in (first, second):
        tried(store, each, YES)
    corrections = CorrectionDesk(store, tables(), now, zone=ZONE, terms=CorrectionTerms(), says=lambda _: None)
    told = corrections.withdraw(first.result_id, 1, who=Who(actor=ANA, second="Bo", reason="wrong patient"))
    detail = store.result(first.result_id)
    assert detail is not None
    taking = replace(detail.deliveries[0][1], version=2, control_id=f"W{number}")
    store.submit(BearMessage(delivery_id=told.withdrawals[0], message=taking, at=NOW)).result()
    tried(store, replace(first, delivery_id=told.withdrawals[0]), NO)
    return newest(store)


def file(store: SqliteStore, number: int) -> StopRow:
    """Never kept."""
    noted = NoteRefusedFile(
        source="drops", name=f"{number}.bin", digest=f"{number:064}", size=9, beginning=b"x", sentence="S.", remedy="R.", at=NOW
    )
    stop = store.stop(store.submit(noted).result())
    assert stop is not None
    return stop


def conflict(store: SqliteStore, number: int) -> StopRow:
    """Have a number come that came before, with another patient."""
    posted(store, number)
    return of(patient_id=MISTYPED + "0")(store, number)


KINDS: Mapping[str, Kind] = {
    "patient ID mistyped": of(patient_id=MISTYPED),
    "printed in the future": of(at=(NOW + timedelta(hours=5)).astimezone(ZONE)),
    "number with other content": conflict,
    "torn": bytes_of(lambda payload: payload[:-40]),
    "not readable": bytes_of(lambda _: b"nothing to read"),
    "read by another profile": by_another_profile,
    "file not kept": file,
    "turned away by one": sent(NO),
    "turned away by both": sent(NO, NO),
    "turned away by one, taken by the other": sent(YES, NO),
    "given up, never left": sent(no_answer(Silence.NO_CONNECTION, ""), expire=True),
    "given up unanswered": sent(no_answer(Silence.TIMEOUT, ""), expire=True),
    "kept there, and no answer": unanswered,
    "withdrawn since": withdrawn,
}
ACTS: Mapping[str, Act] = {
    "correct": lambda on, stop: on.correct_patient_id(
        stop.stop_id, first=OTHER, second=OTHER, second_identifier=stop.number or "1", reason="r", actor=ANA
    ),
    "correct-time": lambda on, stop: on.correct_time(
        stop.stop_id, day="2026-11-25", clock="08:30", which="", reason="r", actor=ANA
    ),
    "release": lambda on, stop: on.release(stop.stop_id, reason="r", actor=ANA, second="Bo"),
    "send-again": lambda on, stop: on.send_again(stop.stop_id, reason="r", actor=ANA),
    "read-again": lambda on, stop: on.read_again(stop.stop_id, reason="r", actor=ANA),
    "discard": lambda on, stop: on.discard(stop.stop_id, reason="r", actor=ANA, specimen="nothing to do"),
}


def foreseen(store: SqliteStore, stop: StopRow, act: Act) -> Foresight | str:
    """Give what is said before the act: what would become of it, or why it would be refused."""
    what_if = WhatIf(store, tables(), writers(), now, profiles={"drops": "tern"})
    try:
        return what_if(stop, intended(store, desk(store), lambda on: act(on, stop)))
    except RefusedAction as error:
        return str(error)


def done(store: SqliteStore, stop: StopRow, act: Act) -> str:
    """Do it, and judge what is to be judged; give why it was refused, "" where it was not."""
    try:
        act(desk(store), stop)
    except RefusedAction as error:
        return str(error)
    work_off(store)
    return ""


def desk(store: SqliteStore) -> Desk:
    return Desk(store, tables().policy, now, zone=ZONE, holds=tables().holds)


Happened = tuple[str, tuple[str, ...]]  # an outcome, and the sentences of what was found


def became(store: SqliteStore, stop: StopRow, before: int) -> list[Happened]:
    """Give what the strips of a stop's capture are since the act, but for those that it left alone."""
    strips = store.capture_strips(stop.capture_id) if stop.capture_id is not None else ()
    return [(each.outcome, tuple(said for _, _, said in each.findings)) for each in strips if each.strip_id > before]


def told(seen: Foresight) -> list[Happened]:
    each_of = (seen, *seen.others)
    return [(each.outcome, tuple(found.sentence for found in each.findings)) for each in each_of if each.outcome]


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_foreseen_is_what_the_act_does(store: SqliteStore, kind: str) -> None:
    """HZ-A01, HZ-I03: over every kind of stop and every act."""
    for number, (name, act) in enumerate(ACTS.items(), start=1):
        compare(store, KINDS[kind](store, 2 * number), name, act)


def test_what_a_restore_left_in_doubt_is_foreseen_too(tmp_path: Path) -> None:
    """HZ-I03: queued in the backup, it may have gone since."""
    with closing(SqliteStore(tmp_path / "store", now=now)) as store:
        for number in range(len(ACTS)):
            posted(store, number + 1)
    with closing(sqlite3.connect(tmp_path / "store" / FILE, isolation_level=None, factory=SqliteDb)) as file:
        file.execute("BEGIN IMMEDIATE")
        review(file, now=NOW, taken_at=NOW - timedelta(hours=1))
        file.execute("COMMIT")
    with closing(SqliteStore(tmp_path / "store", now=now)) as store:
        for stop, (name, act) in zip(store.stops(limit=len(ACTS)), ACTS.items(), strict=True):
            compare(store, stop, name, act)


def compare(store: SqliteStore, stop: StopRow, name: str, act: Act) -> None:
    """Look, then act, then compare."""
    seen, last_strip = foreseen(store, stop, act), last(store)
    assert store.stop(stop.stop_id) == stop
    refused = done(store, stop, act)
    now_there = store.stop(stop.stop_id)
    assert now_there is not None
    if isinstance(seen, str):
        assert (seen, now_there) == (refused, stop), name
        return
    assert (refused, now_there.state.value) == ("", "closed"), name
    if name == "discard":
        assert (seen.messages, became(store, stop, last_strip)) == ((), []), name
    elif name == "send-again":
        (again,) = [each for each in of_stop(store, stop) if each.delivery_id == stop.delivery_id]
        assert ([each.destination for each in seen.messages], again.state.value) == ([again.destination], "queued"), name
    else:
        assert told(seen) == became(store, stop, last_strip), name
        compare_messages(store, stop, seen)


def compare_messages(store: SqliteStore, stop: StopRow, seen: Foresight) -> None:
    """Each message that was shown is the one that was made, but for identifiers that are only given then."""
    shown = [(each.destination, each.message) for one in (seen, *seen.others) for each in one.messages]
    its = (
        [each.result_id for each in store.capture_strips(stop.capture_id) if each.result_id]
        if stop.capture_id is not None
        else []
    )
    details = [detail for result in its if (detail := store.result(result)) is not None]
    made = [(way.destination, message) for each in details for way, message, _ in each.deliveries if way.version == each.version]
    assert [to for to, _ in shown] == [to for to, _ in made]
    for (_, before), (_, after) in zip(shown, made, strict=True):
        assert before is not None
        assert all(GIVEN_LATER in each.before for each in differences(before, after)), stop.rule


def of_stop(store: SqliteStore, stop: StopRow) -> tuple[DeliveryRow, ...]:
    its = store.strip(stop.strip_id) if stop.strip_id is not None else None
    return store.deliveries(its.result_id) if its is not None else ()


def last(store: SqliteStore) -> int:
    return store.news(after_stop=0, after_strip=0).last_strip


def test_every_kind_is_another_kind_and_every_act_is_done_on_some(store: SqliteStore) -> None:
    """The table is no list of refusals: each act is foreseen, and not refused, for at least one kind of stop."""
    could = {
        name: [kind for number, kind in enumerate(("patient ID mistyped", "printed in the future", "turned away by one"), start=1)
               if not isinstance(foreseen(store, KINDS[kind](store, 10 * number + place), act), str)]
        for place, (name, act) in enumerate(ACTS.items())
    }  # fmt: skip
    assert could["correct-time"] == could["release"] == ["printed in the future"]
    assert could["send-again"] == ["turned away by one"]
    assert all(could.values())


def test_every_strip_of_a_transmission_that_is_read_again_is_foreseen(store: SqliteStore) -> None:
    """Nothing could be read of it, so all of it is: two strips come of it, and each has its messages."""
    stop = by_another_profile(store, 1)
    seen = foreseen(store, stop, ACTS["read-again"])
    assert isinstance(seen, Foresight)
    assert [each.outcome for each in (seen, *seen.others)] == ["coded", "coded"]
    assert [[message.destination for message in each.messages] for each in (seen, *seen.others)] == [["records", "ward"]] * 2
