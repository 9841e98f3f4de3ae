"""What the store tells: one frozen row type per question. Times are aware, UTC."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from bridge.added import Addable, AddedFacts
from bridge.bench.containers import ContainerEnd
from bridge.bench.corrections import Call, Correction
from bridge.bench.gaps import NumberRun
from bridge.bench.gate import Gate, GateKey, Seat
from bridge.bench.look_back import Verdict
from bridge.bench.operators import Operator
from bridge.bench.telling import Critical, Said, Task
from bridge.lifecycle.states import DestinationState, StopGroup, StopState
from bridge.model import (
    Actor,
    Capture,
    CodedResult,
    Container,
    Decisions,
    DeliveryState,
    GateState,
    Message,
    Place,
    Priority,
    PriorResult,
    Purpose,
)
from bridge.signals.kinds import Kind


@dataclass(frozen=True, kw_only=True, slots=True)
class IntakeRow:
    """A piece of judging work of one analyzer, oldest first. ``only_index`` None: the whole capture.

    ``next_index`` is the first index not yet recorded (a crash may have left some done).
    ``because`` says why it is judged again, empty the first time.
    """

    intake_id: int
    capture_id: int
    analyzer: str
    profile: str
    only_index: int | None
    next_index: int
    because: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CaptureRow:
    """A kept capture with its id, its intake lane and the SHA-256 of its payload as it arrived. ``purged_at`` is set where the site's rule emptied its payload."""

    capture_id: int
    analyzer: str
    profile: str
    capture: Capture
    digest: str = ""
    purged_at: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class StripState:
    """What became of one strip of a capture, for its sender: ``outcome`` as StripRow's, and the open stop's rule and group, else "".

    Of a copy the stop is its original's. ``place_start`` is where in this capture the stop's cause stands. Nothing here tells of a patient.
    """

    index: int
    outcome: str
    result_id: str
    rule: str
    group: str
    place_start: int | None


