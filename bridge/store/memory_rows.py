"""What the in-memory twin keeps: a dict a table, frozen rows in them, so that a copy of the dicts is a state that stays as it was."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from bridge.accounts.envelope import Envelope
from bridge.accounts.people import Account, ApiKey, Session
from bridge.accounts.quick import Bench, Quick
from bridge.added import Addable, Addition
from bridge.bench.analyzer_life import KeptHappening
from bridge.bench.answered import GapAnswer
from bridge.bench.corrections import Call, Correction
from bridge.bench.day_log import KeptLine
from bridge.bench.gate import Gate, GateKey, Seat
from bridge.bench.hand_over import HandOver
from bridge.bench.look_back import Verdict
from bridge.bench.month import Action
from bridge.bench.registered import KeptRegistration
from bridge.bench.telling import Critical, Task
from bridge.lifecycle.pauses import Pause
from bridge.lifecycle.states import OPEN_DELIVERY, OVER_DELIVERY, DestinationState
from bridge.model import Actor, CodedResult, Decisions, DeliveryState, Message, Priority, SeriesState, StripContent
from bridge.signals.kinds import Kind
from bridge.signals.machine import Signal
from bridge.store.commands import CloseStop, EndWaiting
from bridge.store.rows import (
    AcceptedLot,
    AttemptRow,
    CaptureRow,
    ContainerRow,
    DaySignature,
    DeliveryRow,
    EventRow,
    GateEventRow,
    IntakeRow,
    LotShown,
    MonthSignature,
    MuteRow,
    OperatorShown,
    RefusedFileRow,
    SayRow,
    StopRow,
    StripRow,
    ToldStep,
    Verified,
)
from bridge.store.statements import Change, terms_noted


@dataclass(frozen=True, kw_only=True, slots=True)
class Strip:
    """A judged strip: its row, and what identity compares. ``content`` None where nothing was accepted."""

    row: StripRow
    content: StripContent | None
    patient_printed: str
    is_newest: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Sent:
    """A delivery: its row, its message once it is born, and what its order rests on."""

    row: DeliveryRow
    message: Message | None
    first_attempt_at: datetime | None
    after: int | None
    tables_digest: str

    @property
    def is_open(self) -> bool:
        """Say whether it holds its lane."""
        return self.row.state in OPEN_DELIVERY


@dataclass(frozen=True, kw_only=True, slots=True)
class Tried:
    """One attempt of a delivery."""

    delivery_id: int
    row: AttemptRow


@dataclass(frozen=True, kw_only=True, slots=True)
class Decided:
    """What a person decided about the reading with these bytes at this place."""

    place: tuple[int, int, str]  # capture, index, record digest
    decisions: Decisions
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Result:
    """A version of a result, and the strip that it is of."""

    strip_id: int
    content: CodedResult


@dataclass(frozen=True, kw_only=True, slots=True)
class Corrected:
    """What was done about a result, the version that takes it back (None for none), and the calls about it."""

    correction: Correction
    withdrawn_version: int | None
    calls: tuple[Call, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Doubted:
    """A result that left before a control failed, by its seat; ``verdict`` None while nobody has decided."""

    seat: Seat
    failed_by: Seat
    verdict: Verdict | None = None
    actor: Actor | None = None
    decided_at: datetime | None = None
    reason: str = ""
    correction_id: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Shift:
    """A run that is held, by the seats of its first and last strip; ``confirmed_by`` "" while it waits."""

    analyzer: str
    cause: str
    first: Seat
    last: Seat
    confirmed_by: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Added:
    """What a person added to the reading with these bytes at a seat."""

    seat: Seat
    record_digest: str
    addition: Addition


@dataclass(frozen=True, kw_only=True, slots=True)
class Awaited:
    """A result that waits, or waited, for additions, by the seat of its strip."""

    seat: Seat
    result_id: str
    version: int
    asks: tuple[Addable, ...]
    due_at: datetime
    holds: bool
    state: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Telling:
    """A critical result that somebody is to be told of, by the seat of its strip."""

    seat: Seat
    critical: Critical
    tables: str
    task: Task
    history: tuple[ToldStep, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Door:
    """A destination's state as it was last noted."""

    state: DestinationState
    reason: str
    since: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Alive:
    """A process that shares the store: what it wishes to work on, until when it counts as alive (None: for ever), how far it stands back."""

    wishes: frozenset[str]
    seen_until: datetime | None
    steps_back: Mapping[str, int]


