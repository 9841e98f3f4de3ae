"""Identifiers, judging and the loops, on a real store; what goes wrong is a real exception at a seam of the service."""

from __future__ import annotations

import asyncio
import re
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge import clock, pipeline, service
from bridge.demo.printers import Play, framed, printed
from bridge.errors import LeaseLost, StoreFailed, StoreFull
from bridge.lifecycle.sharing import EVERY_ROLE, Role
from bridge.lifecycle.states import StopEnd
from bridge.model import Actor, Capture, DeliveryState, Format, Purpose, Way
from bridge.plan_book import PlanBook
from bridge.queue.leases import Leases, Process
from bridge.service import BLOCK, Ids, Judging, Runs, Service
from bridge.store.api import Store
from bridge.store.commands import CloseStop, Command, KeepCapture, RecordOutcome
from bridge.store.rows import StripRow
from bridge.store.sqlite import SqliteStore
from bridge.tables.types import DestinationTerms
from tests.render import tables_for_tests
from tests.tables.shipped_tables import ZONE, tables

ORU = replace(tables_for_tests.ORU, name="records")
FHIR = replace(tables_for_tests.FHIR, name="chart")
NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
BOUND_S = 20.0  # far longer than any of this takes


def now() -> datetime:
    return NOW


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store", now=now)
    yield opened
    opened.close()


# --- identifiers


async def drawn(ids: Ids, count: int) -> list[str]:
    return list(await asyncio.gather(*(ids.control() if n % 2 else ids.result() for n in range(count))))


def test_identifiers_fit_msh_10_and_never_repeat_among_many_askers(store: SqliteStore) -> None:
    """HL7 v2.5.1 gives MSH-10 20 characters; tasks that ask at once, over the end of a block, get one number each, in order."""
    given_out = asyncio.run(drawn(Ids(store), 2 * BLOCK + 3))
    assert given_out[:3] == [f"{store.epoch}R1", f"{store.epoch}M2", f"{store.epoch}R3"]
    assert [int(re.split("[RM]", name[5:])[1]) for name in given_out] == list(range(1, 2 * BLOCK + 4))
    assert all(re.fullmatch("[A-Z0-9]{5}[RM][0-9]{1,14}", name) for name in given_out)


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


class Refusing:
    """The real store, but for so many commands of one kind, which fail as on a bad disk."""

    def __init__(self, store: SqliteStore, *, times: int, error: Exception, kind: type = object, after: int = 0) -> None:
        self._store = store
        self._times = times
        self._error = error
        self._kind = kind
        self._after = after

    @property
    def as_store(self) -> Store:
        return cast("Store", self)

    def submit(self, command: Command) -> Future[Any]:
        if isinstance(command, self._kind):
            self._after -= 1
            if self._after < 0 < self._times:
                self._times -= 1
                failed: Future[Any] = Future()
                failed.set_exception(self._error)
                return failed
        return self._store.submit(command)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)


# --- judging


def strip(number: int, **more: Any) -> Play:
    at = NOW.astimezone(ZONE) - timedelta(minutes=60 - number)
    fields = {"number": number, "at": at, "patient_id": f"4071880{number}", "word": "Rotina", "strip_type": "plover-12", **more}
    return Play(**fields)


def kept(*plays: Play) -> KeepCapture:
    profile = tables().profiles["tern"]
    payload = framed(printed(plays, profile, tables()), profile)
    capture = Capture(source="drops", way=Way.FOLDER, arrived_at=NOW, payload=payload, name="list.txt", live=True)
    return KeepCapture(capture=capture, analyzer="bench-b", profile="tern")


def book(*terms: DestinationTerms, passed: Sequence[str] = ()) -> PlanBook:
    made = PlanBook(terms, ["tern"], tables())
    for name in passed:
        made.passed(name)
    return made


def judging(store: Store, writers: PlanBook | None = None) -> Judging:
    return Judging(store, tables(), writers or book(ORU, passed=[ORU.name]), Ids(store), now, profiles={"drops": "tern"})


