"""Leases and their tokens on a real file: one owner at a time, and what is late changes nothing."""

from __future__ import annotations

import itertools
import json
import random
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, get_args

import pytest

from bridge.errors import LeaseLost, Overtaken
from bridge.lifecycle.sharing import every
from bridge.lifecycle.states import DestinationState
from bridge.model import Acknowledgement, Answer, Coded
from bridge.store.apply import apply
from bridge.store.commands import (
    BearMessage,
    BeginAttempt,
    Command,
    EndAttempt,
    EndIntake,
    HeldLeases,
    HoldLeases,
    HurryWaiting,
    KeepCapture,
    KeepRun,
    KeepSignals,
    Lease,
    LeaveLeases,
    NoteSaid,
    RecordOutcome,
    RecoverDeliveries,
    SetDestination,
    WithholdDelivery,
)
from bridge.store.database import SqliteDb
from bridge.store.sqlite import FILE, SqliteStore
from tests.store import strips as s

LENGTH_S = 4.0
DEST = "destination:records"
ANA = "analyzer:brook-1"


class SharedDb(SqliteDb):
    """A connection whose clock is the test's, as a server's is its own: what a process says of the time does not count."""

    at = s.NOW

    def time(self, given: datetime) -> datetime:
        return self.at


@pytest.fixture
def db(store: SqliteStore, tmp_path: Path) -> Iterator[SharedDb]:
    """Give such a connection to an empty store."""
    assert store.fault == ""
    connection = sqlite3.connect(tmp_path / FILE, isolation_level=None, factory=SharedDb)
    connection.execute("PRAGMA synchronous = OFF")  # order is looked at here, not power
    yield connection
    connection.close()


def _beat(db: SharedDb, owner: str, *names: str, **more: Any) -> HeldLeases:
    """Beat for ``owner``, which wants ``names``; its own clock is wrong by a year."""
    command = HoldLeases(
        **{
            "owner": owner,
            "roles": frozenset({"intake", "delivery"}),
            "host": "h",
            "pid": 7,
            "wishes": frozenset(names),
            "wound_up": frozenset(),
            "length_s": LENGTH_S,
            "at": s.NOW - timedelta(days=365),
            **more,
        }
    )
    told: HeldLeases = apply(db, command)
    return told


def _pass_time(db: SharedDb, seconds: float) -> None:
    db.at += timedelta(seconds=seconds)


def test_who_comes_first_has_it_until_it_stops_beating(db: SharedDb) -> None:
    """It is renewed under the same token; the other gets it the moment it has run out, under a higher one."""
    first = _beat(db, "a", DEST)
    assert first == HeldLeases(held=(Lease(name=DEST, token=1),), give_back=frozenset(), next_end_s=None)
    _pass_time(db, 3)
    assert _beat(db, "b", DEST) == HeldLeases(held=(), give_back=frozenset(), next_end_s=1.0)
    assert _beat(db, "a", DEST).held == first.held
    _pass_time(db, 3.999)
    assert _beat(db, "b", DEST) == HeldLeases(held=(), give_back=frozenset(), next_end_s=0.001)
    _pass_time(db, 0.001)
    (taken,) = _beat(db, "b", DEST).held
    assert taken.token > first.held[0].token
    assert _beat(db, "a", DEST).held == ()


def test_who_was_late_has_lost_it_even_where_nobody_took_it(db: SharedDb) -> None:
    """Its token is a new one: what it does under the old one is refused, so it looks again at what it was doing."""
    (old,) = _beat(db, "a", DEST).held
    _pass_time(db, 4)
    (new,) = _beat(db, "a", DEST).held
    assert new.token > old.token


def test_alone_a_process_takes_what_an_earlier_one_left_and_never_loses_it(db: SharedDb) -> None:
    """One process a file, by its lock: the earlier one is gone, whatever its rows say, and time does not matter."""
    (left,) = _beat(db, "before the crash", DEST, length_s=None).held
    (mine,) = _beat(db, "now", DEST, length_s=None).held
    assert mine.token > left.token
    _pass_time(db, 10**8)
    assert _beat(db, "now", DEST, ANA, length_s=None).held == (Lease(name=ANA, token=1), mine)


