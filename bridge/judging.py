"""Takes kept captures as far as they go: facts fetched, judged, rendered and recorded, one analyzer at a time."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from types import MappingProxyType
from typing import Any, NamedTuple, Protocol

import structlog

from bridge import pipeline
from bridge.bench.ahead import Ahead
from bridge.bench.series import left_by
from bridge.check import Moment
from bridge.check.flagging import to_tell
from bridge.errors import Overtaken, RejectError, StoreError
from bridge.facts import gates
from bridge.facts.additions import added_write, without_messages
from bridge.facts.clocks import Clocks
from bridge.facts.containers import Shelf
from bridge.facts.day_logs import DayLogs
from bridge.facts.labels import Labels
from bridge.facts.lives import Lives
from bridge.facts.neighbours import Nearby, left_behind
from bridge.facts.operators import Operators
from bridge.facts.registrations import Registered
from bridge.facts.shifts import Runs
from bridge.lifecycle.states import StopEnd
from bridge.making import maker
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
    RunFacts,
    SeriesState,
    Severity,
    Unreadable,
)
from bridge.queue.leases import FREE, Grip
from bridge.queue.offers import Offer, Outlet
from bridge.read.again import Known, holds, one_anew, whole_anew
from bridge.store import rows
from bridge.store.api import Store
from bridge.store.asking import ask
from bridge.store.awaited import done, submitted
from bridge.store.commands import (
    EndIntake,
    GateWrite,
    Lease,
    NewDelivery,
    RecordedOutcome,
    RecordOutcome,
    ReserveNumbers,
    ShiftWrite,
    TellWrite,
)
from bridge.tables.types import Tables
from bridge.underway import MOST, Left, Underway

log = structlog.get_logger()

BLOCK = 500  # ours: ids reserved at once; a restart skips what is left, which costs nothing
LONG_BYTES = 100_000  # ours: a longer capture takes seconds to read, in which other analyzers wait for their answers; a strip is some 500 bytes
MOST_FRESH_BYTES = 8_000_000  # ours: captures held until they are judged; some thousand strips of a burst. What waits longer is read from the store
FRESH_BYTES = 1_500  # ours: what a capture takes in memory beside its payload, measured with sys.getsizeof and rounded up
LARGEST_FRESH_BYTES = 8_192  # ours: a strip or a few
NOTHING_KNOWN = rows.ReadingFacts(decisions=Decisions(), prior=None)


_delivery = maker(NewDelivery)
_facts_of = maker(Facts)
_command = maker(RecordOutcome)
_Judged = tuple[Outcome | None, tuple[NewDelivery, ...], GateWrite | None, ShiftWrite | None]


class _Known(NamedTuple):
    """What is known beside a piece before its facts are fetched."""

    ahead: Ahead
    run: RunFacts | None


class Ids:
    """Gives result and control identifiers that no store of ours ever gave before.

    The high-water mark is durable before a number is used, so neither a crash nor a
    restore (which opens a new epoch) can give one twice.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._next = 0
        self._end = 0
        self._coming: Future[int] | None = None  # the next block, asked for before it is needed: nobody waits for its commit then
        self._turn = asyncio.Lock()

    async def _number(self) -> int:
        if self._end - self._next not in {0, BLOCK // 2}:  # where nothing is to be asked for, nobody takes turns
            self._next += 1
            return self._next - 1
        async with self._turn:
            if self._next == self._end:
                self._next = await self._block()
                self._end = self._next + BLOCK
            elif self._end - self._next == BLOCK // 2:
                self._coming = self._store.submit(self._next_block)
            self._next += 1
            return self._next - 1

    @property
    def _next_block(self) -> ReserveNumbers:
        return ReserveNumbers(count=BLOCK, epoch=self._store.epoch)

    async def _block(self) -> int:
        coming, self._coming = self._coming, None
        if coming is not None and not (coming.done() and coming.exception()):
            return await asyncio.wrap_future(coming)
        first: int = await done(self._store, self._next_block)
        return first

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


@dataclass(frozen=True, kw_only=True, slots=True)
class _Piece:
    """One reading to be judged; ``is_alone``: nothing else was in its capture, and it is judged for the first time."""

    intake: rows.IntakeRow
    capture: Capture
    reading: Reading
    needs: Needs
    is_alone: bool

    @property
    def seat(self) -> tuple[int, int]:
        return self.intake.capture_id, self.reading.index


_piece = maker(_Piece)


class Judging:
    """Takes kept captures as far as they go, one analyzer at a time, in the order they came."""

    def __init__(  # noqa: PLR0913 - the parts of judging, all given by the composition root
        self,
        store: Store,
        tables: Tables,
        writers: Writers,
        ids: Ids,
        now: Callable[[], datetime],
        *,
        profiles: Mapping[str, str],
        outlets: Mapping[str, Outlet] = MappingProxyType({}),
    ) -> None:
        """Take the parts; ``profiles`` names the profile that each source has now, for what is read again.

        ``outlets`` are the destinations that this process sends to, by name: they hear of what is made for them.
        """
        self._store = store
        self._tables = tables
        self._writers = writers
        self._ids = ids
        self._now = now
        self._profiles = profiles
        self._outlets = outlets
        self._clocks = Clocks(store, tables)
        self._operators = Operators(store, tables, now)
        self._labels = Labels(store, tables, now)
        self._nearby = Nearby(store, tables, now)
        self._day_logs = DayLogs(store, tables, now)
        self._lives = Lives(store, now)
        self.registered = Registered(store, tables, now)
        self._runs = Runs(store, tables.policy)
        self.shelf = Shelf(store, tables)
        self._fresh: dict[int, rows.CaptureRow] = {}
        self._fresh_bytes = 0

    def hand_over(self, kept: rows.CaptureRow) -> None:
        """Take a capture that has just been kept, so that it need not be read again; forgotten where it never comes up."""
        if len(kept.capture.payload) > LARGEST_FRESH_BYTES:
            return
        self._fresh[kept.capture_id] = kept
        self._fresh_bytes += _held_bytes(kept)
        while self._fresh_bytes > MOST_FRESH_BYTES:
            self._handed_over(next(iter(self._fresh)))

    def _handed_over(self, capture_id: int) -> rows.CaptureRow | None:
        """Give a capture that was handed over, once; None where there is none, or no room was left for it."""
        kept = self._fresh.pop(capture_id, None)
        if kept is not None:
            self._fresh_bytes -= _held_bytes(kept)
        return kept

    async def work_off(self, analyzer: str, grip: Grip = FREE) -> int:
        """Judge everything that waits for ``analyzer``; give how many readings were recorded.

        Raises LeaseLost once the analyzer is another process's: it judges on from what is recorded.
        """
        count, underway, known = 0, Underway(), deque[rows.IntakeRow]()
        self._clocks.owned(analyzer, grip.fence())

        def counted() -> None:
            nonlocal count
            count += 1

        try:
            while True:
                intake = await self._next(analyzer, underway.newest, known)
                if intake is None and not underway.is_empty:
                    await underway.committed()
                elif intake is None:
                    return count
                else:
                    try:
                        await self._judge(intake, grip, underway, counted)
                    except Overtaken:  # ended already, by a commit whose answer was lost: what is next stands in the store
                        known.clear()
                        self._runs.forget(analyzer)
                        log.warning("strip.overtaken", capture=intake.capture_id)
        except asyncio.CancelledError:
            underway.let_go()
            self._runs.forget(analyzer)
            raise
        except Exception:
            self._runs.forget(analyzer)
            raise
        finally:
            await underway.abandoned()

    async def rehearse(
        self, intake: rows.IntakeRow
    ) -> tuple[tuple[Reading | Unreadable, Outcome | None, tuple[NewDelivery, ...]], ...]:
        """Take each strip that is due as far as it goes and record nothing: for what a person only thinks of doing, over a store that takes nothing."""
        kept = await ask(self._store, self._store.capture, intake.capture_id)
        judged = []
        for reading in await self._readings(kept, intake):
            if self._is_due(reading, intake):
                outcome, deliveries, *_ = await self._as_far_as_it_goes(intake, kept.capture, reading, None, Ahead(), None)
                judged.append((reading, outcome, deliveries))
        return tuple(judged)

    async def _next(self, analyzer: str, newest: int, known: deque[rows.IntakeRow]) -> rows.IntakeRow | None:
        """Give the next piece of work; ``known`` are pieces that were asked for together, and that nobody else works on."""
        if not known:
            known.extend(await ask(self._store, self._store.intake_ahead, analyzer, after=newest, limit=MOST))
        return known.popleft() if known else None

    async def _judge(self, intake: rows.IntakeRow, grip: Grip, underway: Underway, recorded: Callable[[], None]) -> None:
        kept = self._handed_over(intake.capture_id)
        if kept is None:
            kept = await ask(self._store, self._store.capture, intake.capture_id)
        for outlet in self._outlets.values():
            await outlet.room()
        readings = await self._readings(kept, intake)
        chosen = [reading for reading in readings if self._is_due(reading, intake)]
        needs = None if intake.because or len(readings) > 1 else self._needs(*readings)
        # with a gate nothing is judged ahead: a control decides about what comes next; nor in a run that waits for a person's word
        is_alone = gates.is_asked(self._tables) or self._runs.is_broken(intake.analyzer)
        if needs is None or underway.meets(needs) or is_alone:
            await underway.committed()
        if not chosen:
            await done(self._store, EndIntake(intake_id=intake.intake_id, at=self._now(), lease=grip.fence()))
        for reading in chosen:
            ends = reading is chosen[-1]
            lease = grip.fence() if self._runs.is_asked else None
            judged = await self._as_far_as_it_goes(intake, kept.capture, reading, needs, underway.ahead, lease)
            recording = self._record(intake, reading, judged, ends=ends, lease=grip.fence(), recorded=recorded)
            if needs is None:
                await recording
                underway.ahead.forget_series()
            else:
                await underway.add(intake.intake_id, needs, _left_by(judged[0], kept.capture, self._tables), recording)

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

    async def _as_far_as_it_goes(
        self,
        intake: rows.IntakeRow,
        capture: Capture,
        reading: Reading | Unreadable,
        needs: Needs | None,
        ahead: Ahead,
        lease: Lease | None,
    ) -> _Judged:
        if isinstance(reading, Unreadable):
            return None, (), None, None
        try:
            piece = _piece(
                intake=intake,
                capture=capture,
                reading=reading,
                needs=needs or pipeline.needs(reading, self._tables),
                is_alone=needs is not None,
            )
            known = _Known(ahead, await self._run(piece, lease))
            outcome, deliveries = await self._taken(piece, known)
            shift = self._kept(piece, outcome, ahead)
            gate: GateWrite | None = None
            if gates.is_asked(self._tables):
                about = (outcome, self._tables, self._store, capture, (piece.seat, self._now()))
                gate = await ask(self._store, gates.gate_write, *about, is_first=not intake.because)
        except StoreError:
            raise
        except Exception:  # a defect of ours in one strip must not hold up the analyzer's next ones
            log.exception("strip.defect", capture=intake.capture_id, index=reading.index)
            return Rejected(findings=(_DEFECT,), checked=None), (), None, None
        return outcome, deliveries, gate, shift

    async def _run(self, piece: _Piece, lease: Lease | None) -> RunFacts | None:
        """Give the run of a strip; nothing is asked where the site has no policy for runs."""
        if not self._runs.is_asked:
            return None
        is_first = not piece.intake.because
        return await ask(self._store, self._runs.facts, piece.reading.analyzer, piece.seat, lease, is_first=is_first)

    def _kept(self, piece: _Piece, outcome: Outcome, ahead: Ahead) -> ShiftWrite | None:
        """Keep what a strip that was judged for the first time tells of its analyzer's clock and run; give what it does to the run."""
        if piece.intake.because:
            return None
        self._clocks.keep(piece.needs, piece.capture, piece.seat, outcome, is_alone=piece.is_alone)
        if not self._runs.is_asked:
            return None
        return self._runs.moved(piece.reading.analyzer, outcome, piece.capture, lambda: self._series(piece.needs, ahead))

    def _series(self, needs: Needs, ahead: Ahead) -> SeriesState | None:
        return ahead.series(needs.mode, lambda: self._store.series(needs.analyzer, needs.mode))

    def _record(
        self,
        intake: rows.IntakeRow,
        reading: Reading | Unreadable,
        judged: _Judged,
        *,
        ends: bool,
        lease: Lease | None,
        recorded: Callable[[], None],
    ) -> asyncio.Future[None]:
        """Submit what was judged; give what is over once it is recorded."""
        outcome, deliveries, gate, shift = judged
        added = added_write(outcome, self._tables, self._now()) if self._tables.additions.terms and deliveries else None
        if added is not None and added.asks:
            deliveries = without_messages(deliveries)
        offers = tuple(map(self._offer, deliveries))
        command = _command(
            intake_id=intake.intake_id,
            capture_id=intake.capture_id,
            reading=reading,
            outcome=outcome,
            deliveries=tuple(map(_begun, deliveries, offers)),
            tables_digest=self._tables.digest,
            at=self._now(),
            ends_intake=ends,
            gate=gate,
            shift=shift,
            tell=self._to_tell(reading, outcome),
            lease=lease,
            added=added,
        )
        return submitted(self._store, command, told=partial(self._recorded, command, offers, recorded))

    def _to_tell(self, reading: Reading | Unreadable, outcome: Outcome | None) -> TellWrite | None:
        """Give what somebody is to be told of a strip, whatever became of it; hardly ever anything."""
        if outcome is None or not outcome.findings or not self._tables.flags.critical or isinstance(reading, Unreadable):
            return None
        met = to_tell(reading, outcome, self._tables)
        return TellWrite(met=met, repeat=timedelta(hours=self._tables.policy.telling.repeat_hours)) if met else None

    def _recorded(
        self, command: RecordOutcome, offers: Sequence[Offer | None], recorded: Callable[[], None], future: Future[Any]
    ) -> None:
        """Hear of the commit, also where nobody waits for it any more. Raises what it was refused with."""
        self._tell(command.deliveries, offers, future)
        try:
            made: RecordedOutcome = future.result()
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

    def _offer(self, new: NewDelivery) -> Offer | None:
        """Ask who sends a message whether it may begin with its making."""
        outlet = self._outlets.get(new.destination)
        return outlet.offer(new.message) if outlet and new.message else None

    def _tell(self, deliveries: Sequence[NewDelivery], offers: Sequence[Offer | None], recorded: Future[Any]) -> None:
        """Tell who sends what was made, or that it was not."""
        error = recorded.exception()
        for number, (new, offer) in enumerate(zip(deliveries, offers, strict=True)):
            outlet = self._outlets.get(new.destination)
            if offer and error:
                offer.failed(error)
            elif offer:
                made: RecordedOutcome = recorded.result()
                offer.made(made.delivery_ids[number], made.attempts[number])
            elif outlet:
                outlet.came() if new.message else outlet.wake()

    async def _taken(self, piece: _Piece, known: _Known) -> tuple[Outcome, tuple[NewDelivery, ...]]:
        outcome = await self._outcome(piece, known)
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

    async def _outcome(self, piece: _Piece, known: _Known) -> Outcome:
        facts = await ask(self._store, self._facts, piece, known)
        moment = Moment(arrived_at=piece.capture.arrived_at, live=piece.capture.live, now=self._now())
        judge = partial(pipeline.judge, piece.reading, tables=self._tables, moment=moment, result_id=await self._ids.result())
        outcome = judge(facts)
        if pipeline.asks_for_neighbours(outcome, self._tables):
            found = await ask(self._store, self._nearby.of, piece.needs.analyzer, piece.seat, ahead=known.ahead.neighbour())
            if pipeline.resembles(outcome, found, self._tables):
                outcome = judge(replace(facts, neighbours=found))
        return outcome

    def _facts(self, piece: _Piece, known: _Known) -> Facts:
        intake, capture, reading, needs = piece.intake, piece.capture, piece.reading, piece.needs
        before = NOTHING_KNOWN
        if intake.because:  # judged for the first time, nobody has decided about it and no result came of it
            before = self._store.reading_facts(intake.capture_id, reading.index, record_digest=reading.record_digest)
        return _facts_of(
            seen=self._store.seen_strips(
                needs,
                now=capture.arrived_at,
                window=timedelta(minutes=self._tables.policy.rerun_window_minutes),
                apart_from=piece.seat,
            ),
            series=self._series(needs, known.ahead),
            decisions=before.decisions,
            prior=before.prior,
            placed=before.placed,
            added=before.added,
            run=known.run,
            gate=gates.gate_facts(
                self._store, self._tables, needs, capture, (piece.seat, self._now()), is_first=not intake.because
            ),
            clock=(
                self._clocks.facts_then(needs.analyzer, piece.seat)
                if intake.because
                else self._clocks.facts(needs, capture, piece.seat, is_alone=piece.is_alone)
            ),
            operator=self._operators.facts(reading, capture, needs.printed_at, is_first=not intake.because),
            containers=self.shelf.containers(needs),
            known_as=self._labels.says(before.decisions.patient_id or needs.patient_id),
            specimen_known_as=self._labels.says(reading.specimen_id.text) if reading.specimen_id else "",
            day_log=self._day_logs.facts(needs, capture.arrived_at),
            registered=self.registered.says(reading, needs, before.decisions.patient_id, capture.arrived_at),
            life=self._lives.facts(reading, needs, capture.arrived_at),
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
            made.append(_delivery(destination=destination, lane=lane, priority=result.priority, message=message))
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


def _held_bytes(kept: rows.CaptureRow) -> int:
    return FRESH_BYTES + len(kept.capture.payload)


def _begun(new: NewDelivery, offer: Offer | None) -> NewDelivery:
    return replace(new, begins=True, lease=offer.lease) if offer else new


def _left_by(outcome: Outcome | None, capture: Capture, tables: Tables) -> Left:
    """Give what the strip leaves behind once it is recorded."""
    if outcome is None or outcome.checked is None or isinstance(outcome, Copy):
        return None, None
    neighbour = left_behind(outcome, capture) if tables.holds.previous is not None else None
    return left_by(outcome.checked, arrived_at=capture.arrived_at), neighbour


def _whole(kept: rows.CaptureRow, finding: Finding) -> Unreadable:
    """Give one stretch that is the whole capture."""
    return Unreadable(
        index=0,
        place=Place(start=0, end=len(kept.capture.payload)),
        analyzer=kept.analyzer,
        record_digest=kept.capture.digest,
        finding=finding,
    )
