"""RecordOutcome on the in-memory twin: the strip, its stop, its result and its deliveries."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime

from bridge.bench.believed import read_at
from bridge.errors import Overtaken
from bridge.lifecycle.states import StopEnd, StopGroup, StopState
from bridge.model import (
    SERVICE,
    CheckedReading,
    Coded,
    CodedResult,
    Copy,
    DeliveryState,
    Finding,
    Held,
    NonPatient,
    Priority,
    Purpose,
    Reading,
    Rejected,
    SeriesState,
    Severity,
    Unreadable,
    Waiting,
)
from bridge.store.apply_additions import waits_for_additions
from bridge.store.commands import NewDelivery, RecordedOutcome, RecordOutcome
from bridge.store.memory_additions import await_additions
from bridge.store.memory_gate import move_gate
from bridge.store.memory_numbers import join_run
from bridge.store.memory_replacement import behind_withdrawal
from bridge.store.memory_rows import Result, Sent, State, Strip, Tried, next_id
from bridge.store.memory_stops import keep_owner, owner_before
from bridge.store.memory_telling import open_tellings
from bridge.store.rows import AttemptRow, DeliveryRow, StopRow, StripRow
from bridge.store.statements import Change

_WORDS = {Coded: "coded", Held: "held", Rejected: "rejected", Copy: "copy", NonPatient: "non_patient", Waiting: "waiting"}


def record_outcome(state: State, command: RecordOutcome) -> RecordedOutcome:
    """Record what judging made of one reading. Raises Overtaken where that was recorded already, ValueError for an identity given twice."""
    work = state.intake.get(command.intake_id)
    is_gone_past = work is not None and work.only_index is None and work.next_index > command.reading.index
    is_again = work is not None and work.only_index is None and bool(work.because)
    if work is None or command.intake_id in state.ended or is_gone_past or (is_again and _is_settled(state, command)):
        raise Overtaken("This reading was judged already. Look at what is next.")
    before = _supersede(state, command, again=is_again)
    strip_id = _insert_strip(state, command)
    seat = (command.capture_id, command.reading.index)
    stop_id, repeat = _stop(state, command, strip_id, before)
    result = _result(command)
    made: list[tuple[int, int | None]] = []
    if result is not None:
        if (result.result_id, result.version) in state.results:
            raise ValueError(f"the result_id {result.result_id} has version {result.version} already")
        state.results[result.result_id, result.version] = Result(strip_id=strip_id, content=result)
        deliveries = [behind_withdrawal(state, seat, new) for new in command.deliveries]
        made = [_insert_delivery(state, new, result, command) for new in deliveries]
        if command.added is not None:
            await_additions(state, command, command.added, result, waits=waits_for_additions(command, deliveries))
    _advance_series(state, command)
    state.intake[command.intake_id] = replace(work, next_index=command.reading.index + 1)
    if command.ends_intake:
        state.ended.add(command.intake_id)
    if not repeat:  # as apply_outcome.py has it
        move_gate(state, command)
    join_run(state, command)
    open_tellings(state, command, strip_id=strip_id, before=before)
    state.note(command.at, SERVICE, "strip.judged", f"strip:{strip_id}", Change(after=_word(command)))
    numbers, attempts = tuple(number for number, _ in made), tuple(attempt for _, attempt in made)
    return RecordedOutcome(strip_id=strip_id, stop_id=stop_id, delivery_ids=numbers, attempts=attempts, repeat=repeat)


def _word(command: RecordOutcome) -> str:
    return "unreadable" if command.outcome is None else _WORDS[type(command.outcome)]


def _result(command: RecordOutcome) -> CodedResult | None:
    return command.outcome.result if isinstance(command.outcome, Coded | NonPatient) else None


def _checked(command: RecordOutcome) -> CheckedReading | None:
    return command.outcome.checked if command.outcome else None


def _findings(command: RecordOutcome) -> Sequence[Finding]:
    if isinstance(command.reading, Unreadable):
        return (command.reading.finding,)
    return command.outcome.findings if command.outcome else ()


# --- earlier interpretations


def _is_settled(state: State, command: RecordOutcome) -> bool:
    """Say whether a strip of a capture that is read again went meanwhile, was given up, or has a piece of work of its own."""
    place = (command.capture_id, command.reading.index)
    newest = (
        strip.row for strip in state.strips.values() if strip.is_newest and (strip.row.capture_id, strip.row.index) == place
    )
    own = (
        work for number, work in state.intake.items() if number not in state.ended and (work.capture_id, work.only_index) == place
    )
    return any(row.has_gone or row.outcome == "discarded" for row in newest) or any(own)


def _supersede(state: State, command: RecordOutcome, *, again: bool) -> Strip | None:
    """Set the earlier interpretation aside; give it as it was, None where there is none."""
    before = None
    for strip_id, strip in list(state.strips.items()):
        if strip.is_newest and (strip.row.capture_id, strip.row.index) == (command.capture_id, command.reading.index):
            before = strip
            _set_aside(state, strip_id, command.at)
    if command.ends_intake and again:
        set_unreadable_aside(state, command.capture_id, behind=command.reading.index, at=command.at)
    return before


def set_unreadable_aside(state: State, capture_id: int, *, behind: int, at: datetime) -> None:
    """Set aside what was unreadable behind the index ``behind`` of a capture, and the stops of it."""
    for strip_id, strip in list(state.strips.items()):
        is_behind = strip.row.capture_id == capture_id and strip.row.index > behind
        if is_behind and strip.is_newest and strip.row.outcome == "unreadable":
            _set_aside(state, strip_id, at)


def _set_aside(state: State, strip_id: int, at: datetime) -> None:
    strip = state.strips[strip_id]
    state.strips[strip_id] = replace(strip, row=replace(strip.row, outcome="superseded"), is_newest=False)
    for stop_id, stop in list(state.stops.items()):
        if stop.strip_id == strip_id and stop.state is StopState.OPEN:
            state.stops[stop_id] = replace(
                stop, state=StopState.CLOSED, closed_at=at, closed_by="padpost (service)", closed_how=StopEnd.READ_AGAIN
            )
            state.note(at, SERVICE, "stop.closed", f"stop:{stop_id}", Change(before="open", after=StopEnd.READ_AGAIN))


# --- the strip


def _insert_strip(state: State, command: RecordOutcome) -> int:
    reading, outcome, result = command.reading, command.outcome, _result(command)
    checked = _checked(command)
    strip_id = next_id(state.strips)
    row = StripRow(
        strip_id=strip_id,
        capture_id=command.capture_id,
        index=reading.index,
        outcome=_word(command),
        analyzer=reading.analyzer,
        mode=checked.key.mode if checked else "",
        series=checked.key.series if checked else "",
        number=checked.key.number if checked else _text(reading, "number"),
        purpose=checked.purpose if checked else Purpose.PATIENT,
        priority=checked.priority if checked else Priority.ROUTINE,
        patient_id=_accepted(command, "patient_id"),
        specimen_id=_accepted(command, "specimen_id"),
        operator=_accepted(command, "operator"),
        strip_type=_accepted(command, "strip_type"),
        strip_lot=_accepted(command, "strip_lot"),
        analyzed_at=checked.analyzed_at if checked else None,
        arrived_at=state.captures[command.capture_id].capture.arrived_at,
        judged_at=command.at,
        copy_of=outcome.of if isinstance(outcome, Copy) else None,
        result_id=result.result_id if result else "",
        findings=tuple((f.rule, f.severity, f.sentence) for f in _findings(command)),
        pads=_pads(command),
        place=reading.place,
        record_digest=reading.record_digest,
        tables_digest=command.tables_digest,
    )
    content = checked.content if checked else None
    state.strips[strip_id] = Strip(row=row, content=content, patient_printed=_text(reading, "patient_id"))
    return strip_id


def _text(reading: Reading | Unreadable, field: str) -> str:
    printed = getattr(reading, field, None)
    return printed.text if printed else ""


def _accepted(command: RecordOutcome, field: str) -> str:
    """Give a text that checking settles; where it accepted nothing, the printed one stands."""
    checked = _checked(command)
    return str(getattr(checked, field)) if checked else _text(command.reading, field)


def _pads(command: RecordOutcome) -> tuple[tuple[str, str, str, bool | None], ...]:
    if isinstance(command.reading, Unreadable):
        return ()
    checked = _checked(command)
    abnormal = {pad.place: pad.step.abnormal for pad in checked.pads} if checked else {}
    return tuple(
        (pad.label.text, pad.value.text, pad.unit.text if pad.unit else "", abnormal.get(pad.value.place))
        for pad in command.reading.pads
    )


# --- stops


def _stop(state: State, command: RecordOutcome, strip_id: int, before: Strip | None) -> tuple[int | None, bool]:
    """Open the strip's stop, or count it on the stop that stands for the same bytes; give (stop id, whether it joined)."""
    match command.outcome:
        case Coded() | NonPatient() | Waiting():
            return None, False
        case Copy(of=original):
            joined = _join(state, command, lambda stop: stop.strip_id == original)
            return joined, joined is not None
    findings = [finding for finding in _findings(command) if finding.severity is not Severity.NOTE] or _findings(command)
    joined = _join_same_bytes(state, command, strip_id, findings[0].rule)
    if joined is not None:
        return joined, True
    stop_id = _open(state, command, strip_id, findings)
    if before is not None:
        keep_owner(state, stop_id, owner_before(state, before.row.strip_id), at=command.at)
    return stop_id, False


