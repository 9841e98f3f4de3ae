"""The loops: keep what arrives, judge it, deliver it, and watch that the loops live.

Nothing is decided here: the pipeline judges, the renderers write, the store keeps, the
queues deliver. This room only says what follows what, and wakes who is next.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from typing import Protocol

import structlog

from bridge import pipeline
from bridge.bench.ahead import Ahead
from bridge.bench.series import left_by
from bridge.check import Moment
from bridge.errors import Overtaken, RejectError, StoreError
from bridge.lifecycle.sharing import Role, every
from bridge.lifecycle.states import StopEnd
from bridge.model import (
    Capture,
    Coded,
    CodedResult,
    Copy,
    Decisions,
    Facts,
    Finding,
    Message,
    Needs,
    NonPatient,
    Outcome,
    Place,
    Reading,
    Rejected,
    SeriesState,
    Severity,
    Unreadable,
)
from bridge.queue.leases import FREE, Grip, Leases
from bridge.read.again import Known, holds, one_anew, whole_anew
from bridge.store import rows
from bridge.store.api import Store
from bridge.store.asking import ask
from bridge.store.awaited import done
from bridge.store.commands import EndIntake, KeepCapture, KeepRun, NewDelivery, RecordedOutcome, RecordOutcome, ReserveNumbers
from bridge.tables.types import Tables
from bridge.underway import Underway

log = structlog.get_logger()

BLOCK = 500  # ours: ids reserved at once; a restart skips what is left, which costs nothing
LONG_BYTES = 100_000  # ours: a longer capture takes seconds to read, in which other analyzers wait for their answers; a strip is some 500 bytes
MOST_FRESH = 1_000  # ours: captures held until they are judged, which is at once; what waits longer is read from the store
LARGEST_FRESH_BYTES = 8_192  # ours: a strip or a few; a thousand of them are 8 MB at most, and some hundred kB as a rule
NOTHING_KNOWN = rows.ReadingFacts(decisions=Decisions(patient_id=None, corrected_by=None, accepted_rules=frozenset()), prior=None)
EVERYTHING = ""  # the name of news that may be anywhere
FIRST_REST = timedelta(seconds=1)  # ours: a loop that fell over rests this long, doubling to LONGEST_REST
LONGEST_REST_OF_STORE = timedelta(seconds=2)  # ours: a disk with room again, or a server that is back, is used at once
LONGEST_REST = timedelta(seconds=30)  # ours: as above


class Ids:
    """Gives result and control identifiers that no store of ours ever gave before.

    The high-water mark is durable before a number is used, so neither a crash nor a
    restore (which opens a new epoch) can give one twice.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._next = 0
        self._end = 0
        self._turn = asyncio.Lock()

    async def _number(self) -> int:
        async with self._turn:
            if self._next == self._end:
                self._next = await done(self._store, ReserveNumbers(count=BLOCK))
                self._end = self._next + BLOCK
            self._next += 1
            return self._next - 1

    async def result(self) -> str:
        """Give a result's identifier: epoch, R, number; at most 20 characters."""
        return f"{self._store.epoch}R{await self._number()}"

    async def control(self) -> str:
        """Give a message's control ID (MSH-10): epoch, M, number; at most 20 characters."""
        return f"{self._store.epoch}M{await self._number()}"


class Writers(Protocol):
    """What turns a result into messages: one writer a destination, compiled ahead."""

    @property
    def destinations(self) -> Sequence[str]:
        """Name the destinations, in the order of the configuration."""

    def may_write(self, destination: str) -> bool:
        """Say whether the destination's plan passed its checks and its tables are signed where they must be; if not, messages are born later."""

    def takes(self, destination: str, result: CodedResult) -> bool:
        """Say whether the destination is sent this result at all: controls only where its settings ask for them."""

    def write(self, destination: str, result: CodedResult, *, control_id: str, made_at: datetime) -> Message:
        """Render ``result`` for ``destination``. Raises RejectError where it cannot be said as it is."""

    def lane(self, result: CodedResult) -> str:
        """Give the lane of a message that is not born yet."""


