"""Lanes are kept, not reckoned: which delivery heads its lane stands in the rows, so that a look costs the same with a hundred thousand waiting.

Three columns of ``deliveries`` are kept in the transaction that moves a delivery:

- ``is_head``: the lane goes on with this one. It is the one that is being sent, else the oldest open one.
- ``rank``, of a head: 0 where its lane has an open STAT delivery, else 1.
- ``is_blocked``: the delivery named by ``after`` is not over; or there is none, and its result waits for additions (``apply_additions``).

What waits for a delivery of another lane stands in no lane meanwhile (``behind``), so that it holds up nobody's results; it joins its own
once it may go.

An older delivery that a person sends again goes by its number, so it heads its lane again; a younger one of the lane
that is being sent just then is let finish first.
"""

from __future__ import annotations

from dataclasses import dataclass

from bridge.lifecycle.states import OPEN_DELIVERY, OVER_DELIVERY
from bridge.model import DeliveryState, Priority
from bridge.store.database import Db


def opened(of: str = "") -> str:
    """Say that a delivery is open (lifecycle.states.OPEN_DELIVERY); ``of`` is the name of its table and a dot, where it needs one.

    State by state and not ``IN``: for a list of more than two SQLite makes a table of its own at each change of a row, for every
    partial index that asks.
    """
    return "(" + " OR ".join(f"{of}state = '{state}'" for state in ("unborn", "queued", "sending", "retrying", "committed")) + ")"


# As the partial indexes spell it: an index serves a query only where both say the same words.
OPEN = opened()
WAITING = f"is_head = 0 AND {OPEN}"  # behind the head of its lane
MAY_GO = "is_head = 1 AND is_blocked = 0 AND state IN ('queued', 'retrying')"

STAT_RANK = 0
ROUTINE_RANK = 1


@dataclass(frozen=True, kw_only=True, slots=True)
class Moved:
    """A delivery that has just gone from one state to another."""

    delivery_id: int
    destination: str
    lane: str
    before: str
    after: str


def hold_lanes(db: Db) -> None:
    """Let nobody else change lanes until this transaction ends.

    One hold for all lanes and not one each: a group of commands touches many, and two groups that hold them in different
    order would wait for each other. What may stand in front of a lane is then decided as if one process did everything.
    """
    db.hold("lanes")


def is_over(db: Db, delivery_id: int) -> bool:
    """Say whether a later version need not wait for a delivery any more; one that stopped is not over before a person has decided about it."""
    row = db.execute("SELECT state FROM deliveries WHERE id = ?", (delivery_id,)).fetchone()
    return row is None or row[0] in OVER_DELIVERY


_BEHIND = "after:"  # ours: no lane of a patient, specimen or analyzer begins so (render.plans.lane_of)


def behind(delivery_id: int, lane: str) -> str:
    """Give where a delivery waits that is to join ``lane`` once the delivery of another lane is over."""
    return f"{_BEHIND}{delivery_id}:{lane}"


def lane_behind(waiting: str) -> str | None:
    """Give the lane that a delivery at ``waiting`` (``behind``) is to join; None where it stands in a lane already."""
    return waiting.split(":", 2)[2] if waiting.startswith(_BEHIND) else None


def join_lane(db: Db, destination: str, lane: str, priority: Priority) -> tuple[bool, int]:
    """Give (is_head, rank) of a delivery that is about to be made at the end of its lane; a STAT one hurries the lane's head."""
    hold_lanes(db)
    rank = STAT_RANK if priority is Priority.STAT else ROUTINE_RANK
    head = db.execute(
        "SELECT id, rank FROM deliveries WHERE destination = ? AND lane = ? AND is_head = 1", (destination, lane)
    ).fetchone()
    if head is not None and rank < head[1]:
        db.execute("UPDATE deliveries SET rank = ? WHERE id = ?", (rank, head[0]))
    return head is None, rank


def keep_lane(db: Db, moved: Moved) -> None:
    """Make what is kept of lanes right after a move, with lanes held since before it."""
    was_open, is_open = moved.before in OPEN_DELIVERY, moved.after in OPEN_DELIVERY
    was_over, is_now_over = moved.before in OVER_DELIVERY, moved.after in OVER_DELIVERY
    if was_open is is_open and was_over is is_now_over and moved.before != DeliveryState.SENDING:
        return
    lane = (moved.destination, moved.lane)
    head, state, oldest, is_urgent, has_successors = db.execute(_LANE, (*lane * 4, moved.delivery_id)).fetchone()
    _set_head(db, head, state, oldest, is_urgent)
    if has_successors and was_over is not is_now_over:
        _block_successors(db, moved.delivery_id, is_blocked=not is_now_over)


def _block_successors(db: Db, delivery_id: int, *, is_blocked: bool) -> None:
    """Let go what waited for a delivery to be over, or let it wait again; tell the destinations of what may go."""
    blocking = "UPDATE deliveries SET is_blocked = ? WHERE after = ? RETURNING destination, id, lane"
    found = db.execute(blocking, (int(is_blocked), delivery_id)).fetchall()
    for destination, successor, waiting in found:
        lane = lane_behind(waiting)
        if lane is not None and not is_blocked:
            _join(db, successor, destination, lane)
    for destination in sorted({row[0] for row in found}):
        db.tell(f"destination:{destination}")


def _join(db: Db, delivery_id: int, destination: str, lane: str) -> None:
    """Let a delivery that stood in no lane join its own, at the place of its number."""
    db.execute("UPDATE deliveries SET lane = ?, is_head = 0 WHERE id = ?", (lane, delivery_id))
    head, state, oldest, is_urgent, _ = db.execute(_LANE, (*(destination, lane) * 4, delivery_id)).fetchone()
    _set_head(db, head, state, oldest, is_urgent)


# Of one lane (destination, lane): its head, the head's state, the oldest that waits behind it, whether an urgent one is open; and whether
# a certain delivery has successors, which costs less than to ask for it apart.
_OF_LANE = "FROM deliveries WHERE destination = ? AND lane = ? AND"
_LANE = (
    f"SELECT (SELECT id {_OF_LANE} is_head = 1), (SELECT state {_OF_LANE} is_head = 1), (SELECT min(id) {_OF_LANE} {WAITING}),"
    f" EXISTS (SELECT 1 {_OF_LANE} priority = 'stat' AND {OPEN}), EXISTS (SELECT 1 FROM deliveries WHERE after = ?)"
)


def _set_head(db: Db, head: int | None, state: str | None, oldest: int | None, is_urgent: int) -> None:
    is_kept = head is not None and state in OPEN_DELIVERY and (state == DeliveryState.SENDING or oldest is None or head < oldest)
    following = head if is_kept else oldest
    if head is not None and head != following:
        db.execute("UPDATE deliveries SET is_head = 0 WHERE id = ?", (head,))
    if following is not None:
        rank = STAT_RANK if is_urgent else ROUTINE_RANK
        db.execute("UPDATE deliveries SET is_head = 1, rank = ? WHERE id = ?", (rank, following))