def outcomes(store: SqliteStore, capture_id: int) -> list[tuple[str, str]]:
    return [(row.number, row.outcome) for row in store.capture_strips(capture_id)]


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
    long = replace(usual, capture=replace(usual.capture, payload=b"x;" * (service.LONG_BYTES // 2 + 1)))
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


# --- the loops


class Loop:
    """A source or queue that does what ``act`` says at its n-th run; after that it runs until cancelled."""

    def __init__(self, *acts: Callable[[], None]) -> None:
        self._acts = list(acts)
        self.runs = 0
        self.settled = asyncio.Event()

    async def run(self) -> None:
        self.runs += 1
        if self._acts:
            self._acts.pop(0)()
        self.settled.set()
        await asyncio.Event().wait()


def falls() -> None:
    raise KeyError("a defect of ours")


class Woken(Loop):
    """A queue that remembers being woken."""

    wakes = 0

    def wake(self) -> None:
        self.wakes += 1


def leases(store: Store, *roles: Role) -> Leases:
    process = Process(owner="here", host="h", pid=1, roles=frozenset(roles) or EVERY_ROLE)
    return Leases(store, process, now=now, elapsed=clock.elapsed)


def serving(store: Store, sources: dict[str, Runs], queue: Woken | None = None) -> Service:
    queues = {"records": queue} if queue else {}
    return Service(store=store, judging=judging(store), sources=sources, queues=queues, leases=leases(store))


async def stopped(running: asyncio.Task[None]) -> None:
    running.cancel()
    with suppress(asyncio.CancelledError):
        await running


async def until(claim: Callable[[], Any]) -> None:
    """Let the loops go on until ``claim`` holds. Raises TimeoutError."""
    async with asyncio.timeout(BOUND_S):
        while not claim():
            await asyncio.sleep(0.005)


def test_a_loop_that_falls_over_is_shown_rests_and_runs_again(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its neighbour is not touched; /health/ready names the loop while it is down, and forgets it once it runs."""
    monkeypatch.setattr(service, "FIRST_REST", timedelta(milliseconds=50))

    async def live() -> None:
        bad, good = Loop(falls, falls), Loop()
        subject = serving(store, {"line": bad, "drops": good})
        running = asyncio.create_task(subject.run())
        await until(lambda: subject.fault)
        assert subject.fault == (
            "source line: a defect stopped it; it is started again. Tell your coordinator: the log says where it failed."
        )
        async with asyncio.timeout(BOUND_S):
            await bad.settled.wait()
        assert (bad.runs, good.runs, subject.fault) == (3, 1, "")
        await stopped(running)

    asyncio.run(live())


def test_a_watch_that_falls_over_looks_again(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """A look at the signatures that ended for good would leave a receiver shut, or open, whatever is signed."""
    monkeypatch.setattr(service, "FIRST_REST", timedelta(milliseconds=50))

    async def live() -> None:
        watch = Loop(falls)
        subject = Service(
            store=store,
            judging=judging(store),
            sources={},
            queues={},
            leases=leases(store),
            watches={"signatures": watch},
        )
        running = asyncio.create_task(subject.run())
        await until(lambda: subject.fault)
        assert subject.fault.startswith("signatures: a defect stopped it; it is started again.")
        async with asyncio.timeout(BOUND_S):
            await watch.settled.wait()
        assert (watch.runs, subject.fault) == (2, "")
        await stopped(running)

    asyncio.run(live())


def test_a_full_disk_is_tried_again(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """Room comes back: the analyzer's strips are judged then, without a restart, and the queues are woken."""
    monkeypatch.setattr(service, "FIRST_REST", timedelta(milliseconds=50))
    queue = Woken()

    async def live() -> None:
        full = Refusing(store, times=1, error=StoreFull("no room"), kind=RecordOutcome)
        subject = serving(full.as_store, {}, queue)
        running = asyncio.create_task(subject.run())
        await until(lambda: subject._tasks)
        command = kept(strip(1))
        capture_id = await subject.keep(command.capture, analyzer=command.analyzer, profile=command.profile)
        await until(lambda: subject.fault)
        assert subject.fault == "analyzer bench-b: no room"
        before = queue.wakes
        await until(lambda: outcomes(store, capture_id))
        await until(lambda: queue.wakes > before)
        assert outcomes(store, capture_id) == [("1", "coded")]
        assert subject.fault == ""
        await stopped(running)

    asyncio.run(live())


class Failed:
    """The real store after an fsync failed: it says so, and takes nothing more."""

    def __init__(self, store: SqliteStore) -> None:
        self._store = store
        self.fault = ""

    def fail(self) -> None:
        self.fault = "the disk failed; restart"
        raise StoreFailed(self.fault)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)


class Slow(Loop):
    """A source that winds up only once it may."""

    def __init__(self) -> None:
        super().__init__()
        self.is_ending = asyncio.Event()
        self.may_end = asyncio.Event()

    async def run(self) -> None:
        try:
            await super().run()
        finally:
            self.is_ending.set()
            await self.may_end.wait()


def test_news_that_comes_while_it_winds_up_begins_nothing(store: SqliteStore) -> None:
    """A person's last click, or another process's: it is found at the next start."""
    faults = []

    async def live() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda _, context: faults.append(context["exception"]))
        slow = Slow()
        subject = serving(store, {"line": slow})
        running = asyncio.create_task(subject.run())
        await until(slow.settled.is_set)
        running.cancel()
        await until(slow.is_ending.is_set)
        subject.wake()
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        slow.may_end.set()
        await stopped(running)

    asyncio.run(live())
    assert faults == []


def test_a_failed_store_is_never_tried_again(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a failed fsync only a restart knows what is durable: the loop ends, and the service says why it is not ready."""
    monkeypatch.setattr(service, "FIRST_REST", timedelta(0))

    async def live() -> None:
        failed = Failed(store)
        line = Loop(failed.fail)
        subject = serving(cast("Store", failed), {"line": line})
        running = asyncio.create_task(subject.run())
        await until(
            lambda: line.runs and len(asyncio.all_tasks()) == 3
        )  # this one, the service and its leases: the loop's has ended
        assert line.runs == 1
        assert subject.fault == "the disk failed; restart"
        await stopped(running)

    asyncio.run(live())


def test_what_a_crash_left_unjudged_is_taken_up_at_the_start(store: SqliteStore) -> None:
    """A capture that was acknowledged to the analyzer must not wait for the next one to come."""
    capture_id = store.submit(kept(strip(1))).result()

    async def live() -> None:
        running = asyncio.create_task(serving(store, {}).run())
        await until(lambda: outcomes(store, capture_id))
        await stopped(running)

    asyncio.run(live())
    assert outcomes(store, capture_id) == [("1", "coded")]


# --- several processes on one store


class Heard:
    """The real store, which tells what other processes wrote as a server does: from a thread of its own."""

    def __init__(self, store: SqliteStore) -> None:
        self._store = store
        self._heard: Callable[[str], None] = lambda _: None

    def listen(self, heard: Callable[[str], None]) -> None:
        self._heard = heard

    async def tell(self, name: str) -> None:
        await asyncio.to_thread(self._heard, name)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)


@pytest.mark.parametrize("name", ["analyzer:bench-b", ""])
def test_what_another_process_kept_is_judged_on_its_news(store: SqliteStore, name: str) -> None:
    """No polling: a name, or "anything may have been missed", and the analyzer's captures are looked at."""
    heard = Heard(store)

    async def live() -> None:
        running = asyncio.create_task(serving(cast("Store", heard), {}).run())
        await until(lambda: store._reader().execute("SELECT count(*) FROM processes").fetchone() == (1,))
        capture_id = await asyncio.to_thread(store.submit(kept(strip(1))).result)
        await heard.tell("destination:nobody's")
        await heard.tell(name)
        await until(lambda: outcomes(store, capture_id))
        await stopped(running)

    asyncio.run(live())


def test_news_at_the_end_begins_nothing(store: SqliteStore) -> None:
    """The store may still tell something while the loops end: nothing is begun, and nothing is raised where nobody catches it."""
    heard, faults = Heard(store), list[object]()

    async def live() -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, context: faults.append(context))
        running = asyncio.create_task(serving(cast("Store", heard), {}).run())
        await until(lambda: store._reader().execute("SELECT count(*) FROM processes").fetchone() == (1,))
        await stopped(running)
        await heard.tell("")
        await heard.tell("analyzer:bench-b")
        await asyncio.sleep(0)

    asyncio.run(live())
    assert faults == []


@pytest.mark.parametrize(("name", "wakes"), [("destination:records", 1), ("destination:chart", 0), ("", 1)])
def test_a_queue_is_woken_by_its_own_news(store: SqliteStore, name: str, wakes: int) -> None:
    """Another process judged, or a person acted at another's page."""
    heard, queue = Heard(store), Woken()

    async def live() -> None:
        running = asyncio.create_task(serving(cast("Store", heard), {}, queue).run())
        async with asyncio.timeout(BOUND_S):
            await queue.settled.wait()
        before = queue.wakes
        await heard.tell(name)
        await asyncio.sleep(0)  # what was called from the other thread comes first
        assert queue.wakes - before == wakes
        await stopped(running)

    asyncio.run(live())


@pytest.mark.parametrize(
    ("role", "runs"), [(Role.INTAKE, ["line", "judged"]), (Role.DELIVERY, ["queue"]), (Role.WEB, [])]
)  # fmt: skip
def test_a_process_does_what_its_roles_say(store: SqliteStore, role: Role, runs: list[str]) -> None:
    """Intake receives and judges, delivery sends, web does neither; each leaves the rest to others."""
    capture_id = store.submit(kept(strip(1))).result()

    async def live() -> list[str]:
        line, queue, watch = Loop(), Woken(), Loop()
        subject = Service(
            store=store, judging=judging(store), sources={"line": line}, queues={"records": queue}, leases=leases(store, role),
            watches={"signatures": watch},
        )  # fmt: skip
        running = asyncio.create_task(subject.run())
        async with asyncio.timeout(BOUND_S):
            await watch.settled.wait()
        subject.wake()
        done: dict[str, Callable[[], Any]] = {
            "line": lambda: line.runs,
            "queue": lambda: queue.runs,
            "judged": lambda: outcomes(store, capture_id),
        }
        await until(lambda: all(done[name]() for name in runs))
        await stopped(running)
        return [name for name, is_done in done.items() if is_done()]

    assert sorted(asyncio.run(live())) == sorted(runs)


def test_a_leased_source_keeps_nothing_without_its_lease(store: SqliteStore) -> None:
    """Another process has the folder: what this one still had in hand is not kept by both."""

    async def live() -> None:
        drops = Loop()
        subject = Service(
            store=store, judging=judging(store), sources={"drops": drops}, queues={}, leases=leases(store), leased_sources=frozenset({"drops"})
        )  # fmt: skip
        command = kept(strip(1))
        with pytest.raises(LeaseLost):
            await subject.keep(command.capture, analyzer=command.analyzer, profile=command.profile)
        assert store.analyzers() == ()
        running = asyncio.create_task(subject.run())
        async with asyncio.timeout(BOUND_S):
            await drops.settled.wait()
        assert await subject.keep(command.capture, analyzer=command.analyzer, profile=command.profile) == 1
        await stopped(running)
        await until(
            lambda: set(store._reader().execute("SELECT owner FROM leases").fetchall()) == {("",)}
        )  # given back at the end

    asyncio.run(live())


def test_judging_ends_where_the_analyzer_is_anothers(store: SqliteStore) -> None:
    """The lease is lost between two strips: what is recorded stands, the rest is the other's."""
    capture_id = store.submit(kept(strip(1), strip(2))).result()

    class Losing:
        left = 1

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
