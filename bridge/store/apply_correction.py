"""CorrectResult: new versions of a result at every destination, each in its order; and the telephone calls about it."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.bench.gate import Seat
from bridge.errors import Overtaken, RefusedAction
from bridge.model import CodedResult, DeliveryState
from bridge.store.apply_additions import end_wait_of
from bridge.store.apply_look_back import settle_look_back
from bridge.store.apply_telling import OTHER_PATIENT, WITHDRAWN, Why, tell_again
from bridge.store.chains import has_left, may_be_there, set_aside
from bridge.store.codec import json_text, result_bytes, when
from bridge.store.commands import CorrectResult, RecordCall, RecordedCorrection
from bridge.store.database import Db
from bridge.store.interned import word_id
from bridge.store.lanes import behind, hold_lanes, is_over, join_lane, lane_behind
from bridge.store.statements import Change, first_said, note

_TRIED = frozenset({DeliveryState.SENDING, DeliveryState.RETRYING, DeliveryState.COMMITTED})
_REPLACEABLE = frozenset({DeliveryState.UNBORN, DeliveryState.QUEUED, DeliveryState.REFUSED, DeliveryState.EXPIRED})
_IN_DOUBT = frozenset({DeliveryState.UNSURE, DeliveryState.UNMADE})
# A strip's row but for its id, with what a correction writes anew
_COLUMNS = (
    "capture_id, idx, is_newest, outcome, analyzer, mode, series, number, purpose, priority, patient_printed, patient_id, specimen_id, operator,"
    " strip_type, strip_lot, analyzed_at, arrived_at, judged_at, record_digest, copy_of, result_id, findings, abnormal, place_start, place_end,"
    " tables, record_key, printed, accepted"
)
_ANEW = (
    "capture_id, idx, 1, ?, analyzer, mode, series, number, purpose, priority, patient_printed, ?, ?, operator,"
    " strip_type, strip_lot, analyzed_at, arrived_at, judged_at, record_digest, copy_of, ?, findings, abnormal, place_start, place_end,"
    " tables, record_key, printed, accepted"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Standing:
    """Where a result stands at one destination, as a new version finds it.

    ``lane`` and ``priority`` are its last delivery's. ``awaited``: what must be over before the new version goes, None for nothing.
    ``is_there``: the receiver has some version, or may have it. ``is_given_up``: a person gave it up there, and the receiver has nothing.
    """

    destination: str
    lane: str
    awaited: int | None
    is_there: bool
    is_given_up: bool


def correct_result(db: Db, command: CorrectResult) -> RecordedCorrection:
    """Put new versions on their way. Raises Overtaken or RefusedAction, and changes nothing then."""
    hold_lanes(db)  # nothing of it is sent or answered meanwhile
    strip_id = _standing_strip(db, command)
    standings = _standings(db, command)
    end_wait_of(db, command.correction.result_id)
    new_strip = _strip_anew(db, command, strip_id)
    seat = _seat(db, strip_id)
    if command.withdrawn is not None:  # who was told of a critical value was told of a result that does not stand
        why = WITHDRAWN if command.made is None else OTHER_PATIENT
        tell_again(db, seat, Why(reason=why, actor=command.correction.by, at=command.correction.at))
    correction_id = _keep(db, command)
    settle_look_back(db, command, seat, correction_id)
    if command.withdrawn is not None:
        _keep_result(db, command.withdrawn, new_strip if command.made is None else strip_id)
    if command.made is not None:
        _keep_result(db, command.made, new_strip)
    withdrawals, successors = [], []
    for standing in standings:
        before = standing.awaited
        if command.withdrawn is not None and standing.is_there:
            before = _deliver(db, command, command.withdrawn, standing, lane=standing.lane, after=before)
            withdrawals.append(before)
        if command.made is not None and not standing.is_given_up:
            successors.append(_deliver(db, command, command.made, standing, lane=command.lane, after=before))
    return RecordedCorrection(
        correction_id=correction_id, strip_id=new_strip, withdrawals=tuple(withdrawals), successors=tuple(successors)
    )


def _standing_strip(db: Db, command: CorrectResult) -> int:
    """Give the strip's row that the result is of. Raises Overtaken where the result does not stand as the person saw it."""
    of = command.correction
    row = db.execute(
        "SELECT r.version, s.id, s.outcome, s.is_newest, s.capture_id, s.idx, s.analyzer FROM results r JOIN strips s ON s.id = r.strip_id"
        f" WHERE r.result_id = ? ORDER BY r.version DESC LIMIT 1{db.for_update}",
        (of.result_id,),
    ).fetchone()
    if row is None or row[:1] != (of.version,) or row[2] != "coded" or not row[3] or _is_underway(db, *row[4:]):
        last = "SELECT actor FROM corrections WHERE result_id = ? ORDER BY id DESC LIMIT 1"
        by = db.execute(last, (of.result_id,)).fetchone()
        raise Overtaken(first_said(by[0] if by else "", "This result does not stand as you saw it any more. Look at it again."))
    return int(row[1])


def _seat(db: Db, strip_id: int) -> Seat:
    capture_id, index = db.execute("SELECT capture_id, idx FROM strips WHERE id = ?", (strip_id,)).fetchone()
    return int(capture_id), int(index)


def _is_underway(db: Db, capture_id: int, index: int, analyzer: str) -> bool:
    underway = "SELECT 1 FROM intake WHERE analyzer = ? AND ended_at IS NULL AND capture_id = ? AND (only_index = ? OR only_index IS NULL)"
    return db.execute(underway, (analyzer, capture_id, index)).fetchone() is not None


