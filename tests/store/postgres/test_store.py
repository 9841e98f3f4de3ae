"""The store on PostgreSQL: the whole contract, and what only a server can do wrong: stop, crash, and lose sessions."""

from __future__ import annotations

import itertools
import random
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import closing
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Self

import psycopg
import pytest
from hypothesis import HealthCheck, given, settings

from bridge.errors import LeaseLost, StoreAway, StoreFailed, StoreUnsure
from bridge.lifecycle.states import StopEnd
from bridge.model import Acknowledgement, Answer, Coded, DeliveryState, NonPatient
from bridge.store.account_commands import KeepAccount
from bridge.store.api import Store
from bridge.store.apply import EPOCH_LETTERS
from bridge.store.commands import (
    BeginAttempt,
    CloseStop,
    EndAttempt,
    HeldLeases,
    HoldLeases,
    KeepCapture,
    Lease,
    RecoverDeliveries,
    ReserveNumbers,
)
from bridge.store.migrate import NEWEST
from bridge.store.postgres.connection import WRITING, Server
from bridge.store.postgres.store import PostgresStore, revision
from bridge.store.rows import FoundBy
from tests.peers.postgres import PostgresServer
from tests.store import strips as s
from tests.store.account_contract import ANA, AccountContract
from tests.store.addition_contract import AdditionContract
from tests.store.audit_contract import AuditContract
from tests.store.clock_contract import ClockContract
from tests.store.contract import StoreContract
from tests.store.correction_contract import CorrectionContract
from tests.store.day_log_contract import DayLogContract
from tests.store.envelope_contract import EnvelopeContract
from tests.store.gate_contract import GateContract
from tests.store.histories import SINCE, Past, pasts, plain_runs, write
from tests.store.life_contract import LifeContract
from tests.store.look_back_contract import LookBackContract
from tests.store.lot_contract import LotContract
from tests.store.month_contract import MonthContract
from tests.store.number_contract import NumberContract, ShiftContract
from tests.store.operator_contract import OperatorContract
from tests.store.quick_contract import QuickContract
from tests.store.registered_contract import RegisteredContract
from tests.store.replacement_contract import ReplacementContract
from tests.store.report_contract import ReportContract
from tests.store.signal_contract import SignalContract
from tests.store.stop_contract import StopContract
from tests.store.strips import NOW, WAIT, later
from tests.store.telling_contract import TellingContract
from tests.store.today_contract import TodayContract

_ANALYZERS = (f"mill-{number}" for number in itertools.count())