def _join(state: State, command: RecordOutcome, fits: Callable[[StopRow], bool]) -> int | None:
    for stop in state.stops.values():
        if stop.state is StopState.OPEN and fits(stop):
            state.stops[stop.stop_id] = replace(stop, repeats=stop.repeats + 1, last_repeat_at=command.at)
            return stop.stop_id
    return None


def _join_same_bytes(state: State, command: RecordOutcome, strip_id: int, rule: str) -> int | None:
    reading = command.reading
    is_dated = isinstance(reading, Reading) and reading.number is not None and reading.printed_date is not None
    if not (isinstance(reading, Unreadable) or (isinstance(command.outcome, Rejected) and is_dated)):
        return None

    def is_same(stop: StopRow) -> bool:
        other = state.strips.get(stop.strip_id or 0)
        if other is None or stop.rule != rule or stop.strip_id == strip_id or not other.is_newest:
            return False
        return (other.row.analyzer, other.row.record_digest) == (reading.analyzer, reading.record_digest)

    stop_id = _join(state, command, is_same)
    if stop_id is not None:
        strip = state.strips[strip_id]
        row = replace(strip.row, outcome="copy", copy_of=state.stops[stop_id].strip_id)
        state.strips[strip_id] = replace(strip, row=row)
    return stop_id


