"""The loops on a real store; what goes wrong is a real exception at a seam of the service."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import Any, cast

import pytest

from bridge import clock, service
from bridge.errors import LeaseLost, StoreFailed, StoreFull
from bridge.judging import Ids, Judging
from bridge.lifecycle.sharing import EVERY_ROLE, Role
from bridge.model import Message, Needs
from bridge.queue.leases import Leases, Process
from bridge.service import Runs, Service
from bridge.store.api import Store
from bridge.store.commands import RecordOutcome
from bridge.store.sqlite import SqliteStore
from tests.bench.containers_for_tests import with_containers
from tests.judging_for_tests import Refusing, book, judging, kept, now, outcomes, strip
from tests.store.lot_contract import Bench

BOUND_S = 20.0  # far longer than any of this takes


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store", now=now)
    yield opened
    opened.close()


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

    came = wake

    async def room(self) -> None:
        """Have room."""

    def offer(self, message: Message) -> None:
        """Take nothing at once."""


def leases(store: Store, *roles: Role) -> Leases:
    process = Process(owner="here", host="h", pid=1, roles=frozenset(roles) or EVERY_ROLE)
    return Leases(store, process, now=now, elapsed=clock.elapsed)


def serving(store: Store, sources: dict[str, Runs], queue: Woken | None = None) -> Service:
    queues = {"records": queue} if queue else {}
    return Service(store=store, judging=judging(store, outlets=queues), sources=sources, queues=queues, leases=leases(store))


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


def test_news_of_containers_is_heard_before_the_next_strip(store: SqliteStore) -> None:
    """What judging keeps of them is read anew: after the news itself, and where anything may have been missed; not after other news."""
    shelved = Judging(store, with_containers(), book(), Ids(store), now, profiles={})
    subject = Service(store=store, judging=shelved, sources={}, queues={}, leases=leases(store))
    needs = Needs(
        analyzer="brook-1", mode="", number="1", record_digest="d", patient_id="", strip_type="plover-12", strip_lot="L1"
    )
    told = []
    for number, name in enumerate(("containers", "", "analyzer:brook-1"), start=1):
        shelved.shelf.containers(needs)
        Bench(store).opens(opened=number)
        subject._hear(name)
        told.append(len(shelved.shelf.containers(needs) or ()))
    assert told == [1, 2, 2]


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
