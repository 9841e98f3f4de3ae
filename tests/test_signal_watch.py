"""The watch over a real store: causes become signals, are said once over restarts, and end; people's words stand."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from bridge.deliver.mail import MailClient
from bridge.errors import LeaseLost
from bridge.lifecycle.states import DestinationState
from bridge.model import Answer, Priority
from bridge.pages.site import ShownWay
from bridge.queue.leases import FREE
from bridge.settings import MailWay, Opening, Signals
from bridge.signal_watch import (
    Firsts,
    Machine,
    SignalWatch,
    audience_of,
    hours_of,
    limits_of,
    rule_of,
    shown_ways,
    way_notes,
)
from bridge.signal_ways import Way
from bridge.signals.hours import EVERY_DAY, Hours
from bridge.signals.kinds import Kind
from bridge.signals.machine import SignalState
from bridge.store.audit_commands import NoteVerified
from bridge.store.commands import AcknowledgeSignal, SetDestination
from bridge.store.envelope_commands import LookIntoEnvelope, SealEnvelope
from bridge.store.sqlite import SqliteStore
from bridge.tables.telling_terms import TellingTerms
from tests.peers.mail_server import Mailbox, mail_server
from tests.store import strips as s
from tests.store.envelope_contract import opening
from tests.store.strips import BO, EDA, NOW, WAIT, later
from tests.store.telling_contract import ONCE, told

UTC_ZONE = ZoneInfo("UTC")


@dataclass
class Bench:
    """A store, a clock that a test moves, and a watch over them that can be started anew."""

    folder: Path
    settings: Signals
    machine: Machine
    minute: float = 0.0
    ways: tuple[Way, ...] = ()

    def __post_init__(self) -> None:
        self.open()

    def open(self) -> None:
        """Start, as after a crash: memory is empty."""
        self.store = SqliteStore(self.folder, now=lambda: later(self.minute))
        self.watch = SignalWatch(
            self.store,
            self.settings,
            zone=UTC_ZONE,
            destinations=("records",),
            machine=self.machine,
            grip=FREE,
            now=lambda: later(self.minute),
            telling=TellingTerms(overdue_minutes=20),
            ways=self.ways,
        )

    def restart(self) -> None:
        """Close and start again."""
        self.store.close()
        self.open()

    def at(self, minute: float) -> list[tuple[Kind, SignalState]]:
        """Look at a minute; give the signals that stand."""
        self.minute = minute
        asyncio.run(self._round())
        return [(each.kind, each.state) for each in self.store.standing_signals()]

    async def _round(self) -> None:
        """Do what the loop does between two rests."""
        await self.watch.look()
        await self.watch.say()

    def door(self, state: DestinationState, *, name: str = "records") -> None:
        """Let a receiver's door open or close."""
        self.store.submit(SetDestination(name=name, state=state, reason="r", at=later(self.minute))).result(WAIT)

    def moves(self, number: int = 1) -> list[str]:
        """Give the states that a signal went through."""
        return [event.after for event in self.store.events(f"signal:{number}")]


@pytest.fixture
def bench(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Bench]:
    """Give a bench; ``params`` change the machine."""
    made = Bench(tmp_path / "data", Signals(), getattr(request, "param", Machine()))
    yield made
    made.store.close()


def test_a_receiver_that_is_down_is_one_signal_over_a_restart(bench: Bench) -> None:
    """It opens after its limit and a moment more, is not opened again by a restart, and ends once the door has been open for a while."""
    bench.door(DestinationState.CLOSED)
    bench.door(DestinationState.CLOSED, name="former")  # not configured any more
    assert [bench.at(minute) for minute in (0, 4.9, 5)] == [[], [], []]
    assert bench.at(6) == [(Kind.RECEIVER, SignalState.OPEN)]
    opened = bench.store.standing_signals()
    bench.restart()
    assert bench.at(7) == [(Kind.RECEIVER, SignalState.OPEN)]
    assert bench.store.standing_signals() == opened
    bench.door(DestinationState.OPEN)
    assert bench.at(8) == [(Kind.RECEIVER, SignalState.EASING)]
    assert bench.at(13) == []
    assert bench.moves() == ["open", "easing", "ended"]