@dataclass(frozen=True, kw_only=True, slots=True)
class CaptureState:
    """What became of a capture. ``digest`` is its SHA-256; ``is_judged``: nothing of it waits to be judged."""

    source: str
    digest: str
    is_judged: bool
    strips: tuple[StripState, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadingFacts:
    """What is known of a reading from its earlier interpretations. ``placed``: the number series that its newest was counted in, "" for none; ``added`` None: nothing."""

    decisions: Decisions
    prior: PriorResult | None
    placed: str = ""
    added: AddedFacts | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class LaneHead:
    """The next delivery that may be tried at a destination, with its whole message. ``is_urgent``: a STAT message waits in its lane."""

    delivery_id: int
    message: Message
    is_urgent: bool
    attempts: int
    born_at: datetime
    first_attempt_at: datetime | None


@dataclass(frozen=True, kw_only=True, slots=True)
class StopRow:
    """One row of the rejected-messages page. ``repeats`` counts further arrivals of the same record bytes.

    ``patient_id`` is as printed or corrected, "" where unknown; ``number`` as printed. ``purpose`` other than patient: what
    is printed in the patient's place is nobody's.
    ``destination`` and ``receiver_words`` are set for the refused group. ``releasable`` says that a
    person may send it in spite of the finding. ``delivery_id`` None unless refused; ``strip_id`` None for an unread file.
    ``owner`` is the name of who has taken it, "" while nobody has.
    ``closed_with`` names the second person where there was one; ``specimen`` is a ``SpecimenNext`` of a discarded patient's strip, else "".
    """

    stop_id: int
    group: StopGroup
    state: StopState
    rule: str
    sentence: str
    remedy: str
    place: Place | None
    opened_at: datetime
    repeats: int
    last_repeat_at: datetime | None
    source: str
    analyzer: str
    number: str
    patient_id: str
    purpose: Purpose
    priority: Priority
    releasable: bool
    rules: tuple[str, ...]
    capture_id: int | None
    index: int | None
    strip_id: int | None
    delivery_id: int | None
    destination: str
    receiver_words: str
    closed_at: datetime | None
    closed_by: str
    closed_how: str
    closed_reason: str
    closed_with: str = ""
    specimen: str = ""
    owner: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class StopSearch:
    """Which open stops are wanted; what is empty or None narrows nothing.

    ``analyzer`` is the analyzer, or the source of what could not be read. ``owner`` "" is nobody's. The times bound when they were opened,
    aware, in UTC: after ``opened_after``, and at ``opened_until`` or before.
    """

    group: StopGroup | None = None
    rule: str = ""
    priority: Priority | None = None
    analyzer: str = ""
    destination: str = ""
    owner: str | None = None
    opened_after: datetime | None = None
    opened_until: datetime | None = None


EVERY_STOP = StopSearch()


@dataclass(frozen=True, kw_only=True, slots=True)
class StopCount:
    """How many open stops are alike in all that a list is narrowed by, and when the oldest was opened. ``age`` counts the edges that they were not opened after."""

    group: StopGroup
    rule: str
    analyzer: str
    destination: str
    owner: str
    age: int
    count: int
    oldest: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class RefusedFileRow:
    """A file that was not captured, behind a stop: hash, size and beginning."""

    name: str
    digest: str
    size: int
    beginning: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class StripRow:
    """One judged strip. ``outcome``: coded, waiting, held, rejected, copy, non_patient, unreadable, discarded, withdrawn, superseded.

    ``findings`` is the stored list, (rule, severity, sentence). ``pads`` is (label, printed value, unit, abnormal) in
    strip order, abnormal None where unknown. ``purged_at`` is set where the site's rule emptied what names a patient or a value.
    """

    strip_id: int
    capture_id: int
    index: int
    outcome: str
    analyzer: str
    mode: str
    series: str
    number: str
    purpose: Purpose
    priority: Priority
    patient_id: str
    specimen_id: str
    operator: str
    strip_type: str
    strip_lot: str
    analyzed_at: datetime | None
    arrived_at: datetime
    judged_at: datetime
    copy_of: int | None
    result_id: str
    findings: tuple[tuple[str, str, str], ...]
    pads: tuple[tuple[str, str, str, bool | None], ...]
    place: Place
    record_digest: str
    tables_digest: str
    purged_at: datetime | None = None

    @property
    def has_gone(self) -> bool:
        """Say whether a result of it went on its way: a patient's, or a control's that a destination asked for."""
        return self.outcome in ("coded", "withdrawn") or (self.outcome == "non_patient" and bool(self.result_id))


@dataclass(frozen=True, kw_only=True, slots=True)
class AwaitedRow:
    """A result that waits, or waited, for what a person adds. ``state``: open, added (``added_by``), went (without), held, over."""

    awaited_id: int
    strip: StripRow
    result_id: str
    version: int
    asks: tuple[Addable, ...]
    due_at: datetime
    holds: bool
    state: str
    added_by: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class DeliveryRow:
    """One delivery with its state, without the payload. ``payload_digest`` is its SHA-256 once it was purged, else empty."""

    delivery_id: int
    destination: str
    result_id: str
    version: int
    control_id: str
    state: DeliveryState
    attempts: int
    born_at: datetime
    due_at: datetime | None
    accepted_at: datetime | None
    last_code: str
    lane: str
    priority: Priority
    payload_digest: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class AttemptRow:
    """One try: when, and what came of it; ``ended_at`` None while under way or cut by a crash."""

    started_at: datetime
    ended_at: datetime | None
    code: str
    text: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CorrectionRow:
    """What was done about a result, where its withdrawal stands at each destination, and the calls about it, oldest first."""

    correction_id: int
    correction: Correction
    withdrawals: tuple[tuple[str, DeliveryState], ...]
    calls: tuple[Call, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ResultRow:
    """One line of the results list. A control that was sent is one too; its ``patient_id`` is empty, whatever it printed.

    ``is_withdrawn``: it was taken back, and ``states`` are those of its withdrawal.
    """

    strip_id: int
    result_id: str
    version: int
    analyzer: str
    number: str
    patient_id: str
    purpose: Purpose
    priority: Priority
    analyzed_at: datetime
    judged_at: datetime
    abnormal: int
    states: tuple[tuple[str, DeliveryState], ...]
    is_withdrawn: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class ResultDetail:
    """A result with its strip, and its deliveries with their messages and attempts, oldest first. ``result`` None: it was purged."""

    strip: StripRow
    version: int
    result: CodedResult | None
    deliveries: tuple[tuple[DeliveryRow, Message, tuple[AttemptRow, ...]], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class EventRow:
    """One line of history. ``subject`` is like ``stop:12``; no patient identifiers."""

    at: datetime
    actor: str
    verified: str
    what: str
    subject: str
    before: str
    after: str
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class AuditRow:
    """One event of the audit trail, with its id, by which the trail is paged."""

    event_id: int
    event: EventRow


@dataclass(frozen=True, kw_only=True, slots=True)
class AuditSearch:
    """What is looked for in the audit trail: all that is given must hold. ``since`` (included) and ``until`` (not) are aware.

    ``what`` is what was done, of the acts of people and what they saw; what comes with every strip is found by strip and time.
    """

    who: str = ""
    what: str = ""
    strip_id: int | None = None
    since: datetime | None = None
    until: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class DestinationRow:
    """A destination's state and its queue: how much waits, since when; how much of what was made since a moment it has; how much stands turned away.

    ``is_tried``: something was sent to it once, or may have been since a backup, or it was found closed. Of one that never was nobody knows whether it answers.
    """

    name: str
    state: DestinationState
    reason: str
    since: datetime | None
    waiting: int
    oldest: datetime | None
    accepted: int
    refused: int
    is_tried: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class FlowRow:
    """What came of the last try at a destination, by its code, and how many results it received since a moment; ``is_at_least`` where there may be more."""

    destination: str
    last_code: str
    last_at: datetime | None
    received: int
    is_at_least: bool


class FoundBy(StrEnum):
    """What of a strip a text that was searched for is, in words."""

    PATIENT = "patient ID"
    PATIENT_PRINTED = "patient ID as printed, corrected since"
    SPECIMEN = "specimen"
    NUMBER = "strip number"
    CONTROL_ID = "control ID of a message"
    RUN_AT = "time at which it was run"
    TIME = "time of arrival"


@dataclass(frozen=True, kw_only=True, slots=True)
class FoundStrip:
    """A strip that was searched for, by which of its marks it was found, and the newest open stop of it."""

    kind: FoundBy
    strip: StripRow
    stop_id: int | None


@dataclass(frozen=True, kw_only=True, slots=True)
class NearNumber:
    """A number that arrived close to one that did not."""

    analyzer: str
    number: int
    arrived_at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class AnalyzerRow:
    """An analyzer's last sign of life and its work."""

    analyzer: str
    last_strip_at: datetime | None
    last_number: str
    waiting_to_be_judged: int


@dataclass(frozen=True, kw_only=True, slots=True)
class DayGroup:
    """Strips of one day that share a series and a fate, as (id, number), by id.

    ``rules`` are those that hold them, or that stopped a strip which the analyzer ended with an error; of all others they are empty.
    """

    analyzer: str
    mode: str
    series: str
    outcome: str
    purpose: Purpose
    rules: tuple[str, ...]
    strips: tuple[tuple[int, str], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class DaySent:
    """The strips of one day, by id, the newest version of whose result stands in one state with one destination."""

    destination: str
    state: DeliveryState
    strips: tuple[int, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class DayStrips:
    """Everything that the day tally adds up, of one day (by arrival, in the site's zone). ``last_accepted_at``: of its results, at any destination.

    ``runs`` are the day's numbers, with what stands before them whenever that arrived.
    """

    day: date
    groups: tuple[DayGroup, ...]
    sent: tuple[DaySent, ...]
    refused_files: int
    last_accepted_at: datetime | None
    runs: tuple[NumberRun, ...] = ()

    def of(self, outcome: str) -> tuple[int, ...]:
        """Give the strips of one outcome, by id."""
        return tuple(sorted(strip_id for group in self.groups if group.outcome == outcome for strip_id, _ in group.strips))


@dataclass(frozen=True, kw_only=True, slots=True)
class Verified:
    """What the last walk along every chain found, and when it ended. ``broken`` is the first thing that is not as it was written, "" for none.

    ``since`` is when it was found first to be as it is now: whole, or broken.
    """

    at: datetime
    since: datetime
    entries: int
    events: int
    broken: str


@dataclass(frozen=True, kw_only=True, slots=True)
class News:
    """What came since a page was opened: open stops and strips, counted; and the newest ids of both, 0 where there is none.

    ``standing`` is a mark of how receivers, pauses, signals and mutes stand: another one as soon as one of them stands otherwise.
    """

    stops: int
    strips: int
    last_stop: int
    last_strip: int
    standing: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Turns:
    """By which events stops became somebody's, nobody's or ended, by their ids; and the newest id of all events."""

    events: tuple[int, ...]
    last_event: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Old:
    """A stretch of old rows: the ids that may be purged, oldest first, and the last id that was looked at; None where nothing old follows."""

    ids: tuple[int, ...]
    last: int | None


# --- gates by controls


@dataclass(frozen=True, kw_only=True, slots=True)
class GateReading:
    """How the gate of a strip stands, how it stood when the strip was read, and what decided first after that (``bench.gate.in_doubt``)."""

    gate: Gate
    at_reading: GateState
    decided_next: bool | None


@dataclass(frozen=True, kw_only=True, slots=True)
class GateRow:
    """One gate as it was last moved, and how many strips wait for it."""

    key: GateKey
    gate: Gate
    waiting: int


@dataclass(frozen=True, kw_only=True, slots=True)
class GateEventRow:
    """Something that happened to a gate. ``capture_id`` 0: a person's word. ``run`` is a control's judgement as JSON, else "".

    ``decides``: True a whole set that counts, False a failure, None neither.
    """

    event_id: int
    key: GateKey
    at: datetime
    capture_id: int
    index: int
    what: str
    before: GateState
    after: GateState
    level: str
    run: str
    actor: str
    verified: str
    reason: str
    decides: bool | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlledSpan:
    """An analyzer and strip type whose controls were read, and when the first and the last thing happened to a gate of theirs."""

    analyzer: str
    strip_type: str
    first_at: datetime
    last_at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class MonthSignature:
    """Who signed a month's review, what it said then (``bench.month.content_of``) with its digest, and the statement that was signed."""

    signature_id: int
    analyzer: str
    strip_type: str
    month: date
    content: str
    digest: str
    statement: str
    remark: str
    by: str
    verified: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class LookBackShown:
    """A result that left before a control failed, with its strip; ``verdict`` None while nobody has decided.

    ``version`` is the newest of its result. ``correction`` is what a decision to correct or to withdraw started, and ``standing`` how that
    stands at each destination; None and empty for one that stands, or that nobody has done yet.
    """

    row_id: int
    strip: StripRow
    failed_capture_id: int
    failed_index: int
    verdict: Verdict | None
    actor: str
    verified: str
    decided_at: datetime | None
    reason: str
    version: int = 1
    correction: Correction | None = None
    standing: tuple[tuple[str, DeliveryState], ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class LotShown:
    """A lot that a person entered, in use. ``signed_by`` is "" while nobody signed it."""

    lot_id: int
    content: str
    entered_by: str
    entered_at: datetime
    signed_by: str
    signed_at: datetime | None


# --- numbers


@dataclass(frozen=True, kw_only=True, slots=True)
class ShiftShown:
    """A run that is held for what went missing inside it (``cause``), with the strips that still wait for it, as they were read."""

    shift_id: int
    analyzer: str
    cause: str
    last: Seat
    strips: tuple[StripRow, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class DaySignature:
    """A day's sheet as somebody signed it; ``content`` is its figures as they stood then."""

    signature_id: int
    day: date
    content: str
    by: str
    verified: str
    at: datetime
    remark: str


# --- telling


@dataclass(frozen=True, kw_only=True, slots=True)
class ToldStep:
    """Something that happened to a task of telling, and who wrote it down when."""

    said: Said
    at: datetime
    actor: str
    verified: str


@dataclass(frozen=True, kw_only=True, slots=True)
class TellingShown:
    """A critical result that somebody is to be told of, was told of, or that was closed.

    ``strip`` is as it stands now. ``tables`` is the digest of the table set that the rule is of. ``history`` is oldest first.
    """

    telling_id: int
    critical: Critical
    task: Task
    strip: StripRow
    tables: str
    history: tuple[ToldStep, ...]


# --- containers and lots of strips


@dataclass(frozen=True, kw_only=True, slots=True)
class ContainerRow:
    """A container as it was entered for an analyzer. ``closed_how`` None and ``closed_by`` "" while it is in use."""

    analyzer: str
    strip_type: str
    container: Container
    entered_by: str
    entered_at: datetime
    closed_by: str
    closed_how: ContainerEnd | None

    @property
    def is_mistake(self) -> bool:
        """Say whether it was entered by mistake, and counts for nothing."""
        return self.closed_how is ContainerEnd.MISTAKE


@dataclass(frozen=True, kw_only=True, slots=True)
class AcceptedLot:
    """Who accepted a lot of strips, when, and what for; ``signed_by`` "" while a second person has still to sign.

    The same name twice: accepted by one person alone, before a second was asked for.
    """

    accepted_by: str
    accepted_at: datetime
    reason: str
    signed_by: str
    signed_at: datetime | None


@dataclass(frozen=True, kw_only=True, slots=True)
class OperatorShown:
    """An entry of the register of operators that is in force."""

    operator_id: int
    operator: Operator
    entered_by: str
    entered_at: datetime


# --- signals


class SayState(StrEnum):
    """What became of something to be said. ``dropped``: a newer word took its place, or there was nothing to tell any more."""

    DUE = "due"
    SAID = "said"
    GIVEN_UP = "given up"
    DROPPED = "dropped"


@dataclass(frozen=True, kw_only=True, slots=True)
class SayRow:
    """Something said of a signal by one way, or to be said from ``due_at`` on. ``what``: a machine.What, or "test" or "digest" with ``signal_id`` None.

    ``fault`` is why the last of ``tries`` did not go, "" for none. ``actor`` is who asked for a test.
    """

    say_id: int
    signal_id: int | None
    way: str
    what: str
    headline: str
    text: str
    at: datetime
    state: SayState
    due_at: datetime | None
    tries: int
    ended_at: datetime | None
    fault: str
    actor: str


@dataclass(frozen=True, kw_only=True, slots=True)
class MuteRow:
    """A kind of signals of which nothing is said until then, by whom and why."""

    kind: Kind
    until: datetime
    by: Actor
    at: datetime
    reason: str