@dataclass(kw_only=True)
class State:
    """Everything that was committed. Ids count from 1 within each dict and are never given again."""

    epoch: str
    next_number: int = 1
    captures: dict[int, CaptureRow] = field(default_factory=dict)
    origins: dict[str, int] = field(default_factory=dict)
    intake: dict[int, IntakeRow] = field(default_factory=dict)
    ended: set[int] = field(default_factory=set)  # pieces of judging work that are over
    strips: dict[int, Strip] = field(default_factory=dict)
    stops: dict[int, StopRow] = field(default_factory=dict)
    refused_files: dict[int, RefusedFileRow] = field(default_factory=dict)
    decided: list[Decided] = field(default_factory=list)
    results: dict[tuple[str, int], Result] = field(default_factory=dict)
    sent: dict[int, Sent] = field(default_factory=dict)
    control_ids: set[str] = field(default_factory=set)
    tried: dict[int, Tried] = field(default_factory=dict)
    events: list[EventRow] = field(default_factory=list)
    doors: dict[str, Door] = field(default_factory=dict)
    series: dict[tuple[str, str], SeriesState] = field(default_factory=dict)
    table_sets: dict[str, bytes] = field(default_factory=dict)
    plan_checks: dict[str, str] = field(default_factory=dict)
    gates: dict[GateKey, Gate] = field(default_factory=dict)
    gate_events: list[tuple[GateEventRow, bool | None]] = field(default_factory=list)  # with what it decided
    doubted: dict[int, Doubted] = field(default_factory=dict)
    replacements: dict[Seat, int] = field(default_factory=dict)
    added: list[Added] = field(default_factory=list)
    awaited: dict[int, Awaited] = field(default_factory=dict)
    corrections: dict[int, Corrected] = field(default_factory=dict)
    lots: dict[int, LotShown] = field(default_factory=dict)
    lots_out: set[int] = field(default_factory=set)
    operators: dict[int, OperatorShown] = field(default_factory=dict)
    operators_out: set[int] = field(default_factory=set)
    life: dict[int, KeptHappening] = field(default_factory=dict)
    registered: dict[int, KeptRegistration] = field(default_factory=dict)
    pauses: dict[str, Pause] = field(default_factory=dict)  # by destination
    hand_over: dict[int, HandOver] = field(default_factory=dict)
    accounts: dict[int, Account] = field(default_factory=dict)
    benches: dict[int, Bench] = field(default_factory=dict)
    quick_ways: dict[int, Quick] = field(default_factory=dict)
    sessions: dict[str, Session] = field(default_factory=dict)
    tries: dict[str, tuple[int, datetime]] = field(default_factory=dict)  # wrong ones in a row, and when the last was
    envelopes: dict[int, Envelope] = field(default_factory=dict)
    api_keys: dict[int, ApiKey] = field(default_factory=dict)
    day_log: dict[int, KeptLine] = field(default_factory=dict)
    gap_answers: list[GapAnswer] = field(default_factory=list)
    shifts: dict[int, Shift] = field(default_factory=dict)
    tellings: dict[int, Telling] = field(default_factory=dict)
    signed: list[DaySignature] = field(default_factory=list)
    actions: list[Action] = field(default_factory=list)
    signed_months: list[MonthSignature] = field(default_factory=list)
    containers: dict[int, ContainerRow] = field(default_factory=dict)
    accepted_lots: dict[tuple[str, str], AcceptedLot] = field(default_factory=dict)  # by strip type and lot
    signals: dict[int, Signal] = field(default_factory=dict)
    says: dict[int, SayRow] = field(default_factory=dict)
    last_digest: datetime | None = None
    mutes: dict[Kind, MuteRow] = field(default_factory=dict)
    verified: Verified | None = None
    leases: dict[str, tuple[str, int]] = field(default_factory=dict)  # name -> owner, token
    processes: dict[str, Alive] = field(default_factory=dict)

    def copy(self) -> State:
        """Give a state of its own that holds the same rows."""
        return State(**{name: value.copy() if hasattr(value, "copy") else value for name, value in vars(self).items()})

    def note(self, at: datetime, actor: Actor, what: str, subject: str, change: Change) -> None:
        """Append an event."""
        self.events.append(
            EventRow(
                at=at, actor=actor.name, verified=actor.verified, what=what, subject=subject, before=str(change.before),
                after=str(change.after), reason=change.reason,
            )
        )  # fmt: skip

    def note_terms(self, command: CloseStop | EndWaiting, subject: str) -> None:
        """Append what is noted beside an end: who agreed, and what becomes of the specimen."""
        for actor, what, change in terms_noted(command):
            self.note(command.at, actor, what, subject, change)

    def is_over(self, delivery_id: int | None) -> bool:
        """Say whether a delivery that another waits for holds it up no more: it was accepted, or set aside, or a person gave it up."""
        waited_for = self.sent.get(delivery_id) if delivery_id is not None else None
        return waited_for is None or waited_for.row.state in OVER_DELIVERY

    def heads(self, destination: str) -> dict[str, Sent]:
        """Give each lane's head: what is being sent, else the oldest that is open."""
        heads: dict[str, Sent] = {}
        for sent in self.sent.values():
            if sent.row.destination != destination or not sent.is_open:
                continue
            if sent.row.state is DeliveryState.SENDING or sent.row.lane not in heads:
                heads[sent.row.lane] = sent
        return heads

    def is_urgent(self, head: Sent) -> bool:
        """Say whether a STAT delivery stands in the head's lane."""
        return any(
            sent.is_open
            and sent.row.priority is Priority.STAT
            and (sent.row.destination, sent.row.lane) == (head.row.destination, head.row.lane)
            for sent in self.sent.values()
        )


def next_id(table: dict[int, Any]) -> int:
    """Give the id of a table's next row."""
    return len(table) + 1