class Judging:
    """Takes kept captures as far as they go, one analyzer at a time, in the order they came."""

    def __init__(
        self,
        store: Store,
        tables: Tables,
        writers: Writers,
        ids: Ids,
        now: Callable[[], datetime],
        *,
        profiles: Mapping[str, str],
    ) -> None:
        """Take the parts; ``profiles`` names the profile that each source has now, for what is read again."""
        self._store = store
        self._tables = tables
        self._writers = writers
        self._ids = ids
        self._now = now
        self._profiles = profiles
        self._fresh: dict[int, rows.CaptureRow] = {}

    def hand_over(self, kept: rows.CaptureRow) -> None:
        """Take a capture that has just been kept, so that it need not be read again; forgotten where it never comes up."""
        if len(kept.capture.payload) > LARGEST_FRESH_BYTES:
            return
        if len(self._fresh) >= MOST_FRESH:
            del self._fresh[next(iter(self._fresh))]
        self._fresh[kept.capture_id] = kept

    async def work_off(self, analyzer: str, grip: Grip = FREE, *, recorded: Callable[[], None] = lambda: None) -> int:
        """Judge everything that waits for ``analyzer``; give how many readings were recorded. ``recorded`` is called after each.

        Raises LeaseLost once the analyzer is another process's: it judges on from what is recorded.
        """
        count, underway = 0, Underway()

        def counted() -> None:
            nonlocal count
            count += 1
            recorded()

        try:
            while True:
                intake = await ask(self._store, self._store.next_intake, analyzer, after=underway.newest)
                if intake is None and not underway.is_empty:
                    await underway.committed()
                elif intake is None:
                    return count
                else:
                    try:
                        await self._judge(intake, grip, underway, counted)
                    except Overtaken:  # ended already, by a commit whose answer was lost: what is next stands in the store
                        log.warning("strip.overtaken", capture=intake.capture_id)
        except asyncio.CancelledError:
            underway.let_go()
            raise
        finally:
            await underway.abandoned()

    async def _judge(self, intake: rows.IntakeRow, grip: Grip, underway: Underway, recorded: Callable[[], None]) -> None:
        kept = self._fresh.pop(intake.capture_id, None)
        if kept is None:
            kept = await ask(self._store, self._store.capture, intake.capture_id)
        readings = await self._readings(kept, intake)
        chosen = [reading for reading in readings if self._is_due(reading, intake)]
        needs = None if intake.because or len(readings) > 1 else self._needs(*readings)
        if needs is None or underway.meets(needs):
            await underway.committed()
        if not chosen:
            await done(self._store, EndIntake(intake_id=intake.intake_id, at=self._now(), lease=grip.fence()))
        for reading in chosen:
            ends = reading is chosen[-1]
            command = await self._outcome_of(intake, kept.capture, reading, ends=ends, ahead=underway.ahead)
            recording = self._record(replace(command, lease=grip.fence()), recorded)
            if needs is None:
                await recording
            else:
                await underway.add(intake.intake_id, needs, _left_by(command, kept.capture), recording)

    def _needs(self, reading: Reading | Unreadable) -> Needs | None:
        """Give what the strip needs; None where it cannot be told, so that nothing is judged beside it."""
        if isinstance(reading, Unreadable):
            return None
        try:
            return pipeline.needs(reading, self._tables)
        except Exception:  # noqa: BLE001 - a defect of ours: it shows again where the strip is judged, and is logged there
            return None

    async def _readings(self, kept: rows.CaptureRow, intake: rows.IntakeRow) -> tuple[Reading | Unreadable, ...]:
        """Read the capture, by the profile that it came with; again, by the one that its source has now."""
        if not intake.because:
            return await self._understood(kept, intake.profile)
        known = {
            strip.index: Known(
                place=strip.place, record_digest=strip.record_digest, is_settled=strip.has_gone or strip.outcome == "discarded"
            )
            for strip in await ask(self._store, self._store.capture_strips, intake.capture_id)
        }
        readings = await self._understood(kept, self._profiles.get(kept.capture.source, intake.profile))
        if intake.only_index is None:
            return whole_anew(readings, known)
        if intake.because != StopEnd.READ_AGAIN and not holds(readings, known.get(intake.only_index)):
            readings = await self._understood(
                kept, intake.profile
            )  # decided about a strip that only the earlier profile can read
        return one_anew(readings, known, index=intake.only_index, analyzer=intake.analyzer)

    async def _understood(self, kept: rows.CaptureRow, profile: str) -> tuple[Reading | Unreadable, ...]:
        if profile not in self._tables.profiles:
            log.error("profile.missing", capture=kept.capture_id, profile=profile)
            return (_whole(kept, _NO_PROFILE),)
        try:
            read = partial(pipeline.understand, kept.capture, self._tables.profiles[profile], analyzer=kept.analyzer)
            return await asyncio.to_thread(read) if len(kept.capture.payload) > LONG_BYTES else read()
        except Exception:  # a defect of ours in one capture must not hold up the analyzer's next ones
            log.exception("capture.defect", capture=kept.capture_id)
            return (_whole(kept, _DEFECT),)

    @staticmethod
    def _is_due(reading: Reading | Unreadable, intake: rows.IntakeRow) -> bool:
        if intake.only_index is not None:
            return reading.index == intake.only_index
        return reading.index >= intake.next_index

    async def _outcome_of(
        self, intake: rows.IntakeRow, capture: Capture, reading: Reading | Unreadable, *, ends: bool, ahead: Ahead
    ) -> RecordOutcome:
        outcome: Outcome | None = None
        deliveries: tuple[NewDelivery, ...] = ()
        if isinstance(reading, Reading):
            try:
                outcome, deliveries = await self._taken_as_far_as_it_goes(intake, capture, reading, ahead)
            except StoreError:
                raise
            except Exception:  # a defect of ours in one strip must not hold up the analyzer's next ones
                log.exception("strip.defect", capture=intake.capture_id, index=reading.index)
                outcome = Rejected(findings=(_DEFECT,), checked=None)
        return RecordOutcome(
            intake_id=intake.intake_id,
            capture_id=intake.capture_id,
            reading=reading,
            outcome=outcome,
            deliveries=deliveries,
            tables_digest=self._tables.digest,
            at=self._now(),
            ends_intake=ends,
        )

    async def _record(self, command: RecordOutcome, recorded: Callable[[], None]) -> None:
        try:
            made: RecordedOutcome = await done(self._store, command)
        except Overtaken:  # recorded already, by a commit whose answer was lost: what is next stands in the store
            log.warning("strip.overtaken", capture=command.capture_id)
            return
        log.info(
            "strip.judged",
            strip=made.strip_id,
            capture=command.capture_id,
            outcome=type(command.outcome).__name__.lower() if command.outcome else "unreadable",
            stop=made.stop_id,
        )
        recorded()

    async def _taken_as_far_as_it_goes(
        self, intake: rows.IntakeRow, capture: Capture, reading: Reading, ahead: Ahead
    ) -> tuple[Outcome, tuple[NewDelivery, ...]]:
        outcome = await self._outcome(intake, capture, reading, ahead)
        if isinstance(outcome, NonPatient):
            return await self._as_far_as_asked_for(outcome)
        if not isinstance(outcome, Coded):
            return outcome, ()
        try:
            return outcome, await self._deliveries(outcome.result)
        except RejectError as reject:
            return Rejected(findings=(pipeline.finding_of(reject), *outcome.findings), checked=outcome.checked), ()

    async def _as_far_as_asked_for(self, outcome: NonPatient) -> tuple[NonPatient, tuple[NewDelivery, ...]]:
        """Send a control to who asks for controls. One that goes nowhere is no result; one that cannot be said stops nothing."""
        if outcome.result is None:
            return outcome, ()
        try:
            deliveries = await self._deliveries(outcome.result)
        except RejectError as reject:
            return pipeline.not_sent(outcome, reject), ()
        return outcome if deliveries else replace(outcome, result=None), deliveries

    async def _outcome(self, intake: rows.IntakeRow, capture: Capture, reading: Reading, ahead: Ahead) -> Outcome:
        needs = pipeline.needs(reading, self._tables)
        stored = await ask(self._store, self._facts, intake, capture, reading, needs)
        facts = replace(stored, series=ahead.series(needs.mode, stored.series))
        moment = Moment(arrived_at=capture.arrived_at, live=capture.live, now=self._now())
        return pipeline.judge(reading, facts, self._tables, moment=moment, result_id=await self._ids.result())

    def _facts(self, intake: rows.IntakeRow, capture: Capture, reading: Reading, needs: Needs) -> Facts:
        known = NOTHING_KNOWN
        if intake.because:  # judged for the first time, nobody has decided about it and no result came of it
            known = self._store.reading_facts(intake.capture_id, reading.index, record_digest=reading.record_digest)
        return Facts(
            seen=self._store.seen_strips(
                needs,
                now=capture.arrived_at,
                window=timedelta(minutes=self._tables.policy.rerun_window_minutes),
                apart_from=(intake.capture_id, reading.index),
            ),
            series=self._store.series(needs.analyzer, needs.mode),
            decisions=known.decisions,
            prior=known.prior,
        )

    async def _deliveries(self, result: CodedResult) -> tuple[NewDelivery, ...]:
        made = []
        for destination in self._writers.destinations:
            if not self._writers.takes(destination, result):
                continue
            message = None
            if self._writers.may_write(destination):
                message = self._writers.write(destination, result, control_id=await self._ids.control(), made_at=self._now())
            lane = message.lane if message else self._writers.lane(result)
            made.append(NewDelivery(destination=destination, lane=lane, priority=result.priority, message=message))
        return tuple(made)