def _standings(db: Db, command: CorrectResult) -> list[_Standing]:
    """Give where the result stands at each destination, once what can be set aside is."""
    of = command.correction
    found = db.execute(
        f"SELECT id, destination, state, lane, after FROM deliveries WHERE result_id = ? ORDER BY id{db.for_update}",
        (of.result_id,),
    ).fetchall()
    doubtful = next((destination for _, destination, state, _, _ in found if state in _IN_DOUBT), None)
    if doubtful is not None:
        raise RefusedAction(
            f"After the restore nobody knows whether {doubtful} has this result. Settle that row among the rejected messages first, then come back."
        )
    standings = []
    for destination in dict.fromkeys(row[1] for row in found):
        of_destination = [row for row in found if row[1] == destination]
        tried = [number for number, _, state, _, _ in of_destination if state in _TRIED and has_left(db, number)]
        carried = [
            after
            for _, _, state, _, after in of_destination
            if state == DeliveryState.UNBORN and after and not is_over(db, after)
        ]
        for number, _, state, _, _ in of_destination:
            if state in _REPLACEABLE or (state == DeliveryState.RETRYING and number not in tried):
                set_aside(db, number, of.by, at=of.at)
        is_there = may_be_there(db, of.result_id, destination)
        *_, (_, _, last, lane, _) = of_destination
        standings.append(
            _Standing(
                destination=destination,
                lane=lane_behind(lane) or lane,
                awaited=max([*tried, *carried], default=None),
                is_there=is_there,
                is_given_up=last == DeliveryState.DISCARDED and not is_there,
            )
        )
    return standings


def _strip_anew(db: Db, command: CorrectResult, strip_id: int) -> int:
    """Write the strip's row anew, as re-judging would, so that lists and sums show what stands; give its id. Nothing is judged anew: that time stays."""
    made = command.made or command.withdrawn
    assert made is not None
    db.execute("UPDATE strips SET is_newest = 0, outcome = 'superseded' WHERE id = ?", (strip_id,))
    values = ("withdrawn" if command.made is None else "coded", made.patient_id, made.specimen_id)
    return int(
        db.insert(f"INSERT INTO strips ({_COLUMNS}) SELECT {_ANEW} FROM strips WHERE id = ?", (*values, made.result_id, strip_id))
    )


def _keep(db: Db, command: CorrectResult) -> int:
    of = command.correction
    new_row = db.insert(
        "INSERT INTO corrections (kind, result_id, version, new_result_id, new_version, withdrawn_version, fields, actor, verified, second, reason, at,"
        " is_critical, calls_by) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
        (
            str(of.kind), of.result_id, of.version, of.new_result_id, of.new_version, command.withdrawn.version if command.withdrawn else None,
            json_text(list(of.fields)), of.by.name, of.by.verified, of.second, of.reason, when(of.at), int(of.is_critical), when(of.calls_by),
        ),
    )  # fmt: skip
    new = int(new_row)  # a server's answer is taken once
    note(db, of.at, of.by, "result.changed", f"correction:{new}", Change(after=of.kind, reason=of.reason))
    return new


def _keep_result(db: Db, result: CodedResult, strip_id: int) -> None:
    db.execute(
        "INSERT INTO results (result_id, version, strip_id, content) VALUES (?,?,?,?)",
        (result.result_id, result.version, strip_id, result_bytes(result)),
    )


def _deliver(db: Db, command: CorrectResult, result: CodedResult, standing: _Standing, *, lane: str, after: int | None) -> int:
    """Make a delivery whose message is born once ``after`` is over; give its id. Behind another lane's it stands in none meanwhile."""
    is_blocked = after is not None and not is_over(db, after)
    if after is not None and is_blocked and _lane_of(db, after) != lane:
        lane = behind(after, lane)
    is_head, rank = join_lane(db, standing.destination, lane, result.priority)
    new_row = db.insert(
        "INSERT INTO deliveries (destination, lane, priority, result_id, version, format, control_id, state, attempts, born_at, last_code, after,"
        " is_head, rank, is_blocked, tables) VALUES (?,?,?,?,?,'',NULL,'unborn',0,?,'',?,?,?,?,?)",
        (
            standing.destination, lane, str(result.priority), result.result_id, result.version, when(command.correction.at), after,
            int(is_head), rank, int(is_blocked), word_id(db, result.tables_digest),
        ),
    )  # fmt: skip
    new = int(new_row)  # a server's answer is taken once
    db.tell(f"destination:{standing.destination}")
    note(
        db,
        command.correction.at,
        command.correction.by,
        "delivery.made",
        f"delivery:{new}",
        Change(after=DeliveryState.UNBORN),
    )
    return new


def _lane_of(db: Db, delivery_id: int) -> str:
    (lane,) = db.execute("SELECT lane FROM deliveries WHERE id = ?", (delivery_id,)).fetchone()
    return str(lane)


def record_call(db: Db, command: RecordCall) -> int:
    """Keep a call; give its id. Raises Overtaken where there is no such correction."""
    call = command.call
    if db.execute("SELECT 1 FROM corrections WHERE id = ?", (command.correction_id,)).fetchone() is None:
        raise Overtaken("There is no such correction any more. Look at the list again.")
    new_row = db.insert(
        "INSERT INTO calls (correction_id, unit, told, read_back, actor, verified, at) VALUES (?,?,?,?,?,?,?)",
        (command.correction_id, str(call.unit), call.told, int(call.read_back), call.by.name, call.by.verified, when(call.at)),
    )
    new = int(new_row)  # a server's answer is taken once
    after = "read back" if call.read_back else "not read back"
    note(db, call.at, call.by, "call.made", f"correction:{command.correction_id}", Change(after=after, reason=call.unit))
    return new