class TestContract(StoreContract):
    """PostgreSQL keeps the contract of every store."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestGates(GateContract):
    """The same store keeps the contract of gates."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestSignals(SignalContract):
    """The same store keeps the contract of signals."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestAdditions(AdditionContract):
    """The same store keeps the contract of additions."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestClocks(ClockContract):
    """The same store keeps the contract of clocks."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestMonths(MonthContract):
    """The same store keeps the contract of the monthly review."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestNumbers(NumberContract):
    """The same store keeps the contract of missing numbers."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestCorrections(CorrectionContract):
    """The same store keeps the contract of corrections."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestLookBacks(LookBackContract):
    """The same store keeps the contract of look-backs."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestReplacements(ReplacementContract):
    """The same store keeps the contract of replaced results."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestOperators(OperatorContract):
    """The same store keeps the contract of the register of operators."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestAudit(AuditContract):
    """The same store keeps the contract of the audit trail."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestDayLogs(DayLogContract):
    """The same store keeps the contract of the day logs."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestPausesAndNotes(TodayContract):
    """The same store keeps the contract of pauses and of the hand-over list."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestReports(ReportContract):
    """The same store keeps the contract of reports."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestRegistered(RegisteredContract):
    """The same store keeps the contract of registered identifiers."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestStops(StopContract):
    """The same store keeps the contract of what is stopped."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestAccounts(AccountContract):
    """The same store keeps the contract of accounts."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestEnvelopes(EnvelopeContract):
    """The same store keeps the contract of envelopes."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestBenches(QuickContract):
    """The same store keeps the contract of shared benches."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestLives(LifeContract):
    """The same store keeps the contract of analyzers' lives."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestTellings(TellingContract):
    """The same store keeps the contract of telling."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestShifts(ShiftContract):
    """The same store keeps the contract of held runs."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


class TestLots(LotContract):
    """The same store keeps the contract of containers and lots."""

    @pytest.fixture
    def make(self, at: Server) -> Callable[[], Store]:
        return lambda: PostgresStore(at)


@dataclass
class Load:
    """Several threads that keep captures of known bytes, one after the other, until told to stop; what each was answered."""

    store: PostgresStore
    kept: dict[int, bytes] = field(default_factory=dict)
    unsure: list[bytes] = field(default_factory=list)
    refused: list[bytes] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> Self:
        self._threads = [threading.Thread(target=self._work, args=(n,)) for n in range(4)]
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.set()
        for thread in self._threads:
            thread.join(WAIT)

    def until(self, more: int) -> None:
        """Wait until so many more were kept."""
        wanted = len(self.kept) + more
        PostgresServer.until(lambda: len(self.kept) >= wanted)

    def _work(self, thread: int) -> None:
        for number in range(1_000_000):
            if self.stop.is_set():
                return
            payload = f"{thread}/{number}".encode()
            try:
                command = KeepCapture(capture=s.capture(payload), analyzer=f"brook-{thread}", profile="brook")
                self.kept[self.store.submit(command).result(WAIT)] = payload
                self.numbers.append(self.store.submit(ReserveNumbers(count=2)).result(WAIT))
            except StoreUnsure:
                self.unsure.append(payload)
            except StoreAway:
                self.refused.append(payload)
                self.stop.wait(0.01)

    def check(self, store: Store) -> None:
        """Everything acknowledged is there, byte for byte; no identifier came twice."""
        assert all(store.capture(number).capture.payload == payload for number, payload in self.kept.items())
        assert len(set(self.numbers)) == len(self.numbers)
        assert store.submit(ReserveNumbers(count=1)).result(WAIT) >= max(self.numbers) + 2


def test_an_epoch_is_the_databases_and_each_has_its_own(postgres: PostgresServer, make_database: Callable[..., str]) -> None:
    """As with files: two stores never give the same identifiers."""
    epochs = set()
    for _ in range(2):
        store = PostgresStore(Server(url=postgres.url(make_database())))
        epochs.add(store.epoch)
        store.close()
    assert len(epochs) == 2
    assert all(len(epoch) == 5 and set(epoch) <= set(EPOCH_LETTERS) for epoch in epochs)


def test_a_second_process_works_on_the_same_store(store: PostgresStore, at: Server) -> None:
    """Each sees what the other committed, and numbers are never given twice; opening touches nothing that another is sending."""
    (number,) = s.post(store, "R1").delivery_ids
    attempt = s.begin(store, number)
    other = PostgresStore(at)
    assert s.states(other, "R1") == {"records": DeliveryState.SENDING}
    firsts = {each.submit(ReserveNumbers(count=5)).result(WAIT) for each in (store, other, store, other)}
    assert firsts == {1, 6, 11, 16}
    assert s.end(other, number, attempt, Answer.ACCEPTED) is DeliveryState.ACCEPTED
    assert s.states(store, "R1") == {"records": DeliveryState.ACCEPTED}
    other.close()


def test_two_processes_make_one_first_administrator(store: PostgresStore, at: Server) -> None:
    """Each has printed a code of its own, and both are used at once; the hold on accounts lets one by (HZ-J01)."""
    other = PostgresStore(at)
    firsts = [
        KeepAccount(account=each, what="account.first", actor=s.BO, at=NOW, is_first=True)
        for each in (ANA, replace(ANA, name="Eva"))
    ]
    begun = [mine.submit(first) for mine, first in zip((store, other), firsts, strict=True)]
    assert sorted(type(each.exception(WAIT)).__name__ for each in begun) == ["NoneType", "Overtaken"]
    assert len(store.accounts()) == 1
    other.close()


def test_captures_and_events_take_no_change(store: PostgresStore, postgres: PostgresServer, database: str) -> None:
    """Not even we may mend what arrived or what happened: the database itself refuses, also to empty the table."""
    s.keep(store)
    for table in ("captures", "events"):
        before = postgres.sql(f"SELECT * FROM {table}", database)
        assert len(before) == 1
        for statement in (f"UPDATE {table} SET id = id", f"DELETE FROM {table}", f"TRUNCATE {table} CASCADE"):
            with pytest.raises(psycopg.errors.IntegrityConstraintViolation, match="are append-only"):
                postgres.sql(statement, database)
        assert postgres.sql(f"SELECT * FROM {table}", database) == before


def test_text_sorts_by_its_bytes_whatever_the_databases_locale(postgres: PostgresServer, database: str) -> None:
    """A number series compares by text; a locale's order would differ from SQLite's and change with the system library."""
    asked = "SELECT table_name, column_name FROM information_schema.columns WHERE table_schema = 'public' AND data_type = 'text'"
    assert len(postgres.sql(asked, database)) > 80
    assert postgres.sql(f"{asked} AND collation_name IS DISTINCT FROM 'C'", database) == []


# --- the server goes away


def test_while_the_server_is_stopped_intake_is_refused_and_then_goes_on(own: PostgresServer) -> None:
    """An administrator restarts it: senders are told to try again, nobody waits, and it goes on by itself."""
    store = PostgresStore(Server(url=own.url()))
    with Load(store) as load:
        load.until(20)
        own.stop()
        own.until(lambda: bool(store.away))
        seen = len(load.refused)
        own.until(lambda: len(load.refused) > seen + 20)
        assert store.away.startswith("The database cannot be reached (connection failed: ")
        assert store.away.endswith("Padpost tries again until it can.")
        assert store.fault == ""
        with pytest.raises(StoreAway, match=r"^The database cannot be read \(connection failed: "):
            store.analyzers_with_work()
        own.start()
        load.until(20)
        assert store.away == ""
    load.check(store)
    store.close()


def test_every_acknowledged_command_outlives_a_crash_of_the_server(own: PostgresServer) -> None:
    """Three times killed (signal 9) under load and started again: what was acknowledged is there, and no identifier comes twice."""
    store = PostgresStore(Server(url=own.url()))
    chance = random.Random(20261126)
    with Load(store) as load:
        for _ in range(3):
            load.until(chance.randrange(5, 60))
            own.kill()
            own.until(lambda: bool(store.away))
            own.start()
        load.until(10)
    load.check(store)
    kept = set(load.kept.values())
    there = {store.capture(number).capture.payload for (number,) in own.sql("SELECT id FROM captures")}
    assert kept <= there
    assert there <= kept | set(load.unsure)  # what was refused is not there
    store.close()


def test_a_session_that_is_ended_under_load_is_nobodys_loss(
    store: PostgresStore, postgres: PostgresServer, database: str
) -> None:
    """Thirty times at random moments: most groups are done again without a word, and none is kept twice or lost."""
    chance = random.Random(20261126)
    with Load(store) as load:
        for _ in range(30):
            load.until(chance.randrange(5, 20))  # of four senders the fifth was kept by the session that is ended now
            postgres.sql(f"SELECT pg_terminate_backend({store._engine.backend})")
        load.until(5)
    load.check(store)
    assert load.refused == []
    (count,) = postgres.sql("SELECT count(*) FROM captures", database)[0]
    assert len(load.kept) <= count <= len(load.kept) + len(load.unsure)
    assert len(load.unsure) < len(load.kept)


def test_a_commit_whose_answer_is_lost_is_told_as_unsure(own: PostgresServer) -> None:
    """The commit waits for a standby that does not come (PostgreSQL documentation, "Synchronous Replication") when its session is ended.

    It is durable here, and the one who asked cannot know: not refused, not acknowledged.
    """
    store = PostgresStore(Server(url=own.url()))
    s.keep(store)
    own.sql("ALTER SYSTEM SET synchronous_standby_names = 'nobody'")
    own.reload()
    number, waiting = _first_that_waits(own, store)
    own.sql(f"SELECT pg_terminate_backend({store._engine.backend})")
    with pytest.raises(StoreUnsure, match=r"^The database went away during a commit \("):
        waiting.result(WAIT)
    own.sql("ALTER SYSTEM RESET synchronous_standby_names")
    own.reload()
    own.until(lambda: not store.away)
    assert store.capture(number).capture.payload == b"?"
    assert s.keep(store) == number + 1
    store.close()


def _first_that_waits(own: PostgresServer, store: PostgresStore) -> tuple[int, Future[int]]:
    """Give the number of the first capture whose commit waits for a standby: the server's processes hear of a new setting one after the other."""
    backend = f"SELECT count(*) FROM pg_stat_activity WHERE pid = {store._engine.backend} AND wait_event = 'SyncRep'"
    number = 1

    def keep() -> Future[int]:
        return store.submit(KeepCapture(capture=s.capture(b"?"), analyzer="brook-1", profile="brook"))

    def is_seen(future: Future[int]) -> bool:
        return future.done() or own.sql(backend) == [(1,)]

    while True:
        future, number = keep(), number + 1
        own.until(partial(is_seen, future))
        if not future.done():
            return number, future
        assert future.result(WAIT) == number


