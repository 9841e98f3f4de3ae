"""A result that another strip of its specimen replaces: the withdrawal, and what waits for it, at every destination."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from bridge.store.apply_correction import correct_result
from bridge.store.apply_desk import close_stop
from bridge.store.commands import NewDelivery, RecordedCorrection, ReplaceResult
from bridge.store.database import Db
from bridge.store.lanes import behind, is_over

_WITHDRAWALS = (
    "SELECT d.destination, d.id, d.lane FROM replacements p JOIN corrections c ON c.id = p.correction_id"
    " JOIN deliveries d ON d.result_id = c.result_id AND d.version = c.withdrawn_version WHERE p.capture_id = ? AND p.idx = ? ORDER BY d.id"
)


def replace_result(db: Db, command: ReplaceResult) -> RecordedCorrection:
    """Withdraw the one and put the other to judging. Raises Overtaken or RefusedAction, and changes nothing then."""
    recorded = correct_result(db, command.withdraw)
    close_stop(db, command.end)
    db.execute(
        "INSERT INTO replacements (capture_id, idx, correction_id)"
        " SELECT s.capture_id, s.idx, CAST(? AS BIGINT) FROM stops t JOIN strips s ON s.id = t.strip_id WHERE t.id = ?",
        (recorded.correction_id, command.end.stop_id),
    )
    return recorded


def behind_withdrawals(db: Db, seat: tuple[int, int], deliveries: Sequence[NewDelivery]) -> Sequence[NewDelivery]:
    """Give the deliveries of a strip (capture id, index), each behind the withdrawal that it waits for at its destination, if there is one."""
    withdrawals = {destination: (number, lane) for destination, number, lane in db.execute(_WITHDRAWALS, seat).fetchall()}
    return [_behind(db, new, *withdrawals[new.destination]) if new.destination in withdrawals else new for new in deliveries]


def _behind(db: Db, new: NewDelivery, withdrawal: int, lane: str) -> NewDelivery:
    waits_elsewhere = lane != new.lane and not is_over(db, withdrawal)
    return replace(new, after=withdrawal, lane=behind(withdrawal, new.lane) if waits_elsewhere else new.lane)
