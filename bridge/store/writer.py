"""The one writer of a process: a thread that commits commands in groups.

A group is whatever has queued up while the last one was being committed, and what comes while it is being done: alone, a command
is committed at once; under load many share one fsync. A group in which a command is refused is undone and done again with a savepoint around each, so that one
failure never spoils the group; nearly none is, and savepoints cost more than what they hold. Only then are a statement's answer and
its error waited for before the next is sent: a server in another machine may tell of both as late as COMMIT. A future is resolved
only after COMMIT has returned.

What an error means is the engine's to say. After a failed commit to a file nothing is known to be durable: the writer
stops for good (ARCHITECTURE rule 3; PostgreSQL does the same since its fsync lesson of 2018). A server that is away comes
back: until then every command is refused, and the writer calls it again with growing rests.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from enum import Enum
from time import monotonic
from typing import Any, Protocol

from bridge.errors import StoreAway, StoreError, StoreFailed, StoreFull, StoreUnsure
from bridge.store.commands import Command, EndAttempt, HoldLeases
from bridge.store.database import Db

LARGEST_GROUP = 200  # ours: bounds how long the first of a group waits for the last
# ours: a strip that is run when the last one was answered comes within this, and a technician sees no difference
COMPANY_S = 0.005
LONGEST_GROUP_S = 0.005  # ours: some two commits of a good disk; no group takes more commands after so long
MOST_TURNS = 5  # ours: groups of two processes that keep meeting are told so rather than tried for ever
FIRST_REST_S = 0.1  # ours: a server that restarts is back within seconds
LONGEST_REST_S = 2.0  # ours: short beside the time that a technician takes to look again
_Job = tuple[Command, "Future[Any]"]
Apply = Callable[[Db, Command], Any]
_BEAT: Any = object()  # stands in the queue for a heartbeat, so that the thread wakes


class Verdict(Enum):
    """What an error means for the commands of a group."""

    ONE = "of one command alone: its savepoint is undone, its neighbours go on"
    MET = "of one command that met another process's: it looks again, and is told if that does not help"
    AGAIN = "the group is undone, since another process was in its way: the same may pass now"
    FULL = "the group is undone for want of room: the next may pass"
    AWAY = "the server is gone for now"
    BROKEN = "nothing that was written can be relied on: stop for good"


_OF_ONE = frozenset({Verdict.ONE, Verdict.MET})


class _Went(Enum):
    """How a turn of a group went."""

    ANSWERED = "its futures are answered"
    MET = "it was undone, and the same may pass now"
    REFUSED = "it was undone, since one of its commands is refused: the others pass without that one"


class Engine(Protocol):
    """A database as the writer uses it: one connection, which only the writer's thread touches."""

    def open(self) -> Db:
        """Connect anew. Raises what the database raises, or StoreError where the server cannot be relied on."""

    def close(self) -> None:
        """Let go of the connection, whatever state it is in."""

    def begin(self, *, together: bool) -> None:
        """Begin a transaction that writes. ``together``: none of it will be undone alone, so that errors may come as late as the commit."""

    def must_stand(self) -> None:
        """Raise where the transaction is known to be gone, so that no commit is sent of which nobody would learn what came of it."""

    def commit(self) -> None:
        """Make the transaction durable. An error with the verdict ONE or MET is of a statement before: then nothing was committed."""

    def undo(self) -> None:
        """Take the transaction back."""

    def tidy(self) -> None:
        """Do between two groups what the database needs; an error here is of no group."""

    def verdict(self, error: Exception) -> Verdict:
        """Say what an error means; an error that is not the database's is of one command."""

    def told(self, error: Exception) -> Exception:
        """Give the error that the one who submitted the command is told."""

    def name(self, error: Exception) -> str:
        """Name an error in a word; without values of ours."""


class Written:
    """What a store with a writer offers beside its reads; mixed into the store."""

    _writer: Writer
    _epoch: str

    @property
    def epoch(self) -> str:
        """Give the store's epoch: 5 letters, new at initialisation and at every restore."""
        return self._epoch

    @property
    def fault(self) -> str:
        """Say why nothing can be written any more; empty while all is well."""
        return self._writer.fault

    @property
    def away(self) -> str:
        """Say why nothing can be written for now: the database server cannot be reached; empty while it can."""
        return self._writer.away

    @property
    def shortage(self) -> str:
        """Say that the disk had no room when something was last written; empty once something could be written again."""
        return self._writer.shortage

    def submit(self, command: Command) -> Future[Any]:
        """Do ``command`` in one durable transaction; the future gives its result once committed."""
        return self._writer.submit(command)


