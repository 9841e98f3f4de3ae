"""RecordOutcome: the strip, its stop, its result and its deliveries, in one transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import SupportsInt

from bridge.bench.series import left_by
from bridge.errors import LeaseLost, Overtaken
from bridge.lifecycle.states import DeliveryEvent, StopEnd, StopGroup, step
from bridge.model import (
    SERVICE,
    CheckedReading,
    Coded,
    CodedResult,
    Copy,
    DeliveryState,
    Finding,
    Held,
    Message,
    NonPatient,
    Reading,
    Rejected,
    Severity,
    Unreadable,
    Waiting,
)
from bridge.store.apply_additions import await_additions, waits_for_additions
from bridge.store.apply_gate import is_self_identifying, move_gate
from bridge.store.apply_lease import check_lease
from bridge.store.apply_replacement import behind_withdrawals
from bridge.store.apply_shift import join_run
from bridge.store.apply_telling import open_tellings
from bridge.store.codec import (
    SAME_RECORD,
    content_bytes,
    json_bytes,
    json_text,
    microseconds,
    moment,
    of_record,
    packed,
    packed_column,
    record_key,
    result_bytes,
    when,
)
from bridge.store.commands import Lease, NewDelivery, RecordedOutcome, RecordOutcome
from bridge.store.database import Db
from bridge.store.interned import OwnKind, word_id
from bridge.store.lanes import is_over, join_lane
from bridge.store.statements import KEEP_MESSAGE, NEW_ATTEMPT, Change, NewStop, note, note_own, open_stop, owner_before

_PRINTED = (
    "number",
    "patient_id",
    "specimen_id",
    "operator",
    "strip_type",
    "strip_lot",
)  # texts that a Reading and a strip both have
_WORDS = {Coded: "coded", Held: "held", Rejected: "rejected", Copy: "copy", NonPatient: "non_patient", Waiting: "waiting"}


def record_outcome(db: Db, command: RecordOutcome) -> RecordedOutcome:
    """Record what judging made of one reading. Raises Overtaken where that was recorded already, or is not this piece of work's any more."""
    due = _due(db, command)
    _supersede(db, command, due)
    at, at_us = when(command.at), microseconds(command.at)
    strip_id = int(_insert_strip(db, command, due.arrived_at, at))
    stop_id, repeat = _stop(db, command, strip_id, due.newest)
    made: list[_Made] = []
    result = _result(command)
    if result is not None:
        db.execute(
            "INSERT INTO results (result_id, version, strip_id, content) VALUES (?,?,?,?)",
            (result.result_id, result.version, strip_id, result_bytes(result)),
        )
        deliveries: Sequence[NewDelivery] = command.deliveries
        if due.newest is not None:  # it may take the place of another strip's result
            deliveries = behind_withdrawals(db, (command.capture_id, command.reading.index), deliveries)
        waits = waits_for_additions(command, deliveries)
        made = [_insert_delivery(db, new, result, command, at, waits=waits) for new in deliveries]
        if command.added is not None:
            await_additions(db, command, command.added, result, waits=waits)
    _advance_series(db, command, due.arrived_at)
    delivery_ids = tuple(_noted(db, at_us, each) for each in made)
    begun = [_begun(db, at, at_us, number) if each.begins else None for number, each in zip(delivery_ids, made, strict=True)]
    db.execute(
        "UPDATE intake SET next_index = ?, ended_at = ? WHERE id = ?",
        (command.reading.index + 1, at if command.ends_intake else None, command.intake_id),
    )
    if not repeat:  # a record that stands among the stops and came once more is the same strip: it says nothing new of its gate
        move_gate(db, command)
    join_run(db, command)
    open_tellings(db, command, strip_id=strip_id, before=due.newest)
    note_own(db, at_us, OwnKind("strip.judged", "strip", after=_word(command)), strip_id)
    attempts = tuple(None if new is None else int(new) for new in begun)
    return RecordedOutcome(strip_id=strip_id, stop_id=stop_id, delivery_ids=delivery_ids, attempts=attempts, repeat=repeat)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Due:
    """A reading that may be recorded: when its capture arrived, as stored, the strip that stood for it so far, and whether all of the capture is read again."""

    arrived_at: str
    newest: int | None
    is_whole_again: bool


def _due(db: Db, command: RecordOutcome) -> _Due:
    """Refuse to record a reading twice: a judge may not know whether its last commit happened, or what a person did since it looked."""
    index = command.reading.index
    row = db.execute(
        "SELECT i.only_index, i.next_index, i.ended_at, i.because, s.id, c.arrived_at FROM intake i JOIN captures c ON c.id = ?"
        " LEFT JOIN strips s ON s.capture_id = c.id AND s.idx = ? AND s.is_newest = 1 WHERE i.id = ?",
        (command.capture_id, index, command.intake_id),
    ).fetchone()
    is_due = row is not None and row[2] is None and (row[0] is not None or row[1] <= index)
    if not is_due or (row[0] is None and row[3] and _is_settled(db, command)):
        raise Overtaken("This reading was judged already. Look at what is next.")
    return _Due(arrived_at=row[5], newest=row[4], is_whole_again=row[0] is None and row[3] != "")


