"""The one writer: groups, savepoints, answers only after the commit, and what stops it."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import StoreFailed, StoreFull
from bridge.model import Acknowledgement, Answer
from bridge.store import writer
from bridge.store.commands import Command, EndAttempt, HoldLeases, ReserveNumbers
from bridge.store.database import Db, SqliteDb
from bridge.store.sqlite import SqliteEngine
from bridge.store.writer import LARGEST_GROUP, Writer
from tests.store.strips import NOW, WAIT


class Bench:
    """A writer over a real file whose commands insert their number; what it tells SQLite is noted in order."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.said: list[str] = []
        self.hold = threading.Event()  # while cleared, a group waits before its commit
        self.inside = threading.Event()  # set once a group is about to be committed
        self.hold.set()
        self.following: dict[int, list[Future[Any]]] = {}  # by number: what is submitted while that command is being done
        with sqlite3.connect(file) as db:
            db.execute("CREATE TABLE n (value INTEGER UNIQUE)")
        db.close()
        self.writer = Writer(_Held(self), self._apply)

    def connect(self) -> SqliteDb:
        connection = sqlite3.connect(self.file, isolation_level=None, factory=SqliteDb)
        connection.set_trace_callback(self.said.append)
        return connection

    def _apply(self, db: Db, command: Command) -> int:
        if isinstance(command, HoldLeases):
            db.execute("SELECT 'beat', ?", (len(command.wound_up),))
            return 0
        if isinstance(command, EndAttempt):
            db.execute("INSERT INTO n VALUES (?)", (command.attempt,))
            return command.attempt
        assert isinstance(command, ReserveNumbers)
        if command.count in self.following:
            self.following[command.count].append(self.put(command.count + 1))
        if command.count < 0:
            raise _FAULTS[command.count]
        db.execute("INSERT INTO n VALUES (?)", (command.count,))
        return command.count

    def put(self, number: int) -> Future[Any]:
        return self.writer.submit(ReserveNumbers(count=number))

    def beat(self, *wound_up: str) -> Future[Any]:
        nobody: frozenset[Any] = frozenset()
        held = HoldLeases(
            owner="o", roles=nobody, host="h", pid=1, wishes=nobody, wound_up=frozenset(wound_up), length_s=4.0, at=NOW
        )
        return self.writer.submit(held)

    def put_with_time(self, number: int) -> Future[Any]:
        answer = Acknowledgement(answer=Answer.ACCEPTED, code="AA")
        return self.writer.submit(EndAttempt(delivery_id=1, attempt=number, at=NOW, acknowledgement=answer, has_time=True))

    def commits(self) -> int:
        return self.said.count("COMMIT")

    def rows(self) -> list[int]:
        connection = sqlite3.connect(self.file)
        try:
            return [value for (value,) in connection.execute("SELECT value FROM n ORDER BY value")]
        finally:
            connection.close()


class _Held(SqliteEngine):
    """The engine of the file, whose commits can be held back."""

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench.connect)
        self._bench = bench

    def commit(self) -> None:
        self._bench.inside.set()
        assert self._bench.hold.wait(WAIT)
        super().commit()


def _sqlite_error(code: int, name: str) -> sqlite3.OperationalError:
    error = sqlite3.OperationalError(name)
    error.sqlite_errorcode = code
    error.sqlite_errorname = name
    return error


# What a command of this number meets
_FAULTS: dict[int, BaseException] = {
    -1: ValueError("no such step"),
    -2: KeyError("nothing there"),
    -3: AssertionError("a defect of ours"),
    -4: OverflowError("too large"),
    -5: _sqlite_error(sqlite3.SQLITE_FULL, "SQLITE_FULL"),
    -6: _sqlite_error(sqlite3.SQLITE_IOERR_FSYNC, "SQLITE_IOERR_FSYNC"),
    -7: MemoryError(),
}


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "n.sqlite")
    yield made
    made.hold.set()
    made.writer.close()


def test_a_command_alone_is_committed_at_once(bench: Bench) -> None:
    """No timer: nobody waits for company."""
    assert bench.put(1).result(WAIT) == 1
    assert bench.said[-3:] == ["BEGIN IMMEDIATE", "INSERT INTO n VALUES (1)", "COMMIT"]


