"""Identifiers and judging on a real store; what goes wrong is a real exception at a seam."""

from __future__ import annotations

import asyncio
import re
import tempfile
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge import pipeline
from bridge.errors import LeaseLost, StoreFull
from bridge.judging import BLOCK, LONG_BYTES, Ids, Judging
from bridge.lifecycle.states import StopEnd
from bridge.model import Actor, DeliveryState, Format, Grade, Message, Purpose
from bridge.plan_book import PlanBook
from bridge.queue.leases import Free
from bridge.queue.offers import Offer
from bridge.store.api import Store
from bridge.store.commands import CloseStop, Command, KeepCapture, RecordOutcome
from bridge.store.rows import CaptureRow, StripRow
from bridge.store.sqlite import SqliteStore
from bridge.tables.flag_table import Condition, CriticalRule
from tests.judging_for_tests import NOW, ORU, Refusing, book, judging, kept, now, outcomes, strip
from tests.render import tables_for_tests
from tests.tables.shipped_tables import tables

FHIR = replace(tables_for_tests.FHIR, name="chart")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store", now=now)
    yield opened
    opened.close()


async def drawn(ids: Ids, count: int) -> list[str]:
    return list(await asyncio.gather(*(ids.control() if n % 2 else ids.result() for n in range(count))))


def test_identifiers_fit_msh_10_and_never_repeat_among_many_askers(store: SqliteStore) -> None:
    """HL7 v2.5.1 gives MSH-10 20 characters; tasks that ask at once, over the end of a block, get one number each, in order."""
    given_out = asyncio.run(drawn(Ids(store), 2 * BLOCK + 3))
    assert given_out[:3] == [f"{store.epoch}R1", f"{store.epoch}M2", f"{store.epoch}R3"]
    assert [int(re.split("[RM]", name[5:])[1]) for name in given_out] == list(range(1, 2 * BLOCK + 4))
    assert all(re.fullmatch("[A-Z0-9]{5}[RM][0-9]{1,14}", name) for name in given_out)