def _open(state: State, command: RecordOutcome, strip_id: int, findings: Sequence[Finding]) -> int:
    strip, is_held = state.strips[strip_id].row, isinstance(command.outcome, Held)
    stop_id = next_id(state.stops)
    stop = StopRow(
        stop_id=stop_id, group=StopGroup.HELD if is_held else StopGroup.REJECTED, state=StopState.OPEN, rule=findings[0].rule,
        rules=tuple(dict.fromkeys(finding.rule for finding in findings)), sentence=findings[0].sentence,
        remedy=findings[0].remedy, place=findings[0].place, opened_at=command.at, repeats=0, last_repeat_at=None,
        source=state.captures[command.capture_id].capture.source, analyzer=command.reading.analyzer, number=strip.number,
        patient_id=strip.patient_id, purpose=strip.purpose, priority=strip.priority,
        releasable=is_held and all(finding.releasable for finding in findings), capture_id=command.capture_id,
        index=strip.index, strip_id=strip_id, delivery_id=None, destination="", receiver_words="", closed_at=None, closed_by="",
        closed_how="", closed_reason="",
    )  # fmt: skip
    state.stops[stop_id] = stop
    state.note(command.at, SERVICE, "stop.opened", f"stop:{stop_id}", Change(after=stop.group, reason=stop.rule))
    return stop_id