def test_a_critical_result_that_nobody_was_told_of_is_told(bench: Bench) -> None:
    """HZ-I01: once it is overdue, by its task's number and from when it was to be told; it ends when somebody has been."""
    of = s.reading("7")
    s.record(bench.store, of, s.held(of), tell=ONCE)
    assert [bench.at(minute) for minute in (19.9, 20, 21)] == [[], [], [(Kind.TELLING, SignalState.OPEN)]]
    (signal,) = bench.store.standing_signals()
    assert [(cause.subject, cause.since) for cause in signal.causes] == [("telling:1", NOW)]
    told(bench.store)
    assert [bench.at(minute) for minute in (22, 27)] == [[(Kind.TELLING, SignalState.EASING)], []]


def test_a_stuck_stat_strip_is_told_and_goes_with_its_receipt(bench: Bench) -> None:
    """Hazard: an urgent result that nobody has is told of by its strip's number, and only while nobody has it. HZ-H12."""
    sent = s.post(bench.store, "A7", priority=Priority.STAT)
    routine = s.post(bench.store, "B7", lane="other")
    assert [bench.at(minute) for minute in (9, 10, 11)] == [[], [], [(Kind.STAT, SignalState.OPEN)]]
    (signal,) = bench.store.standing_signals()
    assert [(cause.subject, cause.since) for cause in signal.causes] == [(f"strip:{sent.strip_id}", NOW)]
    assert routine.strip_id != sent.strip_id
    s.attempt(bench.store, sent.delivery_ids[0], Answer.ACCEPTED)
    assert [bench.at(minute) for minute in (12, 17)] == [[(Kind.STAT, SignalState.EASING)], []]


def test_who_acknowledges_is_left_alone_until_it_is_over(bench: Bench) -> None:
    """The look after a person's word keeps it; four hours later what still stands is open again."""
    bench.door(DestinationState.CLOSED)
    bench.at(5), bench.at(6)
    bench.store.submit(AcknowledgeSignal(signal_id=1, actor=BO, reason="", at=later(7))).result(WAIT)
    assert bench.at(8) == [(Kind.RECEIVER, SignalState.ACKNOWLEDGED)]
    bench.restart()
    assert bench.at(246.9) == [(Kind.RECEIVER, SignalState.ACKNOWLEDGED)]
    assert bench.at(247) == [(Kind.RECEIVER, SignalState.OPEN)]


@pytest.mark.parametrize("bench", [Machine(is_room_low=lambda: True, certificates=lambda: ("records", "bench-a"))], indirect=True)
def test_the_machine_tells_of_itself(bench: Bench) -> None:
    """Room and certificates count from when they were seen first; a look that finds the same writes nothing. HZ-H10, HZ-F08."""
    assert [bench.at(minute) for minute in (0, 0.9)] == [[], []]
    assert bench.at(1) == [(Kind.CERTIFICATE, SignalState.OPEN), (Kind.ROOM, SignalState.OPEN)]
    before = bench.store.standing_signals()
    bench.at(2)
    assert bench.store.standing_signals() == before
    assert [cause.subject for cause in before[0].causes] == ["bench-a", "records"]
    assert {cause.since for each in before for cause in each.causes} == {NOW}


def test_a_history_that_was_changed_is_told_until_it_is_found_whole(bench: Bench) -> None:
    """HZ-J02: since the night in which it was found first."""
    for minute in (-600, 0):
        bench.store.submit(NoteVerified(at=later(minute), entries=1, events=2, broken="Entry 1-2: gone.")).result(WAIT)
    bench.at(0)
    assert bench.at(1) == [(Kind.HISTORY, SignalState.OPEN)]
    assert [cause.since for cause in bench.store.standing_signals()[0].causes] == [later(-600)]
    bench.store.submit(NoteVerified(at=later(2), entries=1, events=2, broken="")).result(WAIT)
    bench.at(3)
    assert bench.at(60) == []