_DEFECT = Finding(
    rule="padpost.defect",
    severity=Severity.REJECT,
    sentence="Padpost failed on this strip: a defect in Padpost, not in your work. The bytes are kept.",
    remedy="Enter the result by your procedure for failures, and tell your coordinator: the log says where it failed. Read it again after the repair.",
)
_NO_PROFILE = Finding(
    rule="profile.missing",
    severity=Severity.REJECT,
    sentence="The profile that says how to read this analyzer is not among the mapping files any more.",
    remedy="Tell your coordinator. Once the source has a profile again, read this again.",
)


def _left_by(command: RecordOutcome, capture: Capture) -> SeriesState | None:
    """Give the series state that the strip leaves behind once it is recorded."""
    outcome = command.outcome
    if outcome is None or outcome.checked is None or isinstance(outcome, Copy):
        return None
    return left_by(outcome.checked, arrived_at=capture.arrived_at)


def _whole(kept: rows.CaptureRow, finding: Finding) -> Unreadable:
    """Give one stretch that is the whole capture."""
    return Unreadable(
        index=0,
        place=Place(start=0, end=len(kept.capture.payload)),
        analyzer=kept.analyzer,
        record_digest=kept.capture.digest,
        finding=finding,
    )


class Runs(Protocol):
    """A loop that runs until it is cancelled: a source, a destination's queue, or a look at a file."""

    async def run(self) -> None:
        """Run until cancelled."""