def test_a_second_process_is_given_its_share_once_the_first_has_wound_it_up(db: SharedDb) -> None:
    """Nothing is torn from a process that is alive: it is asked, goes on marking what it began, and gives it back itself."""
    names = ["destination:a", "destination:b"]
    held = _beat(db, "one", *names).held
    assert _beat(db, "two", *names).held == ()
    asked = _beat(db, "one", *names)
    assert (asked.held, asked.give_back) == (held, frozenset({"destination:b"}))
    assert _beat(db, "two", *names).held == ()
    given = _beat(db, "one", *names, wound_up=frozenset({"destination:b"}))
    assert (given.held, given.give_back) == (held[:1], frozenset())
    (theirs,) = _beat(db, "two", *names).held
    assert (theirs.name, theirs.token > held[1].token) == ("destination:b", True)


def test_who_ends_in_peace_keeps_nobody_waiting(db: SharedDb) -> None:
    """Its leases are free at once."""
    _beat(db, "a", DEST, ANA)
    apply(db, LeaveLeases(owner="a"))
    assert [lease.name for lease in _beat(db, "b", DEST, ANA).held] == [ANA, DEST]
    assert db.execute("SELECT owner FROM processes").fetchall() == [("b",)]


def test_all_of_a_kind_takes_what_others_heard_of(db: SharedDb) -> None:
    """An analyzer that only a dead process had heard of is judged all the same."""
    _beat(db, "a", ANA, DEST)
    _pass_time(db, 4)
    assert [lease.name for lease in _beat(db, "b", every("analyzer")).held] == [ANA]
    assert db.execute("SELECT name FROM leases ORDER BY name").fetchall() == [(ANA,), (DEST,)]


# --- fenced commands


def _fenced(db: SharedDb) -> list[Any]:
    """Give one of each command that carries a lease, each of which could be done now."""
    of, made = s.reading(), s.result("R1")
    going = tuple(
        s.delivery(s.message(made, f"M{place}", destination=place), born=place != "unborn")
        for place in ("unborn", "begun", "ready", "waiting")
    )
    apply(db, KeepCapture(capture=s.capture(), analyzer="brook-1", profile="p"))
    apply(db, KeepCapture(capture=s.capture(b"two"), analyzer="brook-1", profile="p"))
    recorded = apply(
        db,
        RecordOutcome(
            intake_id=1, capture_id=1, reading=of, outcome=Coded(checked=s.checked(of), result=made), deliveries=going, tables_digest="t", at=s.NOW,
            ends_intake=True,
        ),
    )  # fmt: skip
    unborn, begun, ready, waiting = recorded.delivery_ids
    later = Acknowledgement(answer=Answer.TRY_AGAIN, code="AR 206")
    tried = apply(db, BeginAttempt(delivery_id=waiting, at=s.NOW))
    apply(db, EndAttempt(delivery_id=waiting, attempt=tried, at=s.NOW, acknowledgement=later, due_at=s.later(60)))
    attempt = apply(db, BeginAttempt(delivery_id=begun, at=s.NOW))
    other = s.reading("2")
    return [
        HurryWaiting(destination="waiting", beyond=s.NOW, at=s.NOW),
        KeepCapture(capture=s.capture(b"three"), analyzer="brook-1", profile="p"),
        KeepRun(captures=(s.capture(b"four"), s.capture(b"five")), analyzer="brook-1", profile="p"),
        RecordOutcome(
            intake_id=2, capture_id=2, reading=other, outcome=s.control(other), deliveries=(), tables_digest="t", at=s.NOW, ends_intake=True
        ),
        EndIntake(intake_id=2, at=s.NOW),
        BearMessage(delivery_id=unborn, message=s.message(made, "M9"), at=s.NOW),
        WithholdDelivery(delivery_id=unborn, at=s.NOW),
        BeginAttempt(delivery_id=ready, at=s.NOW),
        EndAttempt(delivery_id=begun, attempt=attempt, at=s.NOW, acknowledgement=Acknowledgement(answer=Answer.ACCEPTED, code="AA")),
        RecoverDeliveries(destination="begun", at=s.NOW),
        SetDestination(name="records", state=DestinationState.CLOSED, reason="r", at=s.NOW),
    ]  # fmt: skip


def _all_rows(db: SharedDb) -> list[object]:
    tables = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
    return [db.execute(f"SELECT * FROM {table}").fetchall() for table in tables]


@pytest.mark.parametrize("number", range(11))
def test_a_late_owner_changes_nothing(db: SharedDb, number: int) -> None:
    """Each command that carries a lease: refused under an old token, a foreign name or a future one; done under the newest."""
    command = _fenced(db)[number]
    (old,) = _beat(db, "a", DEST).held
    _pass_time(db, 4)
    (new,) = _beat(db, "b", DEST).held
    before = _all_rows(db)
    for lease in (old, replace(new, token=new.token + 1), replace(new, name="destination:none")):
        with pytest.raises(LeaseLost):
            apply(db, replace(command, lease=lease))
        assert _all_rows(db) == before
    apply(db, replace(command, lease=new))
    assert _all_rows(db) != before


