"""Gates on the in-memory twin: what strips and people do to them, and the reads of judging and the page Controls."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from bridge.bench.controls import RunVerdict
from bridge.bench.gate import (
    ControlRead,
    Gate,
    GateKey,
    Seat,
    after,
    asks,
    at_time,
    counted,
    counts_again,
    decides,
    may,
    reason_of,
    set_right,
)
from bridge.bench.look_back import LookBack, look_back_of
from bridge.errors import Overtaken, RefusedAction
from bridge.identity.person import same_person
from bridge.lifecycle.states import StopEnd
from bridge.model import SERVICE, Decisions, GateState, Purpose, Reading, Unreadable, Waiting
from bridge.store import commands as c
from bridge.store import rows
from bridge.store.apply_gate import NONE_WAITS, PASSED, is_of_every_lot
from bridge.store.apply_lot import SAME_PERSON
from bridge.store.memory_rows import Decided, Doubted, State, Strip, next_id
from bridge.store.statements import Change


def move_gate(state: State, command: c.RecordOutcome) -> None:
    """Let a recorded strip move its gate; put a strip that waits to judging again where its gate has opened since it was judged."""
    write = command.gate
    if write is None:
        return
    if not isinstance(write.what, ControlRead):
        before = set_right(state.gates.get(write.key, Gate()), command.at)
        stands = at_time(before, write.what.at, write.policy)
        if write.counts and write.policy.every_strips is not None:
            state.gates[write.key] = after(before, write.what, write.policy)
        if isinstance(command.outcome, Waiting) and stands.state.may_go:
            _free(state, write.key)
        return
    decided = frozenset({RunVerdict.PASSED, RunVerdict.FAILED})
    seats = {write.what.seat, *_of_same_bytes(state, write.key.analyzer, command.reading)}
    here = (row.what for row, _ in state.gate_events if (row.capture_id, row.index) in seats)
    if not counts_again(write.what, decided.intersection(here)):
        return
    others = [
        key for key in sorted(state.gates, key=lambda key: key.strip_lot) if is_of_every_lot(write) and _is_fellow(key, write)
    ]
    for key in (write.key, *others):
        held = set_right(state.gates.get(key, Gate()), command.at)
        if key == write.key or at_time(held, write.what.at, write.policy).state.may_go:
            _after_control(state, replace(write, key=key), write.what, held)


def _of_same_bytes(state: State, analyzer: str, reading: Reading | Unreadable) -> list[Seat]:
    if isinstance(reading, Unreadable) or reading.number is None or reading.printed_date is None:
        return []
    own = (strip.row for strip in state.strips.values())
    same = (analyzer, reading.record_digest)
    return [(row.capture_id, row.index) for row in own if (row.analyzer, row.record_digest) == same]


def _is_fellow(key: GateKey, write: c.GateWrite) -> bool:
    return (key.analyzer, key.strip_type) == (write.key.analyzer, write.key.strip_type) and key.strip_lot != ""


def _after_control(state: State, write: c.GateWrite, read: ControlRead, before: Gate) -> None:
    run = counted(before, read, write.policy)
    stands, left = at_time(before, run.at, write.policy), after(before, run, write.policy)
    state.gates[write.key] = left
    row = _row(state, write.key, run.at, stands, left, what=run.verdict.value)
    capture_id, index = run.seat
    row = replace(row, capture_id=capture_id, index=index, level=run.level, run=write.run, decides=decides(run, left))
    state.gate_events.append((row, row.decides))
    sets = [(row.capture_id, row.index) for row, decided_so in state.gate_events if decided_so and row.key == write.key]
    look_back = look_back_of(sets, run)
    if look_back is not None:
        _list(state, write.key, look_back)
    if left.state.may_go and not stands.state.may_go:
        _free(state, write.key)


def _row(state: State, key: GateKey, at: datetime, before: Gate, left: Gate, *, what: str) -> rows.GateEventRow:
    return rows.GateEventRow(
        event_id=len(state.gate_events) + 1, key=key, at=at, capture_id=0, index=0, what=what, before=before.state, after=left.state, level="",
        run="", actor=SERVICE.name, verified=SERVICE.verified, reason="",
    )  # fmt: skip


def _of(key: GateKey, strip: Strip, outcome: str) -> bool:
    row = strip.row
    return (
        strip.is_newest
        and row.outcome == outcome
        and (row.analyzer, row.strip_type, row.strip_lot) == (key.analyzer, key.strip_type, key.strip_lot)
    )


def _seats(state: State, key: GateKey, outcome: str) -> list[Seat]:
    found = (strip.row for strip in state.strips.values() if _of(key, strip, outcome) and strip.row.purpose is Purpose.PATIENT)
    return sorted((row.capture_id, row.index) for row in found)


def _list(state: State, key: GateKey, look_back: LookBack) -> None:
    known = {doubted.seat for doubted in state.doubted.values()}
    for seat in _seats(state, key, "coded"):
        if look_back.takes_in(seat) and seat not in known:
            state.doubted[next_id(state.doubted)] = Doubted(seat=seat, failed_by=look_back.failed_by)


def _free(state: State, key: GateKey) -> None:
    for capture_id, index in _seats(state, key, "waiting"):
        judge_again(state, capture_id, index, PASSED)


def _is_underway(state: State, capture_id: int, index: int) -> bool:
    return any(
        (work.capture_id, work.only_index) == (capture_id, index)
        for number, work in state.intake.items()
        if number not in state.ended
    )


def judge_again(state: State, capture_id: int, index: int, because: str) -> None:
    """Put one strip to judging, unless it is on its way there."""
    if _is_underway(state, capture_id, index):
        return
    kept, intake_id = state.captures[capture_id], next_id(state.intake)
    state.intake[intake_id] = rows.IntakeRow(
        intake_id=intake_id, capture_id=capture_id, analyzer=kept.analyzer, profile=kept.profile, only_index=index, next_index=index,
        because=because,
    )  # fmt: skip


# --- people


def say_of_gate(state: State, command: c.SayOfGate) -> None:
    """Keep a person's word on a gate. Raises Overtaken where its state has no use for it."""
    word = command.word
    before = set_right(state.gates.get(command.key, Gate()), word.at)
    stands = at_time(before, word.at, command.policy)
    if not may(stands.state, asks(word)):
        raise Overtaken("The controls stand otherwise by now. Look at them again.")
    left = after(before, word, command.policy)
    state.gates[command.key] = left
    row = _row(state, command.key, word.at, stands, left, what=asks(word).name.lower())
    row = replace(row, actor=word.by.name, verified=word.by.verified, reason=reason_of(word))
    state.gate_events.append((row, None))
    if left.state.may_go and not stands.state.may_go:
        _free(state, command.key)