def _is_settled(db: Db, command: RecordOutcome) -> bool:
    """Say whether a strip of a capture that is read again went meanwhile, was given up, or has a piece of work of its own."""
    strip = (command.capture_id, command.reading.index)
    settled = "outcome IN ('coded', 'withdrawn', 'discarded') OR (outcome = 'non_patient' AND result_id <> '')"  # rows.StripRow.has_gone
    return (
        db.execute(f"SELECT 1 FROM strips WHERE capture_id = ? AND idx = ? AND is_newest = 1 AND ({settled})", strip).fetchone()
        or db.execute(
            "SELECT 1 FROM intake WHERE analyzer = ? AND ended_at IS NULL AND capture_id = ? AND only_index = ?",
            (command.reading.analyzer, *strip),
        ).fetchone()
    ) is not None


def _word(command: RecordOutcome) -> str:
    return "unreadable" if command.outcome is None else _WORDS[type(command.outcome)]


def _result(command: RecordOutcome) -> CodedResult | None:
    """Give the result that goes on its way: a patient's, or a control's that a destination asked for."""
    return command.outcome.result if isinstance(command.outcome, Coded | NonPatient) else None


def _supersede(db: Db, command: RecordOutcome, due: _Due) -> None:
    """Set the earlier interpretation of the same reading aside, and with it the stop that it opened."""
    if due.newest is not None:
        _set_aside(db, due.newest, command.at)
    if command.ends_intake and due.is_whole_again:  # it may hold fewer strips than before: what lies behind its end is gone
        set_unreadable_aside(db, command.capture_id, behind=command.reading.index, at=command.at)


def set_unreadable_aside(db: Db, capture_id: int, *, behind: int, at: datetime) -> None:
    """Set aside what was unreadable behind the index ``behind`` of a capture, and the stops of it."""
    found = "SELECT id FROM strips WHERE capture_id = ? AND idx > ? AND is_newest = 1 AND outcome = 'unreadable'"
    for (strip_id,) in db.execute(found, (capture_id, behind)).fetchall():
        _set_aside(db, strip_id, at)


def _set_aside(db: Db, strip_id: int, at: datetime) -> None:
    db.execute("UPDATE strips SET is_newest = 0, outcome = 'superseded' WHERE id = ?", (strip_id,))
    for (stop_id,) in db.execute("SELECT id FROM stops WHERE strip_id = ? AND state = 'open'", (strip_id,)).fetchall():
        db.execute(
            "UPDATE stops SET state = 'closed', closed_at = ?, closed_by = 'padpost (service)', closed_how = ? WHERE id = ?",
            (when(at), StopEnd.READ_AGAIN, stop_id),
        )
        note(db, at, SERVICE, "stop.closed", f"stop:{stop_id}", Change(before="open", after=StopEnd.READ_AGAIN))


def _checked(command: RecordOutcome) -> CheckedReading | None:
    return command.outcome.checked if command.outcome else None


def _findings(command: RecordOutcome) -> Sequence[Finding]:
    if isinstance(command.reading, Unreadable):
        return (command.reading.finding,)
    return command.outcome.findings if command.outcome else ()


def _text(reading: Reading | Unreadable, field: str) -> str:
    printed = getattr(reading, field, None)
    return printed.text if printed else ""


def _pads(command: RecordOutcome) -> list[tuple[str, str, str, bool | None]]:
    """Give each pad as printed, with whether it is abnormal as far as it was understood."""
    reading = command.reading
    if isinstance(reading, Unreadable):
        return []
    checked = _checked(command)
    abnormal = {(pad.place.start, pad.place.end): pad.step.abnormal for pad in checked.pads} if checked else {}
    return [
        (
            pad.label.text,
            pad.value.text,
            pad.unit.text if pad.unit else "",
            abnormal.get((pad.value.place.start, pad.value.place.end)),
        )
        for pad in reading.pads
    ]


_ACCEPTED = ("mode", "series", "number", "purpose", "priority", "patient_id", "specimen_id", "operator", "strip_type", "strip_lot", "analyzed_at", "accepted")  # fmt: skip