def test_a_command_that_has_time_waits_for_company(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """What comes within a moment shares its commit, and is not held up by it: the group is done as soon as it is there."""
    monkeypatch.setattr(writer, "COMPANY_S", WAIT)
    one, two = bench.put_with_time(1), bench.put_with_time(2)
    assert not one.done()
    three = bench.put(3)
    assert [future.result(WAIT) for future in (one, two, three)] == [1, 2, 3]
    assert (bench.commits(), bench.rows()) == (1, [1, 2, 3])


def test_a_command_that_has_time_goes_alone_where_nobody_comes_and_with_the_end(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It waits a few milliseconds; a store that is closed meanwhile does it first."""
    assert bench.put_with_time(1).result(WAIT) == 1
    monkeypatch.setattr(writer, "COMPANY_S", WAIT)
    last = bench.put_with_time(2)
    bench.writer.close()
    assert (last.result(WAIT), bench.rows()) == (2, [1, 2])


def test_a_group_with_a_refusal_is_done_again_with_a_savepoint_around_each(bench: Bench) -> None:
    """Savepoints cost more than what they hold, and nearly no command is refused: only then are they made."""
    bench.hold.clear()
    first = bench.put(0)
    assert bench.inside.wait(WAIT)
    futures = [bench.put(number) for number in (1, -1, 2)]
    bench.hold.set()
    assert first.result(WAIT) == 0
    assert [futures[0].result(WAIT), futures[2].result(WAIT)] == [1, 2]
    with pytest.raises(ValueError, match="no such step"):
        futures[1].result(WAIT)
    assert bench.rows() == [0, 1, 2]
    again = bench.said[bench.said.index("ROLLBACK") :]
    assert again[:4] == ["ROLLBACK", "BEGIN IMMEDIATE", "SAVEPOINT one", "INSERT INTO n VALUES (1)"]
    assert again[-1] == "COMMIT"
    assert again.count("SAVEPOINT one") == again.count("RELEASE one") == 3
    assert again.count("ROLLBACK TO one") == 1


def test_what_queues_up_during_a_commit_shares_the_next(bench: Bench) -> None:
    """Three hundred commands behind one that is under way: two more commits, of 200 and of 100, and every one is there."""
    bench.hold.clear()
    first = bench.put(0)
    assert bench.inside.wait(WAIT)
    futures = [bench.put(number) for number in range(1, 301)]
    assert not any(future.done() for future in (first, *futures))  # nothing is told before its commit
    bench.hold.set()
    assert [future.result(WAIT) for future in (first, *futures)] == list(range(301))
    assert LARGEST_GROUP == 200
    assert bench.commits() == 3
    assert bench.rows() == list(range(301))


def test_a_heartbeat_goes_before_all_that_waits(bench: Bench) -> None:
    """Behind five hundred commands a lease would run out; one that gives something back keeps its place behind what was done under it."""
    bench.hold.clear()
    first = bench.put(0)
    assert bench.inside.wait(WAIT)
    futures = [bench.put(number) for number in range(1, 501)]
    beats = [bench.beat(), bench.beat("destination:a")]
    bench.hold.set()
    for future in (first, *futures, *beats):
        future.result(WAIT)
    told = [line for line in bench.said if line.startswith(("INSERT", "SELECT"))]
    assert told.index("SELECT 'beat', 0") == 1
    assert told.index("SELECT 'beat', 1") == len(told) - 1 == 502
    assert bench.commits() == 4


def test_a_heartbeat_alone_wakes_the_writer(bench: Bench) -> None:
    """And one that is submitted last before the end is done, or refused, but never left open."""
    bench.beat().result(WAIT)
    late = bench.beat()
    bench.writer.close()
    late.result(WAIT)
    assert isinstance(bench.beat().exception(WAIT), StoreFailed)


def test_what_comes_while_a_group_is_being_done_shares_its_commit(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """It waits for no commit but the one that it takes part in, and the first waits for no more than LARGEST_GROUP."""
    monkeypatch.setattr(writer, "LONGEST_GROUP_S", WAIT)
    bench.following = {1: [], 2: []}
    assert bench.put(1).result(WAIT) == 1
    assert [future.result(WAIT) for each in bench.following.values() for future in each] == [2, 3]
    assert bench.commits() == 1
    bench.following = {number: [] for number in range(10, 10 + LARGEST_GROUP)}
    bench.put(10).result(WAIT)
    assert [each[0].result(WAIT) for each in bench.following.values()] == list(range(11, 11 + LARGEST_GROUP))
    assert bench.commits() == 3


def test_a_group_that_was_long_under_way_takes_nothing_more(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever came first has waited enough."""
    monkeypatch.setattr(writer, "LONGEST_GROUP_S", 0.0)
    bench.following = {1: []}
    assert bench.put(1).result(WAIT) == 1
    assert bench.following[1][0].result(WAIT) == 2
    assert bench.commits() == 2


def test_a_heartbeat_that_comes_while_a_group_is_gathered_is_in_it(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between a look for heartbeats and one at the queue, where its mark is then met: nothing else would wake the writer for it."""
    monkeypatch.setattr(writer, "LONGEST_GROUP_S", 0.0)
    looks = 0
    found = bench.writer._beaten

    def late() -> list[Any]:
        nonlocal looks
        looks += 1
        return [] if looks in {3, 4} else found()

    bench.hold.clear()
    monkeypatch.setattr(bench.writer, "_beaten", late)
    first = bench.put(1)
    assert bench.inside.wait(WAIT)
    assert looks == 2
    second, beat = bench.put(2), bench.beat()
    bench.hold.set()
    assert [first.result(WAIT), second.result(WAIT), beat.result(WAIT)] == [1, 2, 0]


def test_what_comes_while_a_group_is_being_done_is_done_before_the_end(bench: Bench) -> None:
    """The mark of the end that stands behind it ends the writer, and nothing before it is left."""
    bench.hold.clear()
    bench.following = {1: []}
    first = bench.put(1)
    assert bench.inside.wait(WAIT)
    closing = threading.Thread(target=bench.writer.close)
    closing.start()
    bench.hold.set()
    closing.join(WAIT)
    assert not closing.is_alive()
    assert (first.result(WAIT), bench.following[1][0].result(WAIT)) == (1, 2)
    with pytest.raises(StoreFailed):
        bench.put(3).result(WAIT)


def test_many_submitters_need_fewer_commits_than_commands(bench: Bench) -> None:
    """From eight threads at once; each sees its own command in the file as soon as its future says so."""
    bench.hold.clear()
    unseen: list[int] = []

    def work(start: int) -> None:
        for future, number in [(bench.put(n), n) for n in range(start, start + 25)]:
            assert future.result(WAIT) == number
            if number not in bench.rows():
                unseen.append(number)

    threads = [threading.Thread(target=work, args=(25 * each,)) for each in range(8)]
    for thread in threads:
        thread.start()
    assert bench.inside.wait(WAIT)
    bench.hold.set()
    for thread in threads:
        thread.join(WAIT)
    assert bench.rows() == list(range(200))
    assert unseen == []
    assert bench.commits() < 200


@pytest.mark.parametrize("fault", [-1, -2, -3, -4])
def test_a_fault_of_one_command_is_undone_alone(bench: Bench, fault: int) -> None:
    """Also a defect of ours: told to the one who asked; its neighbours in the group are committed, and the thread lives."""
    bench.hold.clear()
    first = bench.put(1)
    assert bench.inside.wait(WAIT)
    before, bad, behind = bench.put(2), bench.put(fault), bench.put(3)
    bench.hold.set()
    assert [future.result(WAIT) for future in (first, before, behind)] == [1, 2, 3]
    assert bad.exception(WAIT) is _FAULTS[fault]
    assert bench.rows() == [1, 2, 3]
    assert bench.writer.fault == ""


def test_a_broken_constraint_is_undone_alone(bench: Bench) -> None:
    """SQLite's own refusal of one row concerns that row's command only."""
    bench.hold.clear()
    futures = [bench.put(number) for number in (1, 2, 2, 3)]
    bench.hold.set()
    assert isinstance(futures[2].exception(WAIT), sqlite3.IntegrityError)
    assert [futures[n].result(WAIT) for n in (0, 1, 3)] == [1, 2, 3]
    assert bench.rows() == [1, 2, 3]


def test_a_full_disk_undoes_the_group_and_the_next_goes_on(bench: Bench) -> None:
    """Nothing of the group is written; the writer says so until something could be written again."""
    bench.hold.clear()
    first = bench.put(0)
    assert bench.inside.wait(WAIT)
    futures = [bench.put(number) for number in (1, -5, 2)]
    bench.hold.set()
    assert first.result(WAIT) == 0
    for future in futures:
        with pytest.raises(StoreFull, match=r"^The disk is full; nothing was written \(SQLITE_FULL\)\.$"):
            future.result(WAIT)
    assert bench.rows() == [0]
    assert bench.writer.shortage == "The disk is full; nothing was written (SQLITE_FULL)."
    assert bench.put(3).result(WAIT) == 3
    assert (bench.writer.shortage, bench.writer.fault) == ("", "")


@pytest.mark.parametrize(("fault", "name"), [(-6, "SQLITE_IOERR_FSYNC"), (-7, "MemoryError")])
def test_after_a_failed_write_nothing_is_acknowledged_any_more(bench: Bench, fault: int, name: str) -> None:
    """What is durable is unknown (PostgreSQL: "PANIC on fsync() failure", data_sync_retry off): stop, and say why, for good."""
    bench.hold.clear()
    first = bench.put(1)
    assert bench.inside.wait(WAIT)
    futures = [bench.put(number) for number in (2, fault, 3)]
    bench.hold.set()
    assert first.result(WAIT) == 1
    sentence = f"Writing to the store failed ({name}). Nothing more is acknowledged; mend the disk and restart Padpost."
    for future in (*futures, bench.put(4)):
        with pytest.raises(StoreFailed) as told:
            future.result(WAIT)
        assert str(told.value) == sentence
    assert bench.writer.fault == sentence
    assert bench.rows() == [1]


def test_a_cancelled_waiter_takes_nothing_back(bench: Bench) -> None:
    """A task that is cancelled while it waits (a stopping service) leaves its command done, and harms no other."""
    bench.hold.clear()

    async def give_up() -> None:
        waiting = asyncio.ensure_future(asyncio.wrap_future(bench.put(1)))
        await asyncio.sleep(0)
        waiting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await waiting

    asyncio.run(give_up())
    behind = bench.put(2)
    assert not behind.cancel()
    bench.hold.set()
    assert behind.result(WAIT) == 2
    assert bench.rows() == [1, 2]


def test_closing_does_what_was_submitted_and_refuses_the_rest(bench: Bench) -> None:
    """Nobody waits for ever: what came in time is done, what came late is told so."""
    futures = [bench.put(number) for number in range(5)]
    bench.writer.close()
    assert [future.result(0) for future in futures] == [0, 1, 2, 3, 4]
    with pytest.raises(StoreFailed, match=r"^The store is closed\.$"):
        bench.put(5).result(0)
    assert bench.rows() == [0, 1, 2, 3, 4]


def test_submitting_while_closing_never_leaves_a_future_open(tmp_path: Path) -> None:
    """Threads that submit at the moment of closing get an answer each: done, or refused."""
    for turn in range(10):
        bench = Bench(tmp_path / f"{turn}.sqlite")
        futures: list[Future[Any]] = []
        go = threading.Barrier(2)

        def submit(bench: Bench = bench, go: threading.Barrier = go, futures: list[Future[Any]] = futures) -> None:
            go.wait(WAIT)
            futures.extend(bench.put(number) for number in range(50))

        thread = threading.Thread(target=submit)
        thread.start()
        go.wait(WAIT)
        bench.writer.close()
        thread.join(WAIT)
        done = [future.result(WAIT) for future in futures if future.exception(WAIT) is None]
        assert len(futures) == 50
        assert done == list(range(len(done)))
        assert bench.rows() == done


def test_a_file_that_cannot_be_opened_answers_everyone(tmp_path: Path) -> None:
    """The thread ends before its first group: whoever asked, and whoever asks, is told."""
    asked = threading.Event()

    def connect() -> SqliteDb:
        assert asked.wait(WAIT)
        return sqlite3.connect(tmp_path / "no" / "such.sqlite", factory=SqliteDb)

    def never(_db: Db, _command: Command) -> None:
        raise AssertionError("there is no file to write to")

    writer = Writer(SqliteEngine(connect), never)
    early = writer.submit(ReserveNumbers(count=1))
    asked.set()
    sentence = "Writing to the store failed (SQLITE_CANTOPEN)"
    assert str(early.exception(WAIT)).startswith(sentence)
    assert str(writer.submit(ReserveNumbers(count=1)).exception(WAIT)).startswith(sentence)
    assert writer.fault.startswith(sentence)
    writer.close()
