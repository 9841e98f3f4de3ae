"""The gate: whether patients' results of one analyzer, strip type and strip lot may leave, by its controls. The only seat that moves one.

``GATE_STEPS`` is the whole machine; docs/controls.md draws it. A failure outlives the day and a passed set without explanation: only a
named person's word, or a corrective action and a new set, opens the gate again. Time alone never opens it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from bridge.bench.control_day import first_due
from bridge.bench.controls import RunVerdict
from bridge.model import Actor, GateState
from bridge.tables.control_table import GatePolicy


class GateEvent(StrEnum):
    """What can happen to a gate."""

    LEVEL = "a level passes, and others are still to pass"
    SET = "every level has passed"
    FAIL = "a control fails"
    EXPLAIN = "a named person says why the control is repeated"
    MEND = "a named person notes the cause and what was done"
    COME_DUE = "controls come due, by the clock or the count of strips"
    GRACE_OVER = "the time in which results still go is over"
    BEGIN_ANEW = "a new container, maintenance, repair or return"


_S, _E = GateState, GateEvent

GATE_STEPS: dict[tuple[GateState, GateEvent], GateState] = {
    (_S.START, _E.LEVEL): _S.START,
    (_S.START, _E.SET): _S.OPEN,
    (_S.START, _E.FAIL): _S.FAILED,
    (_S.START, _E.COME_DUE): _S.START,
    (_S.START, _E.BEGIN_ANEW): _S.START,
    (_S.OPEN, _E.LEVEL): _S.OPEN,
    (_S.OPEN, _E.SET): _S.OPEN,
    (_S.OPEN, _E.FAIL): _S.FAILED,
    (_S.OPEN, _E.COME_DUE): _S.DUE,
    (_S.OPEN, _E.BEGIN_ANEW): _S.START,
    (_S.DUE, _E.LEVEL): _S.DUE,
    (_S.DUE, _E.SET): _S.OPEN,
    (_S.DUE, _E.FAIL): _S.FAILED,
    (_S.DUE, _E.COME_DUE): _S.DUE,
    (_S.DUE, _E.GRACE_OVER): _S.START,
    (_S.DUE, _E.BEGIN_ANEW): _S.START,
    (_S.FAILED, _E.LEVEL): _S.FAILED,
    (_S.FAILED, _E.SET): _S.REPEATED,
    (_S.FAILED, _E.FAIL): _S.LOCKED,
    (_S.FAILED, _E.EXPLAIN): _S.REPEAT,
    (_S.FAILED, _E.MEND): _S.MENDED,
    (_S.FAILED, _E.COME_DUE): _S.FAILED,
    (_S.FAILED, _E.BEGIN_ANEW): _S.FAILED,
    (_S.REPEAT, _E.LEVEL): _S.REPEAT,
    (_S.REPEAT, _E.SET): _S.OPEN,
    (_S.REPEAT, _E.FAIL): _S.LOCKED,
    (_S.REPEAT, _E.MEND): _S.MENDED,
    (_S.REPEAT, _E.COME_DUE): _S.REPEAT,
    (_S.REPEAT, _E.BEGIN_ANEW): _S.REPEAT,
    (_S.REPEATED, _E.LEVEL): _S.REPEATED,
    (_S.REPEATED, _E.SET): _S.REPEATED,
    (_S.REPEATED, _E.FAIL): _S.LOCKED,
    (_S.REPEATED, _E.EXPLAIN): _S.OPEN,
    (_S.REPEATED, _E.MEND): _S.MENDED,
    (_S.REPEATED, _E.COME_DUE): _S.FAILED,
    (_S.REPEATED, _E.BEGIN_ANEW): _S.FAILED,
    (_S.LOCKED, _E.LEVEL): _S.LOCKED,
    (_S.LOCKED, _E.SET): _S.LOCKED,
    (_S.LOCKED, _E.FAIL): _S.LOCKED,
    (_S.LOCKED, _E.MEND): _S.MENDED,
    (_S.LOCKED, _E.COME_DUE): _S.LOCKED,
    (_S.LOCKED, _E.BEGIN_ANEW): _S.LOCKED,
    (_S.MENDED, _E.LEVEL): _S.MENDED,
    (_S.MENDED, _E.SET): _S.OPEN,
    (_S.MENDED, _E.FAIL): _S.LOCKED,
    (_S.MENDED, _E.MEND): _S.MENDED,
    (_S.MENDED, _E.COME_DUE): _S.MENDED,
    (_S.MENDED, _E.BEGIN_ANEW): _S.MENDED,
}


def step(state: GateState, event: GateEvent) -> GateState:
    """Give the state after ``event``. Raises ValueError for a pair that must not happen; a person's action is asked with ``may`` first."""
    try:
        return GATE_STEPS[state, event]
    except KeyError:
        raise ValueError(f"a gate that is {state.value} cannot meet: {event.value}") from None