def test_a_look_without_the_lease_keeps_nothing(bench: Bench) -> None:
    """One process of several tells: who has lost the lease writes nothing."""

    class Lost:
        def fence(self) -> Any:
            raise LeaseLost("signals:store is not held by this process.")

        def stand_back(self, steps: int) -> None:
            """Stay."""

    bench.door(DestinationState.CLOSED)
    bench.at(5)
    bench.watch._grip = Lost()
    with pytest.raises(LeaseLost):
        bench.at(6)
    assert bench.store.standing_signals() == ()


def test_it_looks_until_it_is_cancelled(bench: Bench) -> None:
    """The loop itself looks at once and then rests."""

    async def run() -> None:
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(bench.watch.run(), 0.5)

    bench.settings = replace_settings(bench.settings)
    bench.restart()
    bench.door(DestinationState.CLOSED)
    bench.minute = 5
    asyncio.run(run())
    assert [each.kind for each in bench.store.standing_signals()] == [Kind.RECEIVER]


def replace_settings(signals: Signals) -> Signals:
    """Give settings that open a signal at the first look."""
    return signals.model_copy(update={"settle_s": 0})


def test_settings_become_limits_and_a_rule() -> None:
    """Minutes and hours of the file, days by their number from Monday on."""
    signals = Signals(opening=(Opening(days=("sat", "mon"), start=time(8), end=time(12)),), repeat_minutes=0)
    limits = limits_of(signals, UTC_ZONE)
    assert limits.opening == (Hours(days=frozenset({0, 5}), start=time(8), end=time(12)),)
    assert (limits.stat, limits.rejected, limits.silent) == (timedelta(minutes=10), timedelta(hours=4), timedelta(hours=2))
    assert rule_of(signals).repeat is None
    assert rule_of(Signals()).repeat == timedelta(hours=1)
    assert hours_of(("mon", "tue", "wed", "thu", "fri", "sat", "sun"), time(0), time(0)).days == EVERY_DAY


def test_firsts_begin_anew_after_a_break() -> None:
    """A note that was gone and came back stands since it came back."""
    firsts = Firsts()
    assert firsts.of(["b", "a"], now=NOW) == (("a", NOW), ("b", NOW))
    assert firsts.of(["a"], now=later(1)) == (("a", NOW),)
    assert firsts.of(["a", "b"], now=later(2)) == (("a", NOW), ("b", later(2)))


# --- by mail


MAIL = {
    "kind": "mail",
    "name": "desk",
    "host": "127.0.0.1",
    "security": "none",
    "sender": "p@lab.example",
    "to": ["ana@lab.example"],
}


@pytest.fixture
def mailed(tmp_path: Path) -> Iterator[tuple[Bench, Mailbox]]:
    """Give a bench whose one way is a real mail server."""
    with mail_server(Mailbox()) as mailbox:
        settings = MailWay.model_validate({**MAIL, "port": mailbox.port})
        client = MailClient(settings, site="Test Clinic", answer_s=5)
        made = Bench(tmp_path / "data", Signals(), Machine(), ways=(Way(audience=audience_of(settings), client=client),))
        yield made, mailbox
        made.store.close()


def subjects(mailbox: Mailbox) -> list[str]:
    """Give what was said."""
    return [str(each["subject"]).removeprefix("Test Clinic: ") for each in mailbox.taken]


def test_a_fault_is_one_mail_over_restarts(mailed: tuple[Bench, Mailbox]) -> None:
    """Opened, still, over: three mails in a night with two restarts, of one thread, and no identifier of a patient in any."""
    bench, mailbox = mailed
    sent = s.post(bench.store, "A7", priority=Priority.STAT, patient="4711")
    for minute in (10.0, 11.0, 12.0):
        bench.at(minute)
    bench.restart()
    for minute in (13.0, 14.0, 70.9, 71.0):
        bench.at(minute)
    bench.restart()
    s.attempt(bench.store, sent.delivery_ids[0], Answer.ACCEPTED)
    for minute in (72.0, 77.0, 78.0):
        bench.at(minute)
    headline = "A STAT strip has not gone"
    assert subjects(mailbox) == [headline, f"Still: {headline}", f"Over: {headline}"]
    assert len({each["references"] for each in mailbox.taken}) == 1
    assert len({each["message-id"] for each in mailbox.taken}) == 3
    for each in mailbox.taken:
        assert "4711" not in each.as_string()
        assert f"strip {sent.strip_id}" in each.get_content()


