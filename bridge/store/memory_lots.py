"""Containers and lots of strips on the in-memory twin: what people do, and the reads of judging and the page Lots."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime

from bridge.bench.controls import RunVerdict
from bridge.bench.gate import BegunAnew, Cause, Gate, GateKey, at_time, set_right
from bridge.bench.lots import LotReading, LotUse, is_alike
from bridge.errors import Overtaken, RefusedAction
from bridge.identity.person import same_person
from bridge.lifecycle.states import StopEnd, StopGroup, StopState
from bridge.model import Actor, Container, Purpose
from bridge.store import commands as c
from bridge.store import rows
from bridge.store.apply_container import (
    ACCEPTED,
    ENTERED,
    IS_ACCEPTED,
    IS_NOT_ACCEPTED,
    IS_SIGNED,
    SAME_DAY,
    SAME_PERSON,
    keys_of,
    other_day,
    subject_of,
)
from bridge.store.memory_gate import judge_again, say_of_gate
from bridge.store.memory_rows import State, Strip, next_id
from bridge.store.statements import Change
from bridge.tables.control_table import GatePolicy


def open_container(state: State, command: c.OpenContainer) -> int:
    """Keep a container; controls come due for it. Raises RefusedAction where its lot has another last day."""
    for row in state.containers.values():
        of = (row.strip_type, row.container.strip_lot)
        if of == (command.strip_type, command.strip_lot) and not row.is_mistake and row.container.expires != command.expires:
            raise RefusedAction(other_day(command.strip_lot, row.container.expires.isoformat()))
    container_id = next_id(state.containers)
    state.containers[container_id] = rows.ContainerRow(
        analyzer=command.analyzer,
        strip_type=command.strip_type,
        container=Container(
            container_id=container_id, strip_lot=command.strip_lot, expires=command.expires, opened_at=command.opened_at
        ),
        entered_by=command.actor.name,
        entered_at=command.at,
        closed_by="",
        closed_how=None,
    )
    state.note(command.at, command.actor, "container.opened", f"container:{container_id}", Change(after="in use"))
    if command.policy is not None:
        _ask_for_controls(state, command, command.policy)
    _judge_held_again(state, command)
    return container_id


def close_container(state: State, command: c.CloseContainer) -> None:
    """Take a container out of use. Raises Overtaken where it is out already."""
    row = state.containers.get(command.container_id)
    if row is None or row.container.closed_at is not None:
        raise Overtaken("This container is out of use already. Look at the list again.")
    ended = replace(row.container, closed_at=command.at)
    state.containers[command.container_id] = replace(row, container=ended, closed_by=command.actor.name, closed_how=command.how)
    change = Change(before="in use", after=command.how, reason=command.reason)
    state.note(command.at, command.actor, "container.closed", f"container:{command.container_id}", change)


def _ask_for_controls(state: State, command: c.OpenContainer, policy: GatePolicy) -> None:
    for key in keys_of(command):
        if key not in state.gates and key.strip_lot != command.strip_lot:
            continue
        gate = at_time(set_right(state.gates.get(key, Gate()), command.at), command.at, policy)
        if gate.state.may_go and policy.levels <= _passed_since(state, key, command.opened_at):
            continue
        word = BegunAnew(at=command.at, by=command.actor, cause=Cause.CONTAINER)
        say_of_gate(state, c.SayOfGate(key=key, word=word, policy=policy))


def _passed_since(state: State, key: GateKey, opened_at: datetime) -> frozenset[str]:
    read = {
        (strip.row.capture_id, strip.row.index): strip.row.analyzed_at or strip.row.arrived_at
        for strip in state.strips.values()
        if strip.is_newest
    }
    return frozenset(
        row.level
        for row, _ in state.gate_events
        if row.key == key
        and row.what == RunVerdict.PASSED
        and row.at >= opened_at
        and read.get((row.capture_id, row.index), row.at) >= opened_at
    )


def _judge_held_again(state: State, command: c.OpenContainer) -> None:
    def concerns(strip: rows.StripRow) -> bool:
        read_at = strip.analyzed_at or strip.arrived_at
        here = (strip.analyzer, strip.strip_type) == (command.analyzer, command.strip_type)
        return here and strip.strip_lot in {command.strip_lot, ""} and read_at >= command.opened_at - SAME_DAY

    free_held(state, "container.unknown", concerns, at=command.at, actor=command.actor, because=ENTERED)


def free_held(
    state: State, rule: str, concerns: Callable[[rows.StripRow], bool], *, at: datetime, actor: Actor, because: str
) -> None:
    """End the stops of strips that a rule alone holds, and judge these again, in the order in which they were read."""
    held = [
        (strip.capture_id, strip.index, stop)
        for stop in state.stops.values()
        if stop.state is StopState.OPEN and stop.group is StopGroup.HELD and stop.rules == (rule,) and stop.strip_id is not None
        for strip in [state.strips[stop.strip_id].row]
        if concerns(strip)
    ]
    for capture_id, index, stop in sorted(held, key=lambda each: each[:2]):
        state.stops[stop.stop_id] = replace(
            stop, state=StopState.CLOSED, closed_at=at, closed_by=f"{actor.name} ({actor.verified})", closed_how=StopEnd.READ_AGAIN,
            closed_reason=because,
        )  # fmt: skip
        change = Change(before="open", after=StopEnd.READ_AGAIN, reason=because)
        state.note(at, actor, "stop.closed", f"stop:{stop.stop_id}", change)
        judge_again(state, capture_id, index, because)


# --- lots


def accept_lot(state: State, command: c.AcceptLot) -> None:
    """Keep that a person accepts a lot; a second one has still to sign. Raises Overtaken where somebody has already."""
    of = (command.strip_type, command.strip_lot)
    if of in state.accepted_lots:
        raise Overtaken(IS_ACCEPTED)
    state.accepted_lots[of] = rows.AcceptedLot(
        accepted_by=command.actor.name, accepted_at=command.at, reason=command.reason, signed_by="", signed_at=None
    )
    state.note(command.at, command.actor, "strip_lot.accepted", subject_of(*of), Change(after="accepted", reason=command.reason))


def sign_accepted_lot(state: State, command: c.SignAcceptedLot) -> None:
    """Sign as a second person that a lot is accepted. Raises RefusedAction for the same person, Overtaken where there is nothing to sign."""
    of = (command.strip_type, command.strip_lot)
    found = state.accepted_lots.get(of)
    if found is None:
        raise Overtaken(IS_NOT_ACCEPTED)
    if found.signed_by:
        raise Overtaken(IS_SIGNED)
    if same_person(found.accepted_by, command.actor.name):
        raise RefusedAction(SAME_PERSON)
    state.accepted_lots[of] = replace(found, signed_by=command.actor.name, signed_at=command.at)
    state.note(command.at, command.actor, "strip_lot.signed", subject_of(*of), Change(before="accepted", after="signed"))

    def concerns(strip: rows.StripRow) -> bool:
        return strip.strip_type == command.strip_type and strip.strip_lot in {command.strip_lot, ""}

    free_held(state, "container.new_lot", concerns, at=command.at, actor=command.actor, because=ACCEPTED)


def withdraw_lot(state: State, command: c.WithdrawLot) -> None:
    """Take back that a lot is accepted. Raises Overtaken where it is not."""
    of = (command.strip_type, command.strip_lot)
    if state.accepted_lots.pop(of, None) is None:
        raise Overtaken(IS_NOT_ACCEPTED)
    change = Change(before="accepted", after="not accepted", reason=command.reason)
    state.note(command.at, command.actor, "strip_lot.withdrawn", subject_of(*of), change)


class LotsInMemory:
    """The reads of containers and lots; mixed into the twin, which has the state."""

    _state: State

    def containers(self) -> tuple[rows.ContainerRow, ...]:
        """Give every container that was ever entered, in the order of opening."""
        accepted = {of for of, found in self._state.accepted_lots.items() if found.signed_by}
        found = (
            replace(row, container=replace(row.container, is_accepted=(row.strip_type, row.container.strip_lot) in accepted))
            for row in self._state.containers.values()
        )
        return tuple(sorted(found, key=lambda row: (row.container.opened_at, row.container.container_id)))

    def accepted_lot(self, strip_type: str, strip_lot: str) -> rows.AcceptedLot | None:
        """Give who accepted a lot of strips, and who signed that; None where nobody did, or it was taken back."""
        return self._state.accepted_lots.get((strip_type, strip_lot))

    def _of_lot(self, strip_type: str, strip_lot: str) -> Iterator[Strip]:
        for strip in self._state.strips.values():
            if strip.is_newest and (strip.row.strip_type, strip.row.strip_lot) == (strip_type, strip_lot):
                yield strip

    def lot_uses(self, strip_type: str, strip_lot: str) -> tuple[LotUse, ...]:
        """Give every strip of a lot as it stands, oldest first, and where the newest version of its result went."""
        return tuple(self._use(strip.row) for strip in self._of_lot(strip_type, strip_lot))

    def _use(self, row: rows.StripRow) -> LotUse:
        newest = max((version for result_id, version in self._state.results if result_id == row.result_id), default=0)
        sent = (each.row for each in self._state.sent.values())
        ways = sorted((way.destination, way.state) for way in sent if (way.result_id, way.version) == (row.result_id, newest))
        return LotUse(
            strip_id=row.strip_id, analyzer=row.analyzer, number=row.number, purpose=row.purpose, outcome=row.outcome,
            patient_id=row.patient_id if row.purpose is Purpose.PATIENT else "", specimen_id=row.specimen_id,
            read_at=row.analyzed_at or row.arrived_at, result_id=row.result_id, ways=tuple(ways),
        )  # fmt: skip

    def lots_alike(self, strip_type: str, strip_lot: str) -> tuple[tuple[str, int], ...]:
        """Give the lots that are written as this one but for capitals, spaces and hyphens, each with its strips, by code."""
        found = (each for each in self._state.strips.values() if each.is_newest and each.row.strip_type == strip_type)
        return tuple(sorted(Counter(each.row.strip_lot for each in found if is_alike(each.row.strip_lot, strip_lot)).items()))

    def patient_readings(self, strip_type: str, strip_lot: str, *, since: datetime) -> Iterator[LotReading]:
        """Give what patients' strips of a lot showed that arrived since then, oldest first; copies and what was discarded left out."""
        for strip in self._of_lot(strip_type, strip_lot):
            row = strip.row
            if row.purpose is Purpose.PATIENT and row.outcome not in {"copy", "discarded"} and row.arrived_at >= since:
                yield from _shown(strip)

    def compared_readings(self, strip_type: str, strip_lot: str) -> Iterator[LotReading]:
        """Give what strips of a lot showed that were read for no patient, oldest first; what was stopped left out."""
        for strip in self._of_lot(strip_type, strip_lot):
            if strip.row.outcome == "non_patient":
                yield from _shown(strip)


def _shown(strip: Strip) -> Iterator[LotReading]:
    row = strip.row
    if strip.content is not None:
        yield LotReading(
            strip_id=row.strip_id, analyzer=row.analyzer, strip_lot=row.strip_lot, purpose=row.purpose, read_at=row.analyzed_at or row.arrived_at,
            said=row.specimen_id or row.patient_id, pads=strip.content.pads,
        )  # fmt: skip