def test_a_store_that_cannot_connect_again_can_still_be_closed(own: PostgresServer) -> None:
    """Whoever waits is answered; nobody hangs."""
    store = PostgresStore(Server(url=own.url()))
    s.keep(store)
    own.stop()
    command = ReserveNumbers(count=1)
    with pytest.raises(StoreAway):
        store.submit(command).result(WAIT)
    store.close()
    with pytest.raises(StoreFailed, match=r"^The store is closed\.$"):
        store.submit(command).result(WAIT)


def _beat(store: PostgresStore, owner: str, *names: str, length_s: float) -> HeldLeases:
    """Beat; what the process says of the time is a year late."""
    held: HeldLeases = store.submit(
        HoldLeases(
            owner=owner, roles=frozenset(), host="h", pid=1, wishes=frozenset(names), wound_up=frozenset(), length_s=length_s, at=later(-525_600)
        )
    ).result(WAIT)  # fmt: skip
    return held


def test_leases_run_out_by_the_servers_clock(store: PostgresStore, at: Server) -> None:
    """No process's own clock counts; the old owner's commands change nothing once another has taken its lease."""
    other = PostgresStore(at)
    (number,) = s.post(store, "R1").delivery_ids
    (old,) = _beat(store, "a", "destination:records", length_s=1.0).held
    begun: int = store.submit(BeginAttempt(delivery_id=number, at=NOW, lease=old)).result(WAIT)
    told = _beat(other, "b", "destination:records", length_s=60.0)
    assert told.held == ()
    assert told.next_end_s is not None
    assert 0 < told.next_end_s <= 1.0
    taken: list[Lease] = []

    def is_taken() -> bool:
        taken.extend(_beat(other, "b", "destination:records", length_s=60.0).held)
        return bool(taken)

    PostgresServer.until(is_taken)
    assert taken[0].token > old.token
    ended = EndAttempt(
        delivery_id=number, attempt=begun, at=NOW, acknowledgement=Acknowledgement(answer=Answer.ACCEPTED, code="AA"), lease=old
    )
    with pytest.raises(LeaseLost):
        store.submit(ended).result(WAIT)
    assert other.submit(RecoverDeliveries(destination="records", at=NOW, lease=taken[0])).result(WAIT) == 1
    assert s.states(store, "R1") == {"records": DeliveryState.RETRYING}
    other.close()