def end_waiting(state: State, command: c.EndWaiting) -> None:
    """End the waiting of one strip. Raises Overtaken where it does not wait, or is being judged again."""
    strip = state.strips.get(command.strip_id)
    if strip is None or strip.row.outcome != "waiting":
        raise Overtaken("This strip does not wait any more. Look at the list again.")
    row = strip.row
    if _is_underway(state, row.capture_id, row.index):
        raise Overtaken("This strip is on its way already. Look at the list again.")
    if command.end is StopEnd.RELEASED:
        decisions = Decisions(accepted_by=dict.fromkeys(command.accept_rules, command.actor))
        state.decided.append(Decided(place=(row.capture_id, row.index, row.record_digest), decisions=decisions, at=command.at))
        judge_again(state, row.capture_id, row.index, command.end)
    else:
        state.strips[command.strip_id] = replace(strip, row=replace(row, outcome="discarded"))
    change = Change(before="waiting", after=command.end, reason=command.reason)
    state.note(command.at, command.actor, f"strip.{command.end.name.lower()}", f"strip:{command.strip_id}", change)
    state.note_terms(command, f"strip:{command.strip_id}")


def judge_waiting(state: State, _: c.JudgeWaiting) -> int:
    """Put every strip that waits to judging, an analyzer's in the order in which they were read."""
    waiting = sorted(
        (strip.row.analyzer, strip.row.capture_id, strip.row.index)
        for strip in state.strips.values()
        if strip.row.outcome == "waiting"
    )
    for _analyzer, capture_id, index in waiting:
        judge_again(state, capture_id, index, NONE_WAITS)
    return len(waiting)


def enter_lot(state: State, command: c.EnterLot) -> int:
    """Keep a lot; nobody has signed it yet."""
    lot_id = next_id(state.lots)
    state.lots[lot_id] = rows.LotShown(
        lot_id=lot_id, content=command.content, entered_by=command.actor.name, entered_at=command.at, signed_by="", signed_at=None
    )
    state.note(command.at, command.actor, "lot.entered", f"lot:{lot_id}", Change(after="entered"))
    return lot_id