def _accepted_columns(command: RecordOutcome) -> tuple[object, ...]:
    """Give the values of ``_ACCEPTED``, which checking settles; where it accepted nothing, the printed texts stand, as of a routine patient strip."""
    checked = _checked(command)
    if checked is None:
        number, *others = (_text(command.reading, name) for name in _PRINTED)
        return ("", "", number, "patient", "routine", *others, None, None)
    return (
        checked.key.mode, checked.key.series, checked.key.number, str(checked.purpose), str(checked.priority), checked.patient_id,
        checked.specimen_id, checked.operator, checked.strip_type, checked.strip_lot, when(checked.analyzed_at),
        packed_column(content_bytes(checked.content)),
    )  # fmt: skip


_STRIP = (
    "capture_id", "idx", "is_newest", "outcome", "analyzer", *_ACCEPTED, "patient_printed", "arrived_at", "judged_at", "record_digest", "record_key",
    "copy_of", "result_id", "findings", "printed", "abnormal", "place_start", "place_end", "tables",
)  # fmt: skip
_INSERT_STRIP = f"INSERT INTO strips ({', '.join(_STRIP)}) VALUES ({', '.join('?' * len(_STRIP))})"


def _insert_strip(db: Db, command: RecordOutcome, arrived_at: str, at: str | None) -> SupportsInt:
    """Write the strip, whose capture arrived at ``arrived_at`` and which is judged ``at``, both as stored; give its row."""
    reading, outcome, result = command.reading, command.outcome, _result(command)
    pads = _pads(command)
    findings = _findings(command)
    return db.insert(
        _INSERT_STRIP,
        (
            command.capture_id, reading.index, 1, _word(command), reading.analyzer, *_accepted_columns(command), _text(reading, "patient_id"),
            arrived_at, at, reading.record_digest, record_key(reading.record_digest), outcome.of if isinstance(outcome, Copy) else None,
            result.result_id if result else "", json_text([(f.rule, f.severity, f.sentence) for f in findings]) if findings else "[]",
            packed_column(json_bytes(pads)) if pads else None, sum(bool(pad[3]) for pad in pads), reading.place.start, reading.place.end,
            word_id(db, command.tables_digest),
        ),
    )  # fmt: skip


# --- stops


def _stop(db: Db, command: RecordOutcome, strip_id: int, before: int | None) -> tuple[int | None, bool]:
    """Open the strip's stop, or count it on the stop that stands for the same bytes; give (stop id, whether it joined).

    ``before`` is the strip that stood for the same reading so far: whoever had taken its stop has this one too.
    """
    match command.outcome:
        case Coded() | NonPatient() | Waiting():
            return None, False
        case Copy(of=original):
            joined = _joined(db, command, "strip_id = ?", (original,))
            return joined, joined is not None
        case _:
            findings = _stopping(command)
            joined = _join_same_bytes(db, command, strip_id, findings[0].rule)
            if joined is not None:
                return joined, True
            stop = _new_stop(db, command, strip_id, findings)
            if before is not None:
                stop = replace(stop, owner=owner_before(db, before))
            return open_stop(db, stop, at=command.at), False


def _stopping(command: RecordOutcome) -> Sequence[Finding]:
    """Give the findings that stopped the strip: all but notes, or the notes where there is nothing else."""
    findings = _findings(command)
    return [finding for finding in findings if finding.severity is not Severity.NOTE] or findings


def _join_same_bytes(db: Db, command: RecordOutcome, strip_id: int, rule: str) -> int | None:
    """Count the strip on the open stop of the same bytes and make it a copy; give that stop, None where there is none."""
    if not _is_self_identifying(command):
        return None
    same = f"rule = ? AND strip_id IN (SELECT id FROM strips WHERE {SAME_RECORD} AND id <> ? AND is_newest = 1)"
    stop_id = _joined(db, command, same, (rule, *of_record(command.reading.analyzer, command.reading.record_digest), strip_id))
    if stop_id is not None:
        db.execute(
            "UPDATE strips SET outcome = 'copy', copy_of = (SELECT strip_id FROM stops WHERE id = ?) WHERE id = ?",
            (stop_id, strip_id),
        )
    return stop_id


def _new_stop(db: Db, command: RecordOutcome, strip_id: int, findings: Sequence[Finding]) -> NewStop:
    """Give the stop of a strip; its first finding speaks for it, and only what every finding lets go may be released."""
    (source,) = db.execute("SELECT source FROM captures WHERE id = ?", (command.capture_id,)).fetchone()
    is_held = isinstance(command.outcome, Held)
    return NewStop(
        group=StopGroup.HELD if is_held else StopGroup.REJECTED,
        rules=tuple(dict.fromkeys(finding.rule for finding in findings)),
        sentence=findings[0].sentence,
        remedy=findings[0].remedy,
        place=findings[0].place,
        releasable=is_held and all(finding.releasable for finding in findings),
        source=source,
        analyzer=command.reading.analyzer,
        capture_id=command.capture_id,
        strip_id=strip_id,
    )