def test_two_processes_that_race_for_lanes_leave_one_head_each(store: PostgresStore, at: Server) -> None:
    """Both make and end deliveries of the same few patients at once: at the end every lane has drained in order, none stands still."""
    other = PostgresStore(at)
    faults: list[BaseException] = []

    def work(mine: PostgresStore, name: str) -> None:
        try:
            for number in range(40):
                result_id = f"{name}{number}"
                of = s.reading(result_id, analyzer=name)
                made = s.result(result_id, patient=f"P{number % 3}")
                message = s.message(made, f"M{result_id}")
                s.record(mine, of, Coded(checked=s.checked(of), result=made), deliveries=[s.delivery(message)])
                for head in mine.lane_heads("records", now=NOW, limit=2):
                    attempt = s.begin(mine, head.delivery_id)
                    if attempt is not None:
                        s.end(mine, head.delivery_id, attempt, Answer.ACCEPTED)
        except BaseException as fault:
            faults.append(fault)

    threads = [threading.Thread(target=work, args=pair) for pair in ((store, "a"), (other, "b"))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    while heads := store.lane_heads("records", now=NOW, limit=9):
        for head in heads:
            s.attempt(store, head.delivery_id, Answer.ACCEPTED)
    rows = store._db().execute("SELECT state, count(*), sum(is_head) FROM deliveries GROUP BY state").fetchall()
    assert [(str(state), int(count), int(heads)) for state, count, heads in rows] == [("accepted", 80, 0)]
    other.close()


def test_the_schema_is_known_by_its_revision(at: Server, postgres: PostgresServer, make_database: Callable[..., str]) -> None:
    """As Alembic left it; an empty database has none."""
    for name, found in ((at.url, NEWEST), (postgres.url(make_database()), "")):
        db = Server(url=name).connect("")
        assert revision(db) == found
        db.close()


def test_what_a_person_decides_waits_for_who_judges_or_sends_just_then(
    store: PostgresStore, at: Server, postgres: PostgresServer, database: str
) -> None:
    """Neither sees the other half done: as with a file, one follows the other."""
    recorded = s.record(store, s.reading(), s.held(s.reading()))
    assert recorded.stop_id is not None
    judge = at.connect(WRITING)
    judge.execute("BEGIN")
    judge.hold("lanes")
    closing = store.submit(CloseStop(stop_id=recorded.stop_id, end=StopEnd.DISCARDED, actor=s.BO, reason="because", at=NOW))
    PostgresServer.until(lambda: postgres.sql("SELECT count(*) FROM pg_locks WHERE NOT granted", database) == [(1,)])
    assert not closing.done()
    judge.execute("COMMIT")
    closing.result(WAIT)
    judge.close()
    assert store.stops() == ()


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(strips=pasts)
def test_runs_of_numbers_are_those_of_the_plain_definition(store: PostgresStore, at: Server, strips: list[Past]) -> None:
    """As on a file: against reading every number that the analyzer ever had."""
    name = next(_ANALYZERS)
    with closing(at.connect(WRITING)) as db:
        write(db, s.keep(store), name, strips)
    assert tuple(run for run in store.number_runs(since=SINCE) if run.analyzer == name) == plain_runs(name, strips)


def test_today_is_asked_of_a_server_as_of_a_file(store: PostgresStore) -> None:
    """What waits, what was received lately, who has work, and the sums of the day."""
    s.attempt(store, s.post(store, "1").delivery_ids[0], Answer.ACCEPTED)
    s.post(store, "2", patient="P2")
    s.keep(store, analyzer="tern-1")
    (row,) = store.destinations(since=SINCE)
    assert (row.name, row.waiting, row.oldest, row.accepted, row.refused) == ("records", 1, NOW, 1, 0)
    assert store.analyzers_with_work() == ("tern-1",)
    assert [(row.analyzer, row.last_number) for row in store.analyzers()] == [("brook-1", "2"), ("tern-1", "")]
    day = store.day(NOW.date(), s.UTC_ZONE)
    (group,) = day.groups
    assert ([number for _, number in group.strips], group.outcome) == (["1", "2"], "coded")
    assert sorted((each.state, len(each.strips)) for each in day.sent) == [(DeliveryState.ACCEPTED, 1), (DeliveryState.QUEUED, 1)]
    assert day.last_accepted_at == NOW
    for states, found in ((DeliveryState.ACCEPTED, ["1"]), (DeliveryState.QUEUED, ["2"]), (DeliveryState.REFUSED, [])):
        assert [row.result_id for row in store.results(states=frozenset({states}))] == found
    assert [row.result_id for row in store.results(search="P2", day=(NOW.date(), s.UTC_ZONE))] == ["2"]
    assert [row.number for row in store.strips(outcome="coded")] == ["2", "1"]
    assert store.strips(outcome="copy") == ()


def test_a_strip_is_found_by_when_it_was_run(store: PostgresStore) -> None:
    """As on a file: as printed, as a person corrected it, and by when it came; the last strip of an analyzer is the one that came last."""
    first, second = s.reading("1"), s.reading("2")
    s.record(store, first, NonPatient(checked=s.checked(first, at=later(-240))))
    held = s.record(store, second, s.held(second, at=later(-500)))
    assert held.stop_id is not None
    s.close(store, held.stop_id, StopEnd.TIME_CORRECTED, analyzed_at=later(-100))

    def numbers(minutes: float) -> list[tuple[FoundBy, str]]:
        found = store.strips_between(later(minutes - 1), later(minutes + 1), limit=9)
        return [(each.kind, each.strip.number) for each in found]

    assert numbers(-240) == [(FoundBy.RUN_AT, "1")]
    assert numbers(-100) == numbers(-500) == [(FoundBy.RUN_AT, "2")]
    assert sorted(numbers(0)) == [(FoundBy.TIME, "1"), (FoundBy.TIME, "2")]
    assert [row.last_number for row in store.analyzers()] == ["2"]
    assert store.shut_destinations() == ()