def test_the_next_block_is_asked_for_before_it_is_needed(store: SqliteStore) -> None:
    """Half a block ahead, so that no strip waits for that commit; where it is refused, whoever needs it asks again."""
    asked: list[Future[Any]] = []

    class Asked(Refusing):
        """The real store, which refuses the second block once."""

        def submit(self, command: Command) -> Future[Any]:
            asked.append(super().submit(command))
            return asked[-1]

    async def whole() -> None:
        ids = Ids(Asked(store, times=1, error=StoreFull("no room"), after=1).as_store)
        await drawn(ids, BLOCK // 2)
        assert len(asked) == 1
        await drawn(ids, BLOCK // 2)
        assert len(asked) == 2
        assert await ids.result() == f"{store.epoch}R{BLOCK + 1}"
        assert len(asked) == 3
        await drawn(ids, BLOCK)
        assert (len(asked), await ids.control()) == (4, f"{store.epoch}M{2 * BLOCK + 2}")

    asyncio.run(whole())


def test_the_mark_is_durable_before_a_number_is_used(tmp_path: Path, store: SqliteStore) -> None:
    """Whoever starts after a crash begins behind the whole block that was reserved, used or not."""
    assert asyncio.run(Ids(store).result()) == f"{store.epoch}R1"
    assert asyncio.run(Ids(store).result()) == f"{store.epoch}R{BLOCK + 1}"
    other = SqliteStore(tmp_path / "other", now=now)
    assert (
        other.epoch != store.epoch
    )  # another store, or this one restored, can draw the same numbers: the epoch tells them apart
    other.close()


@given(runs=st.lists(st.integers(0, 40), min_size=1, max_size=4))
@settings(max_examples=10, deadline=None)
def test_numbers_never_repeat_over_restarts(runs: list[int]) -> None:
    """However many a run draws before it ends, the next run's are new, and one epoch holds for all."""
    seen: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        for count in runs:
            opened = SqliteStore(Path(folder), now=now)
            seen += asyncio.run(drawn(Ids(opened), count))
            opened.close()
    assert len(set(seen)) == len(seen) == sum(runs)
    assert len({name[:5] for name in seen}) == min(1, len(seen))
    numbers = [int(name[6:]) for name in seen]
    assert numbers == sorted(set(numbers))


def test_a_full_disk_gives_no_number_and_the_next_asker_gets_one(store: SqliteStore) -> None:
    """A reservation that failed must not leave a block that looks reserved."""
    refusing = Refusing(store, times=1, error=StoreFull("no room"))
    ids = Ids(refusing.as_store)

    async def ask() -> str:
        with pytest.raises(StoreFull):
            await ids.result()
        return await ids.result()

    assert asyncio.run(ask()) == f"{store.epoch}R1"


def test_each_analyzer_is_worked_off_by_itself_in_the_order_of_arrival(store: SqliteStore) -> None:
    """A copy is known by what came before it, so order is everything; another analyzer's work is not touched."""
    first = store.submit(kept(strip(1), strip(2))).result()
    second = store.submit(kept(strip(2), strip(3))).result()
    other = store.submit(KeepCapture(capture=kept(strip(9)).capture, analyzer="bench-z", profile="tern")).result()
    assert asyncio.run(judging(store).work_off("bench-b")) == 4
    assert outcomes(store, first) == [("1", "coded"), ("2", "coded")]
    assert outcomes(store, second) == [("2", "copy"), ("3", "coded")]
    assert outcomes(store, other) == []
    assert store.analyzers_with_work() == ("bench-z",)
    assert asyncio.run(judging(store).work_off("bench-b")) == 0


def test_a_long_capture_is_read_beside_the_loop(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """It takes seconds, in which other analyzers must still be answered; a usual one is not worth a thread."""
    where: list[bool] = []
    real = pipeline.understand

    def seen(*args: Any, **more: Any) -> Any:
        where.append(threading.current_thread() is threading.main_thread())
        return real(*args, **more)

    monkeypatch.setattr(pipeline, "understand", seen)
    usual = kept(strip(1))
    long = replace(usual, capture=replace(usual.capture, payload=b"x;" * (LONG_BYTES // 2 + 1)))
    ids = [store.submit(each).result() for each in (usual, long)]
    asyncio.run(judging(store).work_off("bench-b"))
    assert where == [True, False]
    assert [bool(outcomes(store, capture_id)) for capture_id in ids] == [True, True]


@pytest.mark.parametrize("recorded", [0, 1, 2])
def test_a_capture_cut_in_the_middle_goes_on_where_it_stopped(store: SqliteStore, recorded: int) -> None:
    """What was recorded before the disk failed stands once; the rest follows; nothing is judged twice."""
    capture_id = store.submit(kept(strip(1), strip(2), strip(3))).result()
    failing = Refusing(store, times=1, error=StoreFull("no room"), kind=RecordOutcome, after=recorded)
    with pytest.raises(StoreFull):
        asyncio.run(judging(failing.as_store).work_off("bench-b"))
    assert len(outcomes(store, capture_id)) == recorded
    assert asyncio.run(judging(store).work_off("bench-b")) == 3 - recorded
    assert outcomes(store, capture_id) == [("1", "coded"), ("2", "coded"), ("3", "coded")]
    names = [row.result_id for row in store.results()]
    assert len(set(names)) == len(names) == 3


def test_a_destination_that_has_not_passed_gets_its_message_later(store: SqliteStore) -> None:
    """Nothing unchecked is written; but the delivery stands in its lane from the first moment, so that order holds."""
    writers = book(ORU, FHIR, passed=[FHIR.name])
    store.submit(kept(strip(1, word="Urgente"))).result()
    assert asyncio.run(judging(store, writers).work_off("bench-b")) == 1
    (result,) = store.results()
    waiting, born = store.deliveries(result.result_id)
    assert (waiting.destination, waiting.state, waiting.control_id) == (ORU.name, DeliveryState.UNBORN, "")
    assert (born.destination, born.state) == (FHIR.name, DeliveryState.QUEUED)
    assert re.fullmatch(f"{store.epoch}M[0-9]+", born.control_id)
    assert waiting.lane == born.lane != ""
    assert [delivery_id for delivery_id, _ in store.unborn(ORU.name, limit=5)] == [waiting.delivery_id]


def test_what_a_destination_cannot_say_stops_the_strip_for_all(store: SqliteStore) -> None:
    """A specimen's text outside the character set is rejected with its rule and remedy; no receiver gets half of a result."""
    narrow = PlanBook([replace(ORU, name="narrow", charset="ASCII"), FHIR], ["tern"], tables())
    for name in narrow.destinations:
        narrow.passed(name)
    capture_id = store.submit(kept(strip(1, patient_id="40718801", operator="Zé"), strip(2))).result()
    assert asyncio.run(judging(store, narrow).work_off("bench-b")) == 2
    assert outcomes(store, capture_id) == [("1", "rejected"), ("2", "coded")]
    (stop,) = store.stops()
    assert (stop.rule, stop.number) == ("render.charset", "1")
    assert "'é' (U+00E9) cannot be sent to narrow, which takes ASCII" in stop.sentence
    assert "UNICODE UTF-8" in stop.remedy
    assert [row.number for row in store.results()] == ["2"]


QC = replace(ORU, name="qc", format=Format.OUL_R22, non_patient=True)


def control_row(store: SqliteStore, number: str) -> StripRow:
    """Give the one control of that number."""
    (row,) = (each for each in store.strips(outcome="non_patient") if each.number == number)
    return row


def test_a_control_goes_where_controls_are_asked_for_and_nowhere_else(store: SqliteStore) -> None:
    """A patient's strip goes to both; a control and a comparison to one, in the analyzer's lane; the rest stays in the house."""
    words = ("Rotina", "Controlo", "Comparação", "Externo", "Treino")
    store.submit(kept(*(strip(n, word=word, specimen_id=f"U{n}") for n, word in enumerate(words, 1)))).result()
    writers = book(ORU, QC, passed=[ORU.name, QC.name])
    assert asyncio.run(judging(store, writers).work_off("bench-b")) == 5
    sent = {row.number: store.deliveries(row.result_id) for row in store.strips() if row.result_id}
    assert {number: [(to.destination, to.lane, to.state) for to in its] for number, its in sent.items()} == {
        "1": [("records", "patient:40718801", "queued"), ("qc", "patient:40718801", "queued")],
        "2": [("qc", "analyzer:bench-b", "queued")],
        "3": [("qc", "analyzer:bench-b", "queued")],
    }
    detail = store.result(control_row(store, "2").result_id)
    assert detail is not None
    assert detail.result is not None
    assert (detail.result.purpose, detail.result.patient_id, detail.strip.outcome) == (Purpose.CONTROL, "", "non_patient")
    assert b"40718802" not in detail.deliveries[0][1].payload  # what the control had printed in the patient's place
    assert store.stops() == ()


def test_a_control_that_nobody_asks_for_is_no_result(store: SqliteStore) -> None:
    """The default: stored and shown, nothing to send, nothing to say."""
    store.submit(kept(strip(1, word="Controlo"))).result()
    assert asyncio.run(judging(store).work_off("bench-b")) == 1
    row = control_row(store, "1")
    assert (row.result_id, row.findings, store.results(), store.stops()) == ("", (), (), ())


def test_a_control_that_a_receiver_cannot_be_told_stops_nothing(store: SqliteStore) -> None:
    """Its operator is outside the character set: it goes nowhere, a note says why, and no person has to decide."""
    narrow = replace(QC, charset="ASCII")
    store.submit(kept(strip(1, word="Controlo", operator="Zé"))).result()
    asyncio.run(judging(store, book(ORU, narrow, passed=[ORU.name, QC.name])).work_off("bench-b"))
    row = control_row(store, "1")
    assert (row.result_id, [finding[:2] for finding in row.findings]) == ("", [("render.charset", "note")])
    assert store.stops() == ()


def test_a_control_sent_again_from_the_analyzers_memory_is_a_copy(store: SqliteStore) -> None:
    """Printed again, it is noted and not posted; a second run of the same material is a control of its own and goes."""
    writers = book(ORU, QC, passed=[ORU.name, QC.name])
    for plays in ([strip(1, word="Controlo")], [strip(1, word="Controlo")], [strip(2, word="Controlo")]):
        store.submit(kept(*plays)).result()
    asyncio.run(judging(store, writers).work_off("bench-b"))
    assert [(row.number, row.outcome) for row in store.strips()] == [("2", "non_patient"), ("1", "copy"), ("1", "non_patient")]
    (qc,) = store.destinations()
    assert (qc.name, qc.waiting) == ("qc", 2)


@pytest.mark.parametrize(("asked", "posted"), [(True, 1), (False, 0)])
def test_a_capture_read_again_posts_no_control_twice(store: SqliteStore, *, asked: bool, posted: int) -> None:
    """A control that went stays as it is, as a patient's strip does; one that never went is judged anew and still goes nowhere."""
    writers = book(ORU, replace(QC, non_patient=asked), passed=[ORU.name, QC.name])
    torn = kept(strip(1, word="Controlo"), strip(2))
    lines = torn.capture.payload.splitlines(keepends=True)
    spoilt = b"".join([*lines[:-1], lines[-1].replace(b"40718802", b'"40718802')])
    capture_id = store.submit(replace(torn, capture=replace(torn.capture, payload=spoilt))).result()
    asyncio.run(judging(store, writers).work_off("bench-b"))
    (stop,) = store.stops()
    first = store.capture_strips(capture_id)[0]
    ada = Actor(name="Ada", verified="unverified")
    store.submit(CloseStop(stop_id=stop.stop_id, end=StopEnd.READ_AGAIN, actor=ada, reason="mended", at=NOW)).result()
    asyncio.run(judging(store, writers).work_off("bench-b"))
    again = store.capture_strips(capture_id)[0]
    assert (again.strip_id == first.strip_id, again.outcome, again.number) == (asked, "non_patient", "1")
    (row,) = store.destinations() if posted else (None,)
    assert (row.name if row else "", row.waiting if row else 0) == ("qc" if posted else "", posted)


def test_judging_ends_where_the_analyzer_is_anothers(store: SqliteStore) -> None:
    """The lease is lost between two strips: what is recorded stands, the rest is the other's."""
    capture_id = store.submit(kept(strip(1), strip(2))).result()

    class Losing(Free):
        left = 2  # looked at as judging begins, and for the first strip

        def fence(self) -> None:
            self.left -= 1
            if self.left < 0:
                raise LeaseLost("another's")

    with pytest.raises(LeaseLost):
        asyncio.run(judging(store).work_off("bench-b", Losing()))
    assert outcomes(store, capture_id) == [("1", "coded")]
    assert asyncio.run(judging(store).work_off("bench-b")) == 1


def test_an_outcome_whose_commit_was_lost_sight_of_is_not_recorded_twice(store: SqliteStore) -> None:
    """Another judge was quicker, or our own commit happened after all: the work is looked at again, and goes on behind it."""
    capture_id = store.submit(kept(strip(1), strip(2))).result()

    class Twice:
        """The real store, which does one RecordOutcome before we ask for it."""

        done = False

        def submit(self, command: Command) -> Future[Any]:
            if isinstance(command, RecordOutcome) and not self.done:
                self.done = True
                store.submit(command).result()
            return store.submit(command)

        def __getattr__(self, name: str) -> Any:
            return getattr(store, name)

    assert asyncio.run(judging(cast("Store", Twice())).work_off("bench-b")) == 1
    assert outcomes(store, capture_id) == [("1", "coded"), ("2", "coded")]
    assert len(store.strips()) == 2


class Sender:
    """A destination's queue as judging meets it: it notes what it is offered and told, and takes the first so many."""

    def __init__(self, takes: int) -> None:
        self._takes = takes
        self.heard: list[tuple[Any, ...]] = []

    def offer(self, message: Message) -> Offer | None:
        self.heard.append(("offered", message.lane))
        if not self._takes:
            return None
        self._takes -= 1
        return Offer(message=message, lease=None, run=0, told=self._told, fell=self._fell)

    def _told(self, offer: Offer, delivery_id: int, attempt: int | None) -> None:
        self.heard.append(("made", offer.message.lane, delivery_id, attempt))

    def _fell(self, offer: Offer, error: BaseException) -> None:
        self.heard.append(("failed", offer.message.lane, str(error)))

    async def room(self) -> None:
        """Have room."""

    def came(self) -> None:
        self.heard.append(("came",))

    def wake(self) -> None:
        self.heard.append(("woken",))


def test_a_message_that_is_taken_begins_with_its_outcome(store: SqliteStore) -> None:
    """Who sends is asked before the commit and told after it: which try began, or that a delivery waits in the store."""
    store.submit(kept(strip(1), strip(2))).result()
    sender = Sender(takes=1)
    assert asyncio.run(judging(store, outlets={"records": sender}).work_off("bench-b")) == 2
    one, two = store.deliveries(store.strips()[1].result_id)[0], store.deliveries(store.strips()[0].result_id)[0]
    assert (one.state, one.attempts, two.state, two.attempts) == (DeliveryState.SENDING, 1, DeliveryState.QUEUED, 0)
    assert sender.heard == [("offered", one.lane), ("made", one.lane, one.delivery_id, 1), ("offered", two.lane), ("came",)]


def test_a_message_that_cannot_be_made_yet_wakes_who_makes_it(store: SqliteStore) -> None:
    """A destination that is shut makes its messages later; there is nothing to offer."""
    store.submit(kept(strip(1))).result()
    sender = Sender(takes=9)
    asyncio.run(judging(store, book(ORU), outlets={"records": sender}).work_off("bench-b"))
    assert sender.heard == [("woken",)]


def test_who_sends_hears_of_an_outcome_that_was_refused(store: SqliteStore) -> None:
    """A full disk takes nothing: the place that was given for its message is free again."""
    store.submit(kept(strip(1))).result()
    sender = Sender(takes=9)
    full = Refusing(store, times=1, error=StoreFull("no room"), kind=RecordOutcome)
    with pytest.raises(StoreFull):
        asyncio.run(judging(full.as_store, outlets={"records": sender}).work_off("bench-b"))
    assert [told[0] for told in sender.heard] == ["offered", "failed"]


def test_who_sends_hears_of_an_outcome_that_nobody_waits_for_any_more(store: SqliteStore) -> None:
    """The analyzer is another's by the time the commit is through: what began here is sent here all the same."""
    store.submit(kept(strip(1))).result()
    sender, taken = Sender(takes=9), threading.Event()

    class Late(Refusing):
        """The real store, which does an outcome only when the test lets it."""

        def submit(self, command: Command) -> Future[Any]:
            if not isinstance(command, RecordOutcome):
                return store.submit(command)
            late: Future[Any] = Future()
            waiting.append((command, late))
            taken.set()
            return late

    waiting: list[tuple[RecordOutcome, Future[Any]]] = []

    async def whole() -> None:
        late = Late(store, times=0, error=StoreFull("no room"))
        task = asyncio.create_task(judging(late.as_store, outlets={"records": sender}).work_off("bench-b"))
        while not taken.is_set():
            await asyncio.sleep(0.001)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        ((command, future),) = waiting
        future.set_result(store.submit(command).result())
        while len(sender.heard) < 2:
            await asyncio.sleep(0.001)

    asyncio.run(whole())
    assert [told[0] for told in sender.heard] == ["offered", "made"]


@pytest.mark.parametrize(("room_bytes", "read_again"), [(1_000_000, 0), (1, 3)])
def test_what_was_handed_over_is_judged_without_being_read_again_as_far_as_there_is_room(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch, room_bytes: int, read_again: int
) -> None:
    """Where there is no room the store has them all the same."""
    monkeypatch.setattr("bridge.judging.MOST_FRESH_BYTES", room_bytes)
    asked: list[int] = []

    class Asked(Refusing):
        """The real store; who asks for a capture is noted."""

        def capture(self, capture_id: int) -> CaptureRow:
            asked.append(capture_id)
            return store.capture(capture_id)

    judges = judging(Asked(store, times=0, error=StoreFull("no room")).as_store)
    for number in range(1, 4):
        command = kept(strip(number))
        capture_id = store.submit(command).result(10)
        judges.hand_over(
            CaptureRow(capture_id=capture_id, analyzer=command.analyzer, profile=command.profile, capture=command.capture)
        )
    assert asyncio.run(judges.work_off("bench-b")) == 3
    assert len(asked) == read_again
    assert store.analyzers_with_work() == ()


RULE = CriticalRule(
    rule="sugar-blood",
    when=(Condition(pad="glucose", grade=Grade.PLUS_3), Condition(pad="blood", grade=Grade.PLUS_1)),
    text="Sugar and blood.",
)


@pytest.mark.parametrize(("patient", "outcome"), [("40718801", "coded"), ("", "rejected")])
def test_a_critical_strip_opens_its_task_with_its_outcome(store: SqliteStore, patient: str, outcome: str) -> None:
    """HZ-I01: in one commit, also of a strip that is stopped; with the values as they were printed, and nothing of a near miss."""
    critical = replace(tables(), flags=replace(tables().flags, critical=(RULE,)))
    for number, ranks in ((1, {"glucose": 4, "blood": 2}), (2, {"glucose": 3, "blood": 2})):
        store.submit(kept(strip(number, ranks=ranks, patient_id=patient))).result(10)
    plans = PlanBook([ORU], ["tern"], critical)
    plans.passed(ORU.name)
    judge = Judging(store, critical, plans, Ids(store), now, profiles={"drops": "tern"})
    asyncio.run(judge.work_off("bench-b"))
    assert [row.outcome for row in store.strips()] == [outcome, outcome]
    (task,) = store.tellings_open()
    assert (task.critical.rule, task.critical.text, task.strip.number) == ("sugar-blood", "Sugar and blood.", "1")
    assert task.critical.values == (("Glucose", "31,1 (3+)"), ("Blood", "40 (1+)"))
    assert task.task.since == NOW
