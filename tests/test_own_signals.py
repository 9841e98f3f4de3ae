"""What a process tells of itself without a store: a store that failed, a part that fell."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from bridge.own_signals import OwnSignals
from bridge.service import LoopState
from bridge.settings import Signals
from bridge.signal_watch import rule_of
from bridge.signals.kinds import Kind
from bridge.signals.machine import SignalState
from tests.store.strips import later
from tests.test_signal_ways import Kept, way


@dataclass
class Health:
    """What a store says of itself."""

    fault: str = ""
    away: str = ""
    shortage: str = ""


@dataclass
class Process:
    """A process of which a test says how it is, and what was told by its one way."""

    health: Health = field(default_factory=Health)
    loops: dict[str, LoopState] = field(default_factory=dict)
    mail: Kept = field(default_factory=Kept)
    minute: float = 0

    def __post_init__(self) -> None:
        self.own = OwnSignals(
            self.health,
            (way("mail", self.mail), way("deaf", Kept(), kinds=[Kind.STAT])),
            rule_of(Signals()),
            loops=lambda: self.loops,
            zone=ZoneInfo("UTC"),
            process="host-1-aa",
            host="host",
            now=lambda: later(self.minute),
        )

    def at(self, minute: float) -> list[str]:
        """Look at a minute; give the subjects of what was said since the last look."""
        self.minute, count = minute, len(self.mail.told)
        asyncio.run(self.own.look())
        return [told.subject for told in self.mail.told[count:]]


STORE = "The store cannot be written: no strip is kept and nothing is sent"


def test_a_store_that_failed_is_told_without_it() -> None:
    """After a minute, again by the hour, and once it is over; each word has an identity of its own."""
    process = Process()
    assert process.at(0) == []
    process.health.away = "the database does not answer"
    assert [process.at(minute) for minute in (1, 1.9, 2, 3, 62)] == [[], [], [STORE], [], [f"Still: {STORE}"]]
    assert [(each.kind, each.state) for each in process.own.standing] == [(Kind.STORE, SignalState.OPEN)]
    process.health.away = ""
    assert [process.at(minute) for minute in (63, 68, 69)] == [[], [f"Over: {STORE}"], []]
    assert process.own.standing == ()
    assert [told.identity for told in process.mail.told] == [f"host-1-aa-store-{number}" for number in (1, 2, 3)]
    assert "- host, since 2026-" in process.mail.told[0].text


def test_each_fault_of_a_store_counts() -> None:
    """Failed for good, away, or a disk without room: no strip is kept in any of them."""
    for name in ("fault", "away", "shortage"):
        process = Process()
        setattr(process.health, name, "x")
        assert process.at(0) == []
        assert process.at(1) == [STORE]


def test_a_part_that_fell_is_told_though_it_runs_again() -> None:
    """Once for a part that falls again and again; over ten minutes and a while after the last fall."""
    process = Process(loops={"purge": LoopState(name="purge"), "room": LoopState(name="room")})
    assert process.at(0) == []
    process.loops["purge"].falls = 1
    assert process.at(1) == []
    assert process.at(2) == ["A part of Padpost fell over and was started again"]
    process.loops["purge"].falls = 7
    assert process.at(9) == []
    assert "host purge" in process.mail.told[0].text
    assert [process.at(minute) for minute in (19, 24)] == [[], ["Over: A part of Padpost fell over and was started again"]]


def test_a_way_that_is_down_is_tried_again() -> None:
    """Under the same identity; a newer word takes its place, and an end is told only to who heard of the beginning."""
    process = Process(mail=Kept(faults=["down", "down", "down"]))
    process.health.fault = "broken"
    process.at(0)
    assert process.at(1) == [STORE]
    assert process.at(1.2) == []
    assert process.at(1.5) == [STORE]
    assert len({told.identity for told in process.mail.told}) == 1
    process.health.fault = ""
    process.at(1.6)
    assert process.at(2.5) == [STORE]
    assert [process.at(minute) for minute in (6.7, 7)] == [[], []]


def test_it_looks_until_it_is_cancelled() -> None:
    """The loop looks at once and then rests."""
    process = Process()
    process.health.fault = "broken"

    async def run() -> None:
        task = asyncio.create_task(process.own.run())
        await asyncio.sleep(0)
        while not process.own._signals:
            await asyncio.sleep(0.01)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(asyncio.wait_for(run(), 20))