def _is_self_identifying(command: RecordOutcome) -> bool:
    """Say whether equal bytes prove the same strip: it carries number and date, or nothing of it could be read."""
    reading = command.reading
    if isinstance(reading, Unreadable):
        return True
    return isinstance(command.outcome, Rejected) and is_self_identifying(reading)


def _joined(db: Db, command: RecordOutcome, where: str, values: tuple[object, ...]) -> int | None:
    row = db.execute(f"SELECT id FROM stops WHERE state = 'open' AND {where} ORDER BY id LIMIT 1", values).fetchone()
    if row is None:
        return None
    db.execute("UPDATE stops SET repeats = repeats + 1, last_repeat_at = ? WHERE id = ?", (when(command.at), row[0]))
    return int(row[0])


# --- deliveries and series

_INSERT_DELIVERY = (
    "INSERT INTO deliveries (destination, lane, priority, result_id, version, format, control_id, state, attempts, born_at, first_attempt_at,"
    " last_code, after, is_head, rank, is_blocked, tables) VALUES (?,?,?,?,?,?,?,?,?,?,?,'',?,?,?,?,?)"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Made:
    """A delivery that was made: its row, whose id is not asked for yet, its state, its message, and whether its first try began with it."""

    row: SupportsInt
    state: DeliveryState
    message: Message | None
    begins: bool


def _insert_delivery(
    db: Db, new: NewDelivery, result: CodedResult, command: RecordOutcome, at: str | None, *, waits: bool
) -> _Made:
    message = new.message
    state = DeliveryState.QUEUED if message else DeliveryState.UNBORN
    is_head, rank = join_lane(db, new.destination, new.lane, new.priority)
    is_blocked = waits or (new.after is not None and not is_over(db, new.after))
    begins = new.begins and message is not None and is_head and not is_blocked and _is_newest(db, new.lease)
    row = db.insert(
        _INSERT_DELIVERY,
        (
            new.destination, new.lane, str(new.priority), result.result_id, result.version, str(message.format) if message else "",
            message.control_id if message else None, str(step(state, DeliveryEvent.BEGIN) if begins else state),
            int(begins), at, at if begins else None, new.after, int(is_head), rank, int(is_blocked), word_id(db, command.tables_digest),
        ),
    )  # fmt: skip
    if not (begins or waits):
        db.tell(f"destination:{new.destination}")
    return _Made(row=row, state=state, message=message, begins=begins)


def _is_newest(db: Db, lease: Lease | None) -> bool:
    if lease is not None:
        try:
            check_lease(db, lease)
        except LeaseLost:
            return False
    return True


def _noted(db: Db, at_us: int, made: _Made) -> int:
    """Keep the message of a delivery that was made, and note it; give its id."""
    delivery_id = int(made.row)
    if made.message is not None:
        db.append(KEEP_MESSAGE, (delivery_id, packed(made.message.payload)))
    note_own(db, at_us, OwnKind("delivery.made", "delivery", after=str(made.state)), delivery_id)
    return delivery_id


_BEGUN = OwnKind(
    f"delivery.{DeliveryEvent.BEGIN.name.lower()}",
    "delivery",
    str(DeliveryState.QUEUED),
    str(step(DeliveryState.QUEUED, DeliveryEvent.BEGIN)),
)


def _begun(db: Db, at: str | None, at_us: int, delivery_id: int) -> SupportsInt:
    """Note the try that began with a delivery; give its row, whose id is not asked for yet."""
    note_own(db, at_us, _BEGUN, delivery_id)
    return db.insert(NEW_ATTEMPT, (delivery_id, at))


def _advance_series(db: Db, command: RecordOutcome, arrived_at: str) -> None:
    """Remember the newest series of the analyzer and mode by printed time and by the next number; a copy, a resend or an older series moves nothing."""
    checked = _checked(command)
    if checked is None or isinstance(command.outcome, Copy):
        return
    left = left_by(checked, arrived_at=moment(arrived_at))
    if left is None:
        return
    db.execute(
        "INSERT INTO series (analyzer, mode, series, last_number, last_printed_at) VALUES (?,?,?,?,?)"
        " ON CONFLICT (analyzer, mode) DO UPDATE SET series = excluded.series, last_number = excluded.last_number,"
        " last_printed_at = CASE WHEN excluded.series = series.series AND excluded.last_printed_at < series.last_printed_at"
        " THEN series.last_printed_at ELSE excluded.last_printed_at END"
        " WHERE (excluded.series, coalesce(excluded.last_printed_at, ''), excluded.last_number)"
        " > (series.series, coalesce(series.last_printed_at, ''), series.last_number)"
        " OR (excluded.series = series.series AND excluded.last_number = series.last_number + 1)",  # bench/series.py: newer
        (checked.key.analyzer, checked.key.mode, left.series, left.last_number, when(left.last_printed_at)),
    )