def test_a_kill_before_the_mail_loses_none_and_makes_none_twice(mailed: tuple[Bench, Mailbox]) -> None:
    """Killed between keeping and saying: the next start says it, once."""
    bench, mailbox = mailed
    bench.door(DestinationState.CLOSED)
    bench.at(5)
    bench.minute = 6
    asyncio.run(bench.watch.look())
    assert subjects(mailbox) == []
    bench.restart()
    for minute in (7, 8):
        bench.at(minute)
    assert subjects(mailbox) == ["A receiver takes nothing"]


def test_a_mail_server_that_is_down_is_tried_again(mailed: tuple[Bench, Mailbox]) -> None:
    """The signal stands on the page meanwhile, with why nobody was called."""
    bench, mailbox = mailed
    mailbox.answer = "451 try later"
    bench.door(DestinationState.CLOSED)
    bench.at(5), bench.at(6)
    (row,) = bench.store.says_of(1)
    assert (row.tries, row.fault) == (1, "The mail server 127.0.0.1 did not take it: 451 try later")
    mailbox.answer = ""
    bench.at(6.4)
    assert subjects(mailbox) == []
    bench.at(6.5)
    assert subjects(mailbox) == ["A receiver takes nothing"]


def test_ways_are_shown_without_anybodys_address() -> None:
    """Names of hosts and counts; which kinds, and when it is spared."""
    quiet = {"start": "22:00", "end": "06:00"}
    hook = {
        "kind": "hook",
        "name": "pager",
        "url": "https://pager.example/in?key=x",
        "signing": {"keys": "keys"},
        "kinds": ["stat", "room"],
    }
    shown = shown_ways(Signals.model_validate({"ways": [{**MAIL, "quiet": quiet}, hook]}))
    assert shown == (
        ShownWay(name="desk", host="127.0.0.1", addresses=1, quiet_from="22:00", quiet_to="06:00"),
        ShownWay(name="pager", host="pager.example", kinds=(Kind.STAT, Kind.ROOM)),
    )


def test_a_way_that_could_not_be_used_is_noted(tmp_path: Path) -> None:
    """Before anybody waits for a call that never comes; one that is well has no note."""
    hook = {"kind": "hook", "name": "pager", "url": "https://pager.example/in", "signing": {"keys": str(tmp_path / "keys")}}
    notes = way_notes(Signals.model_validate({"ways": [MAIL, hook]}).ways, now=NOW)
    assert list(notes) == ["pager"]
    assert "cannot be read" in notes["pager"][0]


def test_the_emergency_account_s_use_is_told_with_the_first_look_until_somebody_looks_into_it(bench: Bench) -> None:
    """HZ-J04: at once, to whoever is told of signals; then, until a new envelope is sealed, that there is no good one."""
    bench.store.submit(SealEnvelope(digest="d1", actor=BO, reason="yearly", at=later(0))).result(WAIT)
    assert bench.at(9) == []
    bench.store.submit(opening(bench.store)).result(WAIT)
    assert bench.at(10) == [(Kind.EMERGENCY, SignalState.OPEN)]
    assert bench.at(11) == [(Kind.EMERGENCY, SignalState.OPEN), (Kind.ENVELOPE, SignalState.OPEN)]
    (emergency, _) = bench.store.standing_signals()
    assert [(cause.subject, cause.since) for cause in emergency.causes] == [("envelope:1", later(10))]
    bench.store.submit(LookIntoEnvelope(envelope_id=1, actor=EDA, reason="rightly", at=later(12))).result(WAIT)
    bench.at(12)
    assert bench.at(12.5) == [(Kind.ENVELOPE, SignalState.OPEN)]
    bench.store.submit(SealEnvelope(digest="d2", actor=BO, reason="yearly", at=later(13))).result(WAIT)
    bench.at(13)
    assert bench.at(60) == []