def test_every_command_of_a_leased_worker_carries_a_lease(db: SharedDb) -> None:
    """The list above is all of them."""
    carrying = {type(command) for command in _fenced(db)}
    elsewhere = {KeepSignals, NoteSaid}  # the contract of signals tries theirs
    assert carrying == {kind for kind in get_args(Command) if "lease" in kind.__dataclass_fields__} - elsewhere


# --- a simulation: owners that stand still, come back late and die


@dataclass
class Owner:
    """A process: what it holds as far as it knows, and what it has begun and not yet ended."""

    name: str
    lease: Lease | None = None
    fresh: bool = False
    begun: dict[int, tuple[int, Lease]] = field(default_factory=dict)


class Simulation:
    """Three owners work on one destination and one analyzer through one file, one step at a time, by a seeded dice."""

    def __init__(self, db: SharedDb, seed: int) -> None:
        self.db = db
        self.dice = random.Random(seed)
        self.owners = [Owner(name=name) for name in ("a", "b", "c")]
        self.judges = {owner.name: Owner(name=owner.name) for owner in self.owners}
        self.numbers = itertools.count(1)
        self.sent: list[tuple[str, int]] = []  # what a receiver got: (lane, delivery), in order
        self.accepted: list[int] = []

    def step(self) -> None:
        """Do something that a process might do just then."""
        owner = self.dice.choice(self.owners)
        moves = [self._beat, self._begin, self._answer, self._post, self._judge, self._stand_still, self._die]
        (move,) = self.dice.choices(moves, weights=[8, 8, 6, 3, 4, 2, 1])
        move(owner)

    def _beat(self, owner: Owner) -> None:
        held = {lease.name: lease for lease in _beat(self.db, owner.name, DEST, ANA).held}
        for holder, name in ((owner, DEST), (self.judges[owner.name], ANA)):
            lease = held.get(name)
            holder.fresh = holder.fresh or lease != holder.lease
            holder.lease = lease

    def _stand_still(self, owner: Owner) -> None:
        """Time goes by in which this one, or all, did not beat."""
        _pass_time(self.db, self.dice.choice([0.5, 1, 2, 4.5]))

    def _die(self, owner: Owner) -> None:
        """Kill -9: it forgets all; nothing is given back. Its successor has another name."""
        if self.dice.random() < 0.3:
            fresh = Owner(name=f"{owner.name}'")
            self.owners[self.owners.index(owner)] = fresh
            self.judges[fresh.name] = Owner(name=fresh.name)

    def _begin(self, owner: Owner) -> None:
        if owner.lease is None:
            return
        try:
            if owner.fresh:
                apply(self.db, RecoverDeliveries(destination="records", at=s.NOW, lease=owner.lease))
                owner.fresh = False
            waiting = "SELECT id FROM deliveries WHERE state IN ('queued', 'retrying') ORDER BY id LIMIT 4"
            numbers = [row[0] for row in self.db.execute(waiting)]
            if not numbers:
                return
            number = self.dice.choice(numbers)
            attempt = apply(self.db, BeginAttempt(delivery_id=number, at=s.NOW, lease=owner.lease))
        except LeaseLost:
            owner.lease = None
            return
        if attempt is not None:
            assert self._newest(DEST) == (owner.name, owner.lease.token)
            (lane,) = self.db.execute("SELECT lane FROM deliveries WHERE id = ?", (number,)).fetchone()
            self.sent.append((lane, number))
            owner.begun[number] = (attempt, owner.lease)

    def _answer(self, owner: Owner) -> None:
        """Note an answer, perhaps long after the lease is another's: then it must not count."""
        if not owner.begun:
            return
        number = self.dice.choice(sorted(owner.begun))
        attempt, lease = owner.begun.pop(number)
        answer = self.dice.choice([Answer.ACCEPTED, Answer.TRY_AGAIN])
        ended = EndAttempt(
            delivery_id=number, attempt=attempt, at=s.NOW, acknowledgement=Acknowledgement(answer=answer, code="x"), due_at=s.NOW, lease=lease
        )  # fmt: skip
        before = self._state(number)
        is_newest = self._newest(DEST)[1] == lease.token
        try:
            apply(self.db, ended)
        except LeaseLost:
            assert not is_newest
            assert self._state(number) == before
            return
        assert is_newest
        if answer is Answer.ACCEPTED:
            self.accepted.append(number)

    def _post(self, owner: Owner) -> None:
        apply(self.db, KeepCapture(capture=s.capture(str(next(self.numbers)).encode()), analyzer="brook-1", profile="p"))

    def _judge(self, owner: Owner) -> None:
        """Record what the oldest capture holds, or what it held when this judge last looked."""
        judge = self.judges[owner.name]
        row = self.db.execute("SELECT id, capture_id FROM intake WHERE ended_at IS NULL ORDER BY id LIMIT 1").fetchone()
        if judge.lease is None or row is None:
            return
        number = str(next(self.numbers))
        of, made = s.reading(number), s.result(f"R{number}", patient=self.dice.choice("xyz"))
        command = RecordOutcome(
            intake_id=row[0], capture_id=row[1], reading=of, outcome=Coded(checked=s.checked(of), result=made),
            deliveries=(s.delivery(s.message(made, f"M{number}")),), tables_digest="t", at=s.NOW, ends_intake=True, lease=judge.lease,
        )  # fmt: skip
        try:
            apply(self.db, command)
        except LeaseLost:
            judge.lease = None
            return
        assert self._newest(ANA) == (owner.name, judge.lease.token)
        with pytest.raises((LeaseLost, Overtaken)):
            apply(self.db, replace(command, outcome=s.control(of), deliveries=()))

    def _newest(self, name: str) -> tuple[str, int]:
        owner, token = self.db.execute("SELECT owner, token FROM leases WHERE name = ?", (name,)).fetchone()
        return owner, token

    def _state(self, number: int) -> str:
        return str(self.db.execute("SELECT state FROM deliveries WHERE id = ?", (number,)).fetchone()[0])

    def check(self) -> None:
        """Nothing is judged twice, no message overtakes an older one of its lane, and what was accepted stays so."""
        judged = self.db.execute("SELECT capture_id, count(*) FROM strips GROUP BY capture_id HAVING count(*) > 1").fetchall()
        assert judged == []
        for lane in "xyz":
            order = [number for each, number in self.sent if each == lane]
            firsts = list(dict.fromkeys(order))
            assert firsts == sorted(firsts)
            for number, following in itertools.pairwise(order):
                assert following >= number  # an older one of the lane never goes after a younger one
        assert {self._state(number) for number in self.accepted} <= {"accepted"}
        assert len(set(self.accepted)) == len(self.accepted)