# --- deliveries and series


def _insert_delivery(state: State, new: NewDelivery, result: CodedResult, command: RecordOutcome) -> tuple[int, int | None]:
    """Make a delivery; give its id, and the id of the try that began with it."""
    message = new.message
    if message is not None:
        if message.control_id in state.control_ids:
            raise ValueError(f"the control_id {message.control_id} was given before")
        state.control_ids.add(message.control_id)
    delivery_id = next_id(state.sent)
    standing = DeliveryState.QUEUED if message else DeliveryState.UNBORN
    row = DeliveryRow(
        delivery_id=delivery_id, destination=new.destination, result_id=result.result_id, version=result.version,
        control_id=message.control_id if message else "", state=standing, attempts=0, born_at=command.at, due_at=None,
        accepted_at=None, last_code="", lane=new.lane, priority=new.priority,
    )  # fmt: skip
    state.sent[delivery_id] = Sent(
        row=row, message=message, first_attempt_at=None, after=new.after, tables_digest=command.tables_digest
    )
    state.note(command.at, SERVICE, "delivery.made", f"delivery:{delivery_id}", Change(after=standing))
    return delivery_id, _begun(state, new, delivery_id, command) if new.begins and message is not None else None


def _begun(state: State, new: NewDelivery, delivery_id: int, command: RecordOutcome) -> int | None:
    """Begin the first try of a delivery that was just made, if it may; give the try's id."""
    if new.lease is not None and state.leases.get(new.lease.name, ("", -1))[1] != new.lease.token:
        return None
    if state.heads(new.destination)[new.lane].row.delivery_id != delivery_id or not state.is_over(new.after):
        return None
    sent, attempt = state.sent[delivery_id], next_id(state.tried)
    row = replace(sent.row, state=DeliveryState.SENDING, attempts=1)
    state.sent[delivery_id] = replace(sent, row=row, first_attempt_at=command.at)
    change = Change(before=DeliveryState.QUEUED, after=DeliveryState.SENDING)
    state.note(command.at, SERVICE, "delivery.begin", f"delivery:{delivery_id}", change)
    tried = AttemptRow(started_at=command.at, ended_at=None, code="", text="")
    state.tried[attempt] = Tried(delivery_id=delivery_id, row=tried)
    return attempt


def _advance_series(state: State, command: RecordOutcome) -> None:
    checked = _checked(command)
    if checked is None or isinstance(command.outcome, Copy) or not checked.key.series or not checked.key.number.isdigit():
        return
    arrived = state.captures[command.capture_id].capture.arrived_at
    read = read_at(checked.analyzed_at, arrived)
    if read is None and checked.analyzed_at is not None:
        today = arrived.astimezone(checked.analyzed_at.tzinfo).date()
        if checked.key.series[:10] > today.isoformat():
            return
    key = checked.key.analyzer, checked.key.mode
    new = SeriesState(series=checked.key.series, last_number=int(checked.key.number), last_printed_at=read or arrived)
    old = state.series.get(key)
    if old is None or _place(new) > _place(old):
        state.series[key] = new
    elif new.series == old.series and new.last_number == old.last_number + 1:
        state.series[key] = replace(old, last_number=new.last_number)


def _place(series: SeriesState) -> tuple[str, float, int]:
    at = series.last_printed_at
    return series.series, at.timestamp() if at else float("-inf"), series.last_number