def may(state: GateState, event: GateEvent) -> bool:
    """Say whether ``event`` can happen to a gate in ``state``."""
    return (state, event) in GATE_STEPS


def in_doubt(at_reading: GateState, decided_next: bool | None) -> bool:
    """Say whether a strip was read between the last controls that passed and the repair of those that failed.

    ``at_reading`` is how its gate stood; ``decided_next`` what was the first thing to decide after it: True a whole set that passed,
    False a failure, None neither yet.
    """
    return at_reading.is_failure or decided_next is False


# --- what happens at the bench ------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class GateKey:
    """Which gate: controls of one lot of strips say nothing of another, nor of another analyzer."""

    analyzer: str
    strip_type: str
    strip_lot: str


PRINTED_TO = timedelta(
    minutes=1
)  # ours: the coarsest printed time; a strip read after a person's word may be printed that much before it

# ours: what comes due by times of day is not missed for so little, and no two processes' clocks differ by as much
AHEAD = timedelta(hours=1)

Seat = tuple[int, int]
"""Where a strip stands among those of its analyzer: the capture's id, which rises with arrival, and the strip's index in it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlRead:
    """A control strip was judged. ``at`` is when it arrived; ``printed_at`` the time that is printed on it, None where none is."""

    at: datetime
    seat: Seat
    level: str
    verdict: RunVerdict
    printed_at: datetime | None = None

    @property
    def read_at(self) -> datetime:
        """Give when it was read: it may have lain in the analyzer's memory, or have been stopped and decided about later."""
        return min(self.at, self.printed_at or self.at)


@dataclass(frozen=True, kw_only=True, slots=True)
class PatientRead:
    """A patient's strip was read; it counts towards the next controls whether its result goes or not."""

    at: datetime
    seat: Seat


class Cause(StrEnum):
    """Why controls are due whatever the clock says."""

    CONTAINER = "a new container was opened"
    SERVICE = "the analyzer was maintained, repaired or returned"


@dataclass(frozen=True, kw_only=True, slots=True)
class BegunAnew:
    """Something after which only controls can say that all is well."""

    at: datetime
    by: Actor
    cause: Cause


@dataclass(frozen=True, kw_only=True, slots=True)
class RepeatExplained:
    """A named person says why a failed control is, or was, run once more."""

    at: datetime
    by: Actor
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Mended:
    """A named person notes what made the controls fail and what was done about it (the corrective action)."""

    at: datetime
    by: Actor
    cause: str
    action: str


Word = BegunAnew | RepeatExplained | Mended
"""What a named person says of a gate."""

_EVENTS: Mapping[type, GateEvent] = {
    BegunAnew: GateEvent.BEGIN_ANEW,
    RepeatExplained: GateEvent.EXPLAIN,
    Mended: GateEvent.MEND,
}


def asks(word: Word) -> GateEvent:
    """Give the event that a person's word is."""
    return _EVENTS[type(word)]


def reason_of(word: Word) -> str:
    """Give a person's word as the one text that is kept with it."""
    match word:
        case BegunAnew(cause=cause):
            return cause.value
        case RepeatExplained(reason=reason):
            return reason
        case Mended(cause=found, action=action):
            return f"{found}; {action}"


Happening = ControlRead | PatientRead | BegunAnew | RepeatExplained | Mended


@dataclass(frozen=True, kw_only=True, slots=True)
class Gate:
    """A gate at one moment (``as_of``, None before anything happened).

    ``passed`` are the levels of the set that is under way. ``last_set`` is the strip that completed the last set which opened the gate, or will
    once the repeat is explained. ``strips`` counts patients' strips since then; ``due_at`` is since when controls are due, where results still go.
    ``since`` is the last failure, repair, container or service: a control that was read before it proves nothing of what comes after.
    """

    state: GateState = GateState.START
    as_of: datetime | None = None
    passed: frozenset[str] = frozenset()
    last_set: Seat | None = None
    strips: int = 0
    due_at: datetime | None = None
    since: datetime | None = None


def at_time(gate: Gate, at: datetime, policy: GatePolicy) -> Gate:
    """Give the gate as it stands at ``at``, when nothing else happened since. A time before ``as_of`` changes nothing."""
    if gate.as_of is None:
        return replace(gate, as_of=at)
    if at <= gate.as_of:
        return gate  # a clock that was set back makes nothing due twice, and takes no due date back
    due = first_due(gate.as_of, at, policy)
    now = replace(gate, as_of=at)
    return _grace_ended(_come_due(now, due) if due else now, policy)