@pytest.mark.parametrize("seed", range(12))
def test_owners_that_stand_still_or_die_break_no_order(db: SharedDb, seed: int) -> None:
    """Hundreds of steps of three owners: beats, tries, answers, judgements, late ones among them, in any order."""
    simulation = Simulation(db, seed)
    for owner in simulation.owners:
        simulation._beat(owner)
    for _ in range(1500):
        simulation.step()
    simulation.check()
    assert len(simulation.sent) > 10
    assert simulation.accepted


def test_a_clock_that_was_set_back_does_not_keep_a_dead_process_alive(db: SharedDb) -> None:
    """Nobody lives longer than a lease is long from now: what says so was written by a clock that ran ahead."""
    (old,) = _beat(db, "dead", DEST).held
    _pass_time(db, -86400)
    assert _beat(db, "heir", DEST) == HeldLeases(held=(), give_back=frozenset(), next_end_s=LENGTH_S)
    _pass_time(db, LENGTH_S)
    (taken,) = _beat(db, "heir", DEST).held
    assert taken.token > old.token


def test_the_wishes_of_an_earlier_version_are_understood_and_ours_by_it(db: SharedDb) -> None:
    """Processes are updated one by one: a list of names is one that stands back from nothing, and who reads names finds them in ours."""
    _beat(db, "new", DEST, steps_back={DEST: 1})
    (stored,) = db.execute("SELECT wishes FROM processes WHERE owner = 'new'").fetchone()
    assert frozenset(json.loads(stored)) == {DEST}
    assert _beat(db, "new", DEST, steps_back={DEST: 1}).give_back == frozenset()
    _beat(db, "old", DEST)
    db.execute("UPDATE processes SET wishes = ? WHERE owner = 'old'", (json.dumps([DEST]),))
    assert _beat(db, "new", DEST, steps_back={DEST: 1}).give_back == {DEST}