class Queue(Runs, Protocol):
    """A destination's queue."""

    def wake(self) -> None:
        """Look again at once."""


@dataclass(kw_only=True)
class LoopState:
    """How one loop is doing, for /health/ready and the log."""

    name: str
    fault: str = ""


class Service:
    """Everything that runs side by side, woken by what was committed, here or in another process on the same store."""

    def __init__(  # noqa: PLR0913 - the parts of a service, all given by the composition root
        self,
        *,
        store: Store,
        judging: Judging,
        sources: Mapping[str, Runs],
        queues: Mapping[str, Queue],
        leases: Leases,
        once: Sequence[Callable[[], Awaitable[None]]] = (),
        require_room: Callable[[], None] = lambda: None,
        watches: Mapping[str, Runs] | None = None,
        leased_sources: frozenset[str] = frozenset(),
    ) -> None:
        """Take the parts; ``once`` are things to do beside the loops at start (plan checks), ``watches`` what looks at files of the site.

        ``require_room`` raises StoreFull where no strip is to be taken in. ``leased_sources`` names the sources that one process alone
        may run, wherever it is.
        """
        self._store = store
        self._judging = judging
        self._sources = sources
        self._queues = queues
        self._leases = leases
        self._once = once
        self._require_room = require_room
        self._watches = watches or {}
        self._leased_sources = leased_sources
        self._work: dict[str, asyncio.Event] = {}
        self._tasks: asyncio.TaskGroup | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self.loops: dict[str, LoopState] = {}
        leases.on_found(self._look_at)

    @property
    def fault(self) -> str:
        """Say what is wrong, or nothing: the store first, then the first loop that is down."""
        if self._store.fault:
            return self._store.fault
        if self._store.away:
            return self._store.away
        return next((f"{state.name}: {state.fault}" for state in self.loops.values() if state.fault), "")

    async def run(self) -> None:
        """Run everything until cancelled. What a crash left unjudged or unsent is taken up first."""
        self._loop = asyncio.get_running_loop()
        self._store.listen(self._hear)
        try:
            async with asyncio.TaskGroup() as tasks:
                self._tasks = tasks
                self._start("leases", self._leases.run)
                if Role.INTAKE in self._leases.roles:
                    self._start_intake()
                if Role.DELIVERY in self._leases.roles:
                    for name, queue in self._queues.items():
                        held = partial(self._leases.grip(f"destination:{name}").hold, queue.run)
                        tasks.create_task(self._forever(f"destination {name}", held))
                for name, watch in self._watches.items():
                    tasks.create_task(self._forever(name, watch.run))
                for task in self._once:
                    tasks.create_task(self._forever("start-up check", task, again=False))
                await self._for_ever()
        finally:
            self._leases.leave()

    async def _for_ever(self) -> None:
        """Wait until cancelled: with nothing connected yet, or nothing going on any more, the service still answers for itself."""
        try:
            await asyncio.Event().wait()
        finally:
            self._tasks = None  # news that comes from here on begins nothing

    def _start(self, name: str, run: Callable[[], Awaitable[None]], *, again: bool = True) -> None:
        if self._tasks is not None:
            self._tasks.create_task(self._forever(name, run, again=again))

    def _start_intake(self) -> None:
        self._leases.wish(every("analyzer"))
        self._look_at(EVERYTHING)
        for name, source in self._sources.items():
            run = source.run
            if name in self._leased_sources:
                run = partial(self._leases.grip(f"source:{name}").hold, source.run)
            self._start(f"source {name}", run)

    async def keep(self, capture: Capture, *more: Capture, analyzer: str, profile: str, origin: str = "") -> int:
        """Keep a capture; the id comes back once it is durable. ``more`` came behind it over the same line: all are kept, or none.

        Raises StoreError if it is not: StoreFull before the disk is full, LeaseLost if its source is another process's.
        """
        self._require_room()
        grip = self._leases.grip(f"source:{capture.source}") if capture.source in self._leased_sources else FREE
        captures, ids = (capture, *more), []
        if more:
            run = KeepRun(captures=captures, analyzer=analyzer, profile=profile, lease=grip.fence())
            ids += await done(self._store, run)
        else:
            command = KeepCapture(capture=capture, analyzer=analyzer, profile=profile, origin=origin, lease=grip.fence())
            ids.append(await done(self._store, command))
        for capture_id, kept in zip(ids, captures, strict=True):
            log.info("capture.kept", capture=capture_id, source=kept.source, bytes=len(kept.payload), torn=kept.torn)
            if not origin:  # a file that was kept before a crash has its first arrival in the store
                self._judging.hand_over(rows.CaptureRow(capture_id=capture_id, analyzer=analyzer, profile=profile, capture=kept))
        self._wake_judging(analyzer)
        return int(ids[0])

    def wake(self) -> None:
        """Look everywhere again; may be called from any thread (after a person's action)."""
        self._hear(EVERYTHING)

    # --- who has news

    def _hear(self, name: str) -> None:
        """Look where there is news, of this process or another; called from any thread."""
        if self._loop and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._look_at, name)

    def _look_at(self, name: str) -> None:
        kind, _, rest = name.partition(":")
        if kind == "analyzer":
            self._wake_judging(rest)
        elif kind == "destination" and rest in self._queues:
            self._queues[rest].wake()
        elif name == EVERYTHING:
            self._wake_queues()
            if Role.INTAKE in self._leases.roles:
                self._start("intake", self._look_at_all_intake, again=False)

    async def _look_at_all_intake(self) -> None:
        for analyzer in await ask(self._store, self._store.analyzers_with_work):
            self._wake_judging(analyzer)

    def _wake_queues(self) -> None:
        for queue in self._queues.values():
            queue.wake()

    def _wake_judging(self, analyzer: str) -> None:
        if self._tasks is None or Role.INTAKE not in self._leases.roles:
            return  # looked at when it runs; whoever has that role hears of it by the store
        if analyzer not in self._work:
            self._work[analyzer] = asyncio.Event()
            grip = self._leases.grip(f"analyzer:{analyzer}")
            self._start(f"analyzer {analyzer}", partial(grip.hold, partial(self._judge_for_ever, analyzer, grip)))
        self._work[analyzer].set()

    async def _judge_for_ever(self, analyzer: str, grip: Grip) -> None:
        work = self._work[analyzer]
        work.set()
        while True:
            await work.wait()
            work.clear()
            await self._judging.work_off(analyzer, grip, recorded=self._wake_queues)

    async def _forever(self, name: str, run: Callable[[], Awaitable[None]], *, again: bool = True) -> None:
        """Run a loop; if it falls over, log the traceback, rest, and run it again. A failed store is never tried again."""
        state = self.loops.setdefault(name, LoopState(name=name))
        rest = FIRST_REST
        while True:
            started, longest = time.monotonic(), LONGEST_REST
            try:
                await run()
            except StoreError as error:
                longest = LONGEST_REST_OF_STORE
                state.fault = str(error)
                log.critical("loop.store", loop=name, fault=self._store.fault or str(error))
                if self._store.fault:
                    return
            except Exception:  # the one broad catch of the loops: a defect in one must not take down its neighbours
                state.fault = "a defect stopped it; it is started again. Tell your coordinator: the log says where it failed."
                log.exception("loop.fell", loop=name)
            else:
                state.fault = ""
            if not again and longest is LONGEST_REST:
                return
            if time.monotonic() - started > LONGEST_REST.total_seconds():
                rest = FIRST_REST  # it ran well for a while: this is a new fault
            await asyncio.sleep(min(rest, longest).total_seconds())
            state.fault = ""
            rest = min(rest * 2, LONGEST_REST)