def set_right(gate: Gate, now: datetime) -> Gate:
    """Give a gate that a clock far ahead moved as it stands at ``now``, once that clock was set right: controls are due, and a failure stays one.

    Left as it is, nothing would come due at it until the clock came to that time again. The first control behind it is judged a while after
    it was read, so what was read within ``AHEAD`` counts.
    """
    if gate.as_of is None or gate.as_of <= now + AHEAD:
        return gate
    return replace(_to(gate, GateEvent.BEGIN_ANEW, passed=frozenset()), as_of=now, since=now - AHEAD)


def after(gate: Gate, what: Happening, policy: GatePolicy) -> Gate:
    """Give the gate after something happened. Raises ValueError for a person's word that its state has no use for (ask ``may``)."""
    now = at_time(gate, what.at, policy)
    match what:
        case ControlRead():
            return _after_control(now, what, policy)
        case PatientRead():
            return _after_patient(now, what, policy)
        case BegunAnew(cause=cause):
            asks = policy.new_container if cause is Cause.CONTAINER else policy.after_service
            return _anew(_to(now, GateEvent.BEGIN_ANEW, passed=frozenset()), what.at) if asks else now
        case RepeatExplained():
            return _to(now, GateEvent.EXPLAIN)
        case Mended():
            return _anew(_to(now, GateEvent.MEND, passed=frozenset()), what.at)


def _is_stale(gate: Gate, run: ControlRead, policy: GatePolicy) -> bool:
    """Say whether a control was read too early to prove anything now: before controls came due, or before what asked for new ones."""
    now = at_time(gate, run.at, policy)
    if now.as_of is not None and first_due(run.read_at, now.as_of, policy) is not None:
        return True
    return now.since is not None and run.read_at < now.since - PRINTED_TO


def counted(gate: Gate, run: ControlRead, policy: GatePolicy) -> ControlRead:
    """Give a control as it counts for the gate before it: one that was read too early can fail, and cannot pass."""
    is_early = run.verdict is RunVerdict.PASSED and _is_stale(gate, run, policy)
    return replace(run, verdict=RunVerdict.NOT_COUNTED) if is_early else run


def _anew(gate: Gate, at: datetime) -> Gate:
    return replace(gate, since=max(at, gate.since or at))


def counts_again(run: ControlRead, counted_as: frozenset[RunVerdict]) -> bool:
    """Say whether a control moves its gate that was read before and counted so: once as a failure, and as passed unless it fails now."""
    return not counted_as or (counted_as == {RunVerdict.PASSED} and run.verdict is RunVerdict.FAILED)


def decides(what: Happening, left: Gate) -> bool | None:
    """Say whether what happened completed a set that counts (True), was a failure (False), or decided nothing; ``left`` is the gate after it."""
    if not isinstance(what, ControlRead):
        return None
    if what.verdict is RunVerdict.FAILED:
        return False
    return True if what.verdict is RunVerdict.PASSED and left.last_set == what.seat else None


def _to(gate: Gate, event: GateEvent, *, passed: frozenset[str] | None = None) -> Gate:
    state = step(gate.state, event)
    return replace(
        gate,
        state=state,
        passed=gate.passed if passed is None else passed,
        due_at=gate.due_at if state is GateState.DUE else None,
    )


def _after_control(gate: Gate, read: ControlRead, policy: GatePolicy) -> Gate:
    run = counted(gate, read, policy)
    if run.verdict is RunVerdict.NOT_COUNTED:
        return gate
    if run.verdict is RunVerdict.FAILED:
        return _anew(_to(gate, GateEvent.FAIL, passed=gate.passed - {run.level}), run.read_at)
    passed = gate.passed | ({run.level} & policy.levels)
    if passed < policy.levels:
        return _to(gate, GateEvent.LEVEL, passed=passed)
    whole = _to(gate, GateEvent.SET, passed=frozenset())
    if whole.state is GateState.LOCKED:
        return whole
    return replace(whole, last_set=run.seat, strips=0)


def _after_patient(gate: Gate, strip: PatientRead, policy: GatePolicy) -> Gate:
    counted = replace(gate, strips=gate.strips + 1)
    if policy.every_strips is None or counted.strips < policy.every_strips or counted.state is not GateState.OPEN:
        return counted
    return _grace_ended(_come_due(counted, strip.at), policy)


def _come_due(gate: Gate, due_at: datetime) -> Gate:
    came = _to(gate, GateEvent.COME_DUE, passed=frozenset())
    return replace(came, due_at=gate.due_at or due_at) if came.state is GateState.DUE else came


def _grace_ended(gate: Gate, policy: GatePolicy) -> Gate:
    if gate.state is not GateState.DUE or gate.due_at is None or gate.as_of is None or gate.as_of < gate.due_at + policy.grace:
        return gate
    return _to(gate, GateEvent.GRACE_OVER)
