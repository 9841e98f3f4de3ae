"""How the containers of strips stand: to which day each may be used, and whether one seems to have been left open."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum

from bridge.bench.containers import Span, last_day, spans
from bridge.bench.left_open import Suspicion, suspicion
from bridge.model import Container
from bridge.store.api import Store
from bridge.store.rows import ContainerRow
from bridge.tables.container_table import ContainerPolicy, LeftOpenRule
from bridge.tables.types import Tables

SOON_DAYS = 14  # ours: time to order or to fetch the next one
VERY_SOON_DAYS = 3  # ours: a long weekend
RECKONED_FOR = timedelta(minutes=10)  # ours: on Today the strips of open containers are not added up again with every look
LATE = timedelta(
    days=1
)  # ours: a strip that was read before its container was opened, by a slow clock, arrived no earlier than that


class Standing(StrEnum):
    """Whether a container may be used, in words for a technician."""

    GOOD = "in use"
    SOON = "in use, not for long any more"
    EXPIRED = "past its last day: take it away"
    OPEN_TOO_LONG = "open for too long: take it away"


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownContainer:
    """A container as it stands now. ``last`` is the last day on which its strips may be used, ``days_left`` 0 on that day; ``suspicion`` None: nothing to judge by.

    ``is_new_lot``: its lot is still to be accepted.
    """

    row: ContainerRow
    span: Span
    last: date
    days_left: int
    standing: Standing
    suspicion: Suspicion | None
    is_new_lot: bool

    @property
    def is_suspected(self) -> bool:
        """Say whether it seems to have been left open."""
        return self.suspicion is not None and self.suspicion.is_alarm

    @property
    def asks_for_a_look(self) -> bool:
        """Say whether somebody should look at it today."""
        return (
            self.is_new_lot
            or self.is_suspected
            or self.standing in {Standing.EXPIRED, Standing.OPEN_TOO_LONG}
            or self.days_left <= VERY_SOON_DAYS
        )


class ContainerBoard:
    """The containers in use. What is added up of their strips is kept for a while."""

    def __init__(self, store: Store, tables: Tables) -> None:
        self._store = store
        self._tables = tables
        self._reckoned: dict[int, tuple[datetime, Suspicion | None]] = {}

    def in_use(self, *, now: datetime, anew: bool = False) -> tuple[ShownContainer, ...]:
        """Give the containers in use, in the order of opening; none where the site asks for none. ``anew``: add up their strips now."""
        policy = self._tables.containers.policy
        if policy is None:
            return ()
        if anew:
            self._reckoned.clear()
        rows = [row for row in self._store.containers() if not row.is_mistake]
        by_lot, by_analyzer = _spans(rows, by_lot=True), _spans(rows, by_lot=False)
        return tuple(
            self._shown(row, (by_lot[number], by_analyzer[number]), policy, now)
            for row in rows
            for number in [row.container.container_id]
            if row.container.closed_at is None
        )

    def _shown(self, row: ContainerRow, own: tuple[Span, Span], policy: ContainerPolicy, now: datetime) -> ShownContainer:
        today = now.astimezone(policy.zone).date()
        last = last_day(row.container, policy.zone, self._tables.containers.open_days.get(row.strip_type))
        left = (last - today).days
        return ShownContainer(
            row=row,
            span=own[0],
            last=last,
            days_left=left,
            standing=_standing(left, is_expired=today > row.container.expires),
            suspicion=self._suspicion(row, own, now),
            is_new_lot=policy.new_lot is not None and not row.container.is_accepted,
        )

    def _suspicion(self, row: ContainerRow, own: tuple[Span, Span], now: datetime) -> Suspicion | None:
        rule = self._tables.containers.left_open
        if rule is None or row.strip_type not in self._tables.strip_types:
            return None
        reckoned = self._reckoned.get(row.container.container_id)
        if reckoned is None or now - reckoned[0] > RECKONED_FOR:
            reckoned = self._reckoned[row.container.container_id] = (now, self._reckon(row, own, rule))
        return reckoned[1]

    def _reckon(self, row: ContainerRow, own: tuple[Span, Span], rule: LeftOpenRule) -> Suspicion | None:
        """Judge its strips: those with its lot printed, and those of an analyzer that prints none, which are from whatever was opened last."""
        of_it = (
            each
            for lot, span in zip((row.container.strip_lot, ""), own, strict=True)
            for each in self._store.patient_readings(row.strip_type, lot, since=row.container.opened_at - LATE)
            if each.analyzer == row.analyzer and span.takes_in(each.read_at)
        )
        return suspicion(of_it, self._tables.strip_types[row.strip_type], rule)


def _standing(days_left: int, *, is_expired: bool) -> Standing:
    if is_expired:
        return Standing.EXPIRED
    if days_left < 0:
        return Standing.OPEN_TOO_LONG
    return Standing.SOON if days_left <= SOON_DAYS else Standing.GOOD


def _spans(rows: list[ContainerRow], *, by_lot: bool) -> dict[int, Span]:
    """Give the span of every container: those of one analyzer and strip type follow one another, and ``by_lot`` those of one lot."""
    chains: dict[tuple[str, str, str], list[Container]] = {}
    for row in rows:
        chains.setdefault((row.analyzer, row.strip_type, row.container.strip_lot if by_lot else ""), []).append(row.container)
    return {number: span for chain in chains.values() for number, span in spans(chain).items()}