class Writer:
    """Owns the writing connection; ``submit`` may be called from any thread."""

    def __init__(self, engine: Engine, apply: Apply) -> None:
        """Start the thread. ``engine`` is used on it alone; ``apply`` does one command inside a savepoint."""
        self.fault = ""
        self.away = ""
        self.shortage = ""
        self._engine = engine
        self._apply = apply
        self._db: Db | None = None
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._beats: queue.SimpleQueue[_Job] = queue.SimpleQueue()
        self._closing = threading.Event()
        self._is_ending = False  # the writer's thread has met the mark of the end
        self._turn = threading.Lock()  # nothing is queued behind the end, where nobody would ever do it
        self._thread = threading.Thread(target=self._run, name="padpost-store-writer", daemon=True)
        self._thread.start()

    def submit(self, command: Command) -> Future[Any]:
        """Queue a command. Its future raises StoreFailed once the writer has stopped, StoreAway while the server is away.

        What was submitted is done: cancelling the future (a task that is cancelled while it waits does) takes nothing back.
        """
        future: Future[Any] = Future()
        future.set_running_or_notify_cancel()
        with self._turn:
            refusal = self._refusal()
            if refusal is None and _goes_first(command):
                self._beats.put((command, future))
                self._jobs.put(_BEAT)
            elif refusal is None:
                self._jobs.put((command, future))
        if refusal is not None:
            future.set_exception(refusal)
        return future

    def close(self) -> None:
        """Do what was submitted, then stop."""
        with self._turn:
            self._closing.set()
            self._jobs.put(None)
        self._thread.join()

    def _refusal(self) -> StoreError | None:
        if self.fault:
            return StoreFailed(self.fault)
        if self._closing.is_set():
            return StoreFailed("The store is closed.")
        return StoreAway(self.away) if self.away else None

    def _run(self) -> None:
        try:
            while True:
                group = self._next_group()
                if group:
                    self._work(group)
                if self._is_ending:
                    break
                if self._db is None and not self.fault:
                    self._come_back()
        finally:
            self._engine.close()

    def _next_group(self) -> list[_Job]:
        first = self._jobs.get()
        if first is None:
            self._is_ending = True
            return []
        group = self._beaten()
        if first is not _BEAT:
            group.append(first)
        self._is_ending = not self._fill(group)
        if not self._is_ending and all(_has_time(command) for command, _ in group):
            self._is_ending = not self._fill(group, wait_s=COMPANY_S)
        return group

    def _fill(self, group: list[_Job], *, wait_s: float = 0) -> bool:
        """Put what has queued up to a group, and wait for the first of it; say whether more may come: not behind the mark of the end."""
        group += self._beaten()
        while len(group) < LARGEST_GROUP:
            try:
                job = self._jobs.get(block=wait_s > 0, timeout=wait_s)
                wait_s = 0
            except queue.Empty:
                break
            if job is None:
                return False
            if job is _BEAT:
                group += self._beaten()  # nothing else in the queue stands for it
            else:
                group.append(job)
        return True

    def _beaten(self) -> list[_Job]:
        """Give the heartbeats that came: where they stand in the queue nothing is left to do."""
        beats = []
        while not self._beats.empty():
            beats.append(self._beats.get())
        return beats

    # --- one group

    def _work(self, group: list[_Job]) -> None:
        together, turns = True, MOST_TURNS
        while not self.fault:
            match self._commit(group, together=together, is_last=turns == 1):
                case _Went.ANSWERED:
                    return
                case _Went.REFUSED:
                    together = False
                case _Went.MET:
                    turns -= 1
        _fail(group, StoreFailed(self.fault))

    def _commit(self, group: list[_Job], *, together: bool, is_last: bool) -> _Went:
        """Do a group and answer its futures, unless it should be done again. Not ``together``: each command can be undone alone."""
        answers: list[tuple[Future[Any], Any, Exception | None]] = []
        is_open = sent = False
        try:
            db = self._db = self._db or self._engine.open()
            is_open = True
            self._engine.begin(together=together)
            for command, future in self._growing(group) if together else group:
                value, fault = (self._apply(db, command), None) if together else self._one(db, command)
                answers.append((future, value, fault))
            db.chain.finish(db)
            self._engine.must_stand()
            sent = True
            self._engine.commit()
            db.chain.stands()
        except Exception as error:  # noqa: BLE001 - whatever it is, it is the whole group's business, and its futures are answered
            verdict = self._undone(error)
            if together and verdict in _OF_ONE:
                return _Went.REFUSED
            if not is_last and (verdict is Verdict.AGAIN or (verdict is Verdict.AWAY and is_open and not sent)):
                return _Went.MET
            self._give_up(group, verdict, error, sent=sent)
            return _Went.ANSWERED
        self.shortage = ""
        for future, value, fault in answers:
            if fault is None:
                future.set_result(value)
            else:
                future.set_exception(fault)
        self._tidy()
        return _Went.ANSWERED

    def _growing(self, group: list[_Job]) -> Iterator[_Job]:
        """Give the jobs of a group, and with them what is submitted meanwhile: it shares the commit, so far as that does not wait for it."""
        until_s = monotonic() + LONGEST_GROUP_S
        place = 0
        while place < len(group):
            yield group[place]
            place += 1
            if place == len(group) < LARGEST_GROUP and not self._is_ending and monotonic() < until_s:
                self._is_ending = not self._fill(group)

    def _one(self, db: Db, command: Command) -> tuple[Any, Exception | None]:
        """Do one command; give its value, or the refusal that undid it alone."""
        value, fault = self._apart(db, command)
        if fault is not None and self._engine.verdict(fault) is Verdict.MET:
            value, fault = self._apart(db, command)
        return value, None if fault is None else self._engine.told(fault)

    def _apart(self, db: Db, command: Command) -> tuple[Any, Exception | None]:
        """Do one command in a savepoint of its own."""
        stood = db.chain.standing()
        db.execute("SAVEPOINT one")
        try:
            value = self._apply(db, command)
        except Exception as fault:  # a defect of ours too is told to the one who asked, and the thread lives on
            if self._engine.verdict(fault) not in _OF_ONE:
                raise
            db.known.clear()
            db.chain.back(stood)
            db.execute("ROLLBACK TO one")
            db.execute("RELEASE one")
            return None, fault
        db.execute("RELEASE one")
        return value, None

    def _tidy(self) -> None:
        try:
            self._engine.tidy()
        except Exception as error:  # noqa: BLE001 - as in _commit
            if self._undone(error) in {Verdict.BROKEN, *_OF_ONE}:
                self._stop(error)

    # --- what went wrong

    def _undone(self, error: Exception) -> Verdict:
        """Take the transaction back, as far as that can be done; give what the error means then."""
        verdict = self._engine.verdict(error)
        if verdict is Verdict.AWAY:
            self._let_go()
            return verdict
        try:
            self._engine.undo()
        except Exception as worse:  # noqa: BLE001 - as in _commit
            self._let_go()
            return Verdict.AWAY if self._engine.verdict(worse) is Verdict.AWAY else Verdict.BROKEN
        return verdict

    def _let_go(self) -> None:
        self._engine.close()
        self._db = None

    def _give_up(self, group: list[_Job], verdict: Verdict, error: Exception, *, sent: bool) -> None:
        name = self._engine.name(error)
        if verdict in {Verdict.BROKEN, *_OF_ONE}:  # outside every command it is not of one
            self._stop(error)
            _fail(group, StoreFailed(self.fault))
        elif verdict is Verdict.FULL:
            self.shortage = f"The disk is full; nothing was written ({name})."
            _fail(group, StoreFull(self.shortage))
        elif verdict is Verdict.AGAIN:
            _fail(group, StoreAway(f"Other processes were in the way {MOST_TURNS} times; nothing was written ({name})."))
        elif sent:
            _fail(group, StoreUnsure(f"The database went away during a commit ({name})."))
        else:
            self._say_away(name)
            _fail(group, StoreAway(self.away))

    def _say_away(self, name: str) -> None:
        with self._turn:
            self.away = f"The database cannot be reached ({name}). Padpost tries again until it can."

    def stop(self, why: str) -> None:
        """Take nothing more, for the reason given; what is being committed is finished."""
        with self._turn:
            self.fault = why

    def _stop(self, error: Exception) -> None:
        with self._turn:
            self.fault = (
                f"Writing to the store failed ({self._engine.name(error)}). "
                "Nothing more is acknowledged; mend the disk and restart Padpost."
            )

    def _come_back(self) -> None:
        """Call the server until it answers or the store is closed; whoever waits is told meanwhile."""
        rest_s = FIRST_REST_S
        while self._db is None:
            try:
                self._db = self._engine.open()
            except Exception as error:  # noqa: BLE001 - as in _commit
                self._let_go()
                if self._engine.verdict(error) is Verdict.BROKEN:
                    self._stop(error)
                    return
                self._say_away(self._engine.name(error))
                self._refuse_waiting()
                if self._closing.wait(rest_s):
                    return
                rest_s = min(rest_s * 2, LONGEST_REST_S)
            else:
                with self._turn:
                    self.away = ""

    def _refuse_waiting(self) -> None:
        """Answer what was queued before the server was known to be away; the mark of the end stays."""
        waiting: list[_Job] = []
        with self._turn:
            while not self._jobs.empty():
                job = self._jobs.get()
                if job is not None and job is not _BEAT:
                    waiting.append(job)
            waiting += self._beaten()
            if self._closing.is_set():
                self._jobs.put(None)
        _fail(waiting, StoreAway(self.away))


def _goes_first(command: Command) -> bool:
    """Say whether a command waits for nobody: a heartbeat that stood behind a long queue would come after the lease has run out.

    One that gives something back keeps its place: what was submitted before it may still be done under that lease.
    """
    return isinstance(command, HoldLeases) and not command.wound_up


def _has_time(command: Command) -> bool:
    """Say whether a command's commit may wait for company: the end of a try that nothing waits for."""
    return isinstance(command, EndAttempt) and command.has_time


def _fail(group: list[_Job], error: BaseException) -> None:
    for _, future in group:
        if not future.done():
            future.set_exception(error)