def sign_lot(state: State, command: c.SignLot) -> None:
    """Sign a lot. Raises RefusedAction for the same person, Overtaken where it is signed or taken out."""
    lot = _lot_in_use(state, command.lot_id)
    if lot.signed_by:
        raise Overtaken(f"{lot.signed_by} has signed this lot already.")
    if same_person(lot.entered_by, command.actor.name):
        raise RefusedAction(SAME_PERSON)
    state.lots[command.lot_id] = replace(lot, signed_by=command.actor.name, signed_at=command.at)
    state.note(command.at, command.actor, "lot.signed", f"lot:{command.lot_id}", Change(before="entered", after="signed"))


def close_lot(state: State, command: c.CloseLot) -> None:
    """Take a lot out of use. Raises Overtaken where it is out already."""
    _lot_in_use(state, command.lot_id)
    state.lots_out.add(command.lot_id)
    change = Change(after="closed", reason=command.reason)
    state.note(command.at, command.actor, "lot.closed", f"lot:{command.lot_id}", change)


def _lot_in_use(state: State, lot_id: int) -> rows.LotShown:
    if lot_id not in state.lots or lot_id in state.lots_out:
        raise Overtaken("This lot is out of use already. Look at the list again.")
    return state.lots[lot_id]


# --- what is asked


class GatesInMemory:
    """The reads of gates; mixed into the twin."""

    _state: State

    def gate_reading(self, key: GateKey, *, arrived_at: datetime, seat: Seat) -> rows.GateReading:
        """Give a gate as it was last moved, and how it stood around a strip that arrived then and there."""
        happened = sorted(
            ((row.at, row.capture_id, row.index), row.event_id, row.after, decided)
            for row, decided in self._state.gate_events
            if row.key == key
        )
        here = (arrived_at, *seat)
        last = next((each[1:3] for each in reversed(happened) if each[0] < here), None)
        ahead = max((each[1:3] for each in happened if each[0][0] > arrived_at and (0, 0) < each[0][1:] < seat), default=None)
        known = [each for each in (last, ahead) if each]
        return rows.GateReading(
            gate=self._state.gates.get(key, Gate()),
            at_reading=max(known)[1] if known else GateState.START,
            decided_next=next(
                (each[3] for each in happened if each[0] > here and each[0][1:] > seat and each[3] is not None), None
            ),
        )

    def is_behind_waiting(self, key: GateKey, *, patient_id: str, seat: Seat) -> bool:
        """Say whether a strip of the patient that was read before ``seat`` waits for the same gate still, or to be judged again."""
        waiting = (strip.row for strip in self._state.strips.values() if _of(key, strip, "waiting"))
        return any(row.patient_id == patient_id and (row.capture_id, row.index) < seat for row in waiting)

    def gates(self) -> tuple[rows.GateRow, ...]:
        """Give every gate that something happened to or that a strip waits for, by analyzer, strip type and lot."""
        state = self._state
        waited = {
            GateKey(analyzer=strip.row.analyzer, strip_type=strip.row.strip_type, strip_lot=strip.row.strip_lot)
            for strip in state.strips.values()
            if strip.is_newest and strip.row.outcome == "waiting"
        }
        keys = sorted({*state.gates, *waited}, key=lambda key: (key.analyzer, key.strip_type, key.strip_lot))
        return tuple(
            rows.GateRow(key=key, gate=state.gates.get(key, Gate()), waiting=len(_seats(state, key, "waiting"))) for key in keys
        )

    def gate_events(
        self, *, since: datetime | None = None, until: datetime | None = None, before: int | None = None, limit: int = 100
    ) -> tuple[rows.GateEventRow, ...]:
        """Give what happened to gates, newest first: since a time, until another (not included), and before an event id."""
        found = (row for row, _ in reversed(self._state.gate_events))
        timely = (row for row in found if (since is None or row.at >= since) and (until is None or row.at < until))
        return tuple(row for row in timely if before is None or row.event_id < before)[:limit]

    def control_lots(self) -> tuple[rows.LotShown, ...]:
        """Give the lots that people entered and that are in use, oldest first."""
        return tuple(lot for lot_id, lot in self._state.lots.items() if lot_id not in self._state.lots_out)

    def sent_in_spite(self, *, since: datetime, limit: int = 200) -> tuple[rows.StripRow, ...]:
        """Give the strips that arrived since then and were sent though their controls were not right, newest first."""
        newest = (strip.row for strip in reversed(self._state.strips.values()) if strip.is_newest)
        sent = (row for row in newest if row.outcome == "coded" and row.arrived_at >= since)
        return tuple(row for row in sent if any(rule.startswith("controls.") for rule, _, _ in row.findings))[:limit]
