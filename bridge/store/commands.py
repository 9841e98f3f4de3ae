"""What the store can be told to do: frozen values, each one transaction, all or nothing.

Every command appends its events in the same transaction. Results are what the
future of ``Store.submit`` gives once the commit is durable.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from bridge.bench.answered import GapAnswer
from bridge.bench.containers import ContainerEnd
from bridge.bench.corrections import Call, Correction
from bridge.bench.gate import ControlRead, GateKey, PatientRead, Seat, Word
from bridge.bench.operators import Operator
from bridge.bench.telling import Critical, Said
from bridge.lifecycle.states import DestinationState, SpecimenNext, StopEnd
from bridge.model import (
    Acknowledgement,
    Actor,
    Capture,
    CodedResult,
    DeliveryState,
    Message,
    Outcome,
    Priority,
    Reading,
    Unreadable,
)
from bridge.signals.kinds import Kind
from bridge.signals.machine import Signal, What
from bridge.store.account_commands import (
    BeginTry,
    EndKey,
    EndSession,
    EnterKey,
    KeepAccount,
    LockSession,
    MakeSure,
    NoteAccess,
    OpenSession,
    TouchSession,
)
from bridge.store.addition_commands import AddedWrite, AddToHeld, AddToResult, EndAwaiting
from bridge.store.audit_commands import NoteVerified
from bridge.store.digest_commands import KeepDigest
from bridge.store.envelope_commands import LookIntoEnvelope, OpenEnvelope, SealEnvelope
from bridge.store.life_commands import EndRegistration, NoteDayLog, NoteLife, RegisterId, SignRegistration
from bridge.store.quick_commands import EndBench, KeepQuick, MarkBench, OpenBench
from bridge.store.stop_commands import AssignStop, NoteStop
from bridge.store.today_commands import CloseNote, LeaveNote, PauseDestination, ResumeDestination
from bridge.tables.control_table import GatePolicy


@dataclass(frozen=True, kw_only=True, slots=True)
class Lease:
    """The right to work on ``name`` alone (``analyzer:X``, ``source:X``, ``destination:X``). ``token`` rises whenever the owner changes.

    A command that carries a lease is done only while it is the newest one of its name: else it changes nothing and raises LeaseLost.
    """

    name: str
    token: int


@dataclass(frozen=True, kw_only=True, slots=True)
class HoldLeases:
    """One heartbeat: stay alive, free what dead processes held, take a fair share of what is free. Gives HeldLeases.

    ``wishes`` are names, or all of a kind (``lifecycle.sharing.every``); ``steps_back`` by name how far this process stands back from
    some of them (``lifecycle.sharing.StepsBack``). ``wound_up`` are names to give back, on which this process works no more.
    ``length_s`` None: the store is this process's alone; leases of others are void and its own do not run out.
    ``at`` is the time where the database has no clock of its own.
    """

    owner: str
    roles: frozenset[str]
    host: str
    pid: int
    wishes: frozenset[str]
    wound_up: frozenset[str]
    length_s: float | None
    at: datetime
    steps_back: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class HeldLeases:
    """What a heartbeat left a process with, by name. ``give_back`` names those that it should wind up and give back.

    ``next_end_s``: seconds until the leases of another process run out unless it renews them; None where no other is there.
    """

    held: tuple[Lease, ...]
    give_back: frozenset[str]
    next_end_s: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class LeaveLeases:
    """Give everything back: a process ends in peace, and others need not wait for its leases to run out. Gives None."""

    owner: str


@dataclass(frozen=True, kw_only=True, slots=True)
class KeepCapture:
    """Keep a capture and put it to judging. Gives the capture's id (int).

    ``analyzer`` is the intake lane. ``origin`` is a key of the file, the message or the post: a capture that was kept
    under the same non-empty origin before (a crash between commit and move, a lost answer) is not kept twice; its id is given,
    and what a sender sent once more is counted. ``entered_by`` is who entered it in a form of ours; None where it came by a wire or a file.
    """

    capture: Capture
    analyzer: str
    profile: str
    origin: str = ""
    lease: Lease | None = None
    entered_by: Actor | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class KeepRun:
    """Keep captures that came one behind the other over one line, all or none. Gives their ids in order (tuple of int)."""

    captures: tuple[Capture, ...]
    analyzer: str
    profile: str
    lease: Lease | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class NoteRefusedFile:
    """A file that was not captured (too large, not a plain file): name, hash, size, first bytes. Gives its stop id."""

    source: str
    name: str
    digest: str
    size: int
    beginning: bytes
    sentence: str
    remedy: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class NewDelivery:
    """A delivery to make. ``message`` None: not born yet (its destination is shut, or ``after`` is not over).

    ``begins``: its first try begins with it, if it may (as BeginAttempt) and ``lease``, the one of its destination, is the newest
    of its name; else it is queued, and nothing else is different.
    """

    destination: str
    lane: str
    priority: Priority
    message: Message | None
    after: int | None = None
    begins: bool = False
    lease: Lease | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class GateWrite:
    """What a strip does to its gate, by the policy under which it was judged. ``run`` is a control's judgement as JSON, "" for a patient's strip.

    ``counts`` False: a patient's strip that is judged again, and was counted the first time.
    """

    key: GateKey
    what: ControlRead | PatientRead
    policy: GatePolicy
    run: str = ""
    counts: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class ShiftWrite:
    """A strip that is held for its run: ``begins`` says that it is the first one, else it joins the analyzer's last such run."""

    cause: str
    begins: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class TellWrite:
    """The critical rules that a strip meets, of which somebody is to be told.

    ``repeat``: where somebody was told of the same patient and rule within so long, that of a strip that may go is closed as a repeat.
    """

    met: tuple[Critical, ...]
    repeat: timedelta


@dataclass(frozen=True, kw_only=True, slots=True)
class RecordOutcome:
    """What judging made of one reading: the strip, its stop, its result and its deliveries.

    ``intake_id`` is the piece of judging work; ``ends_intake`` says that this was its last reading.
    ``outcome`` is None for an Unreadable. ``deliveries`` holds one a destination for a Coded outcome, one for each that asks for
    controls for a NonPatient with a result, else none.
    An earlier interpretation of the same (capture, index) is superseded and no longer counts for
    identity. Gives a RecordedOutcome.

    Raises Overtaken, and changes nothing, where the piece of work is over or has gone past this reading: who is not sure
    whether an earlier commit happened looks at the work again.

    ``gate`` is set where the site has a gate policy and the strip concerns it: a control moves its gate in this transaction, once a
    reading, lists what must be looked at again if it failed, and puts what waited to judging if it opened; a Waiting strip whose gate
    has opened meanwhile is put to judging at once.

    ``shift`` is set for a strip that is held for what went missing in its run, the first time that it is judged. Where the run was confirmed
    meanwhile the strip is put to judging again at once.

    ``tell`` is set where the strip meets critical rules, whatever became of it: a task opens for each, once a strip. One that was judged before
    and is not any more what somebody was told, or is to be told, has its tasks changed or opened again.

    ``added`` is set where the site asks for additions and the strip concerns them: a result that waits for some gets no message before they
    came, or before its time is over. Its ``deliveries`` have none then.

    A Rejected reading that carries its own number and date, or an Unreadable, joins an open stop of the same record
    bytes and rule as a repeat instead of opening a new one; so does a Copy of a strip that is still stopped.
    """

    intake_id: int
    capture_id: int
    reading: Reading | Unreadable
    outcome: Outcome | None
    deliveries: tuple[NewDelivery, ...]
    tables_digest: str
    at: datetime
    ends_intake: bool
    gate: GateWrite | None = None
    shift: ShiftWrite | None = None
    tell: TellWrite | None = None
    lease: Lease | None = None
    added: AddedWrite | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class BearMessage:
    """Give an unborn delivery its message; it is queued. Gives None; raises Overtaken where a person has ended it meanwhile."""

    delivery_id: int
    message: Message
    at: datetime
    lease: Lease | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class WithholdDelivery:
    """End an unborn delivery of a control whose destination's settings ask for none any more. Gives None; Overtaken as BearMessage."""

    delivery_id: int
    at: datetime
    lease: Lease | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class EndIntake:
    """A capture that holds no reading at all and no fault (an empty session): judging is over."""

    intake_id: int
    at: datetime
    lease: Lease | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class RecordedOutcome:
    """The ids that a RecordOutcome gave; ``delivery_ids`` in the order given. ``stop_id`` None if it may go.

    ``attempts`` holds for each delivery the id of the try that began with it, None where none did.
    ``repeat`` says that it joined an open stop of the same record bytes instead of opening a new one.
    """

    strip_id: int
    stop_id: int | None
    delivery_ids: tuple[int, ...]
    attempts: tuple[int | None, ...]
    repeat: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class BeginAttempt:
    """Durably note that a try begins, before the first byte leaves. Gives the attempt's id (int), or None if it may not begin now.

    It may not if the delivery is not ``queued`` or ``retrying``, is not the head of its lane, or its
    ``after`` is not over. While another of the lane is being sent, that one is the head.
    """

    delivery_id: int
    at: datetime
    lease: Lease | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class RecoverDeliveries:
    """Make due again what was being sent to a destination when its owner ended, under the same identity and bytes. Gives how many (int)."""

    destination: str
    at: datetime
    lease: Lease | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class EndAttempt:
    """Note what came of the try. Gives the delivery's new state (DeliveryState).

    ``attempt`` is the id that BeginAttempt gave. Where that attempt is over already nothing changes and the delivery's state as it
    is comes back, so that who is not sure whether a commit happened may say it again. ValueError if there is no such attempt.
    ``due_at`` is when to try again, for an answer that says so; of a committed one, until when its answer is waited for. ``expire`` ends the tries.
    A refused or expired delivery opens a stop with ``sentence`` and ``remedy``. ``has_time``: nothing waits for it, so it may wait a few
    milliseconds for others to share its commit; after a crash in that time the message goes again under the same identity.
    """

    delivery_id: int
    attempt: int
    at: datetime
    acknowledgement: Acknowledgement
    due_at: datetime | None = None
    expire: bool = False
    sentence: str = ""
    remedy: str = ""
    lease: Lease | None = None
    has_time: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class HurryWaiting:
    """Make due at ``at`` what waits for another try at ``destination`` and would wait beyond ``beyond``. Gives how many (int).

    No wait is that long: the clock was set back since it was reckoned. With ``answers_until`` nothing committed is waited for beyond
    that; where the clock ``was_set`` all of it is waited for until then, and not by a time that the step ended or moved away.
    """

    destination: str
    beyond: datetime
    at: datetime
    answers_until: datetime | None = None
    was_set: bool = False
    lease: Lease | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class NoteAnswer:
    """Note an answer that came apart from its try: after the receiver had committed, or to an earlier try. Gives a NotedAnswer, or None.

    It is the answer to the delivery of ``destination`` whose message is ``control_id``; None if there is no such one. It counts
    for a delivery that nobody has settled (``lifecycle.states.UNSETTLED_DELIVERY``), and as a no for one whose yes was silence;
    for any other it becomes an event and changes nothing. While a try is under way nothing is kept of it (state SENDING): what the try's
    end says would be noted after it, and it would be forgotten; so it is to be brought again then. A yes closes the stop that was opened for want of it. ``due_at``,
    ``sentence`` and ``remedy`` are as in EndAttempt.
    """

    destination: str
    control_id: str
    at: datetime
    acknowledgement: Acknowledgement
    due_at: datetime | None = None
    sentence: str = ""
    remedy: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class NotedAnswer:
    """Where a delivery stands after an answer that came apart; ``counts`` says whether the answer moved it."""

    delivery_id: int
    state: DeliveryState
    counts: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class EndWait:
    """End the wait for the answer to a committed delivery. Gives its state; one that is not committed any more stays as it is.

    ``is_yes``: the receiver answers errors only, and none came; else a stop opens with ``sentence`` and ``remedy``.
    """

    delivery_id: int
    at: datetime
    is_yes: bool
    sentence: str
    remedy: str


@dataclass(frozen=True, kw_only=True, slots=True)
class SetDestination:
    """Note that a destination opened, closed or was shut, with the reason. Gives None."""

    name: str
    state: DestinationState
    reason: str
    at: datetime
    lease: Lease | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class CloseStop:
    """End an open stop by a named person. Gives None; raises Overtaken if it is not open any more.

    ``patient_id`` (ID_CORRECTED), ``analyzed_at`` (TIME_CORRECTED) and ``accept_rules`` (RELEASED) become decisions of the reading, and
    it is judged again; READ_AGAIN judges it again with the current profile (the whole capture, where the stop is of
    an Unreadable: a corrected profile may cut it otherwise); SENT_AGAIN queues the same
    message again; DISCARDED ends the strip or the delivery. ``second`` is the name of a second person who agreed ("" where none was asked for),
    noted in that person's name too; ``specimen`` says what becomes of the specimen of a patient's strip that is DISCARDED.
    """

    stop_id: int
    end: StopEnd
    actor: Actor
    reason: str
    at: datetime
    patient_id: str = ""
    accept_rules: frozenset[str] = frozenset()
    analyzed_at: datetime | None = None
    second: str = ""
    specimen: SpecimenNext | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class SayOfGate:
    """Keep a named person's word on a gate, and move it. Gives None; raises Overtaken where the gate has no use for it now.

    Where it opens the gate, what waited is put to judging.
    """

    key: GateKey
    word: Word
    policy: GatePolicy


@dataclass(frozen=True, kw_only=True, slots=True)
class EndWaiting:
    """End the waiting of one strip by a named person: RELEASED judges it again in spite of its controls, DISCARDED gives it up. Gives None.

    Raises Overtaken where it does not wait any more, or is being judged again already. ``second`` and ``specimen`` as of CloseStop.
    """

    strip_id: int
    end: StopEnd
    actor: Actor
    reason: str
    accept_rules: frozenset[str]
    at: datetime
    second: str = ""
    specimen: SpecimenNext | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class JudgeWaiting:
    """Put every strip that waits for controls to judging, since the site lets none wait any more. Gives how many there are (int)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LetStand:
    """Keep that a result stands which left before a control failed. Gives None; raises Overtaken where somebody has decided about it."""

    row_id: int
    actor: Actor
    reason: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class EnterLot:
    """Keep a lot of control material as a person typed it (``content``: a controls_document.LotRow as JSON). Gives its id (int)."""

    content: str
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class SignLot:
    """Keep a second person's signature of a lot. Gives None.

    Raises RefusedAction for the name of who entered it, Overtaken where it was signed or taken out already.
    """

    lot_id: int
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class CloseLot:
    """Take a lot out of use: no control is judged by it any more. Gives None; raises Overtaken where it was taken out already."""

    lot_id: int
    actor: Actor
    reason: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class EnterOperator:
    """Keep whose a number is at an analyzer. Gives the entry's id (int); raises RefusedAction where the number is another's on one of the days."""

    operator: Operator
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenContainer:
    """Keep that a container of strips was opened at an analyzer. Gives its id (int).

    Controls come due again there by ``policy`` (None: the site has no gate), unless every level has passed on strips read since
    ``opened_at``. What is held for nothing but an unknown container of this lot is put to judging again.
    Raises RefusedAction where the lot has another last day already.
    """

    analyzer: str
    strip_type: str
    strip_lot: str
    expires: date
    opened_at: datetime
    policy: GatePolicy | None
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class CloseContainer:
    """Take a container out of use. Gives None; raises Overtaken where it is out already."""

    container_id: int
    how: ContainerEnd
    actor: Actor
    reason: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class AcceptLot:
    """Keep that a person accepts a lot of strips, and why; it counts once a second one has signed. Gives None.

    Raises Overtaken where somebody has accepted it already.
    """

    strip_type: str
    strip_lot: str
    actor: Actor
    reason: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class SignAcceptedLot:
    """Keep that a second person signs that a lot of strips is accepted. What is held for nothing but its new lot is put to judging again. Gives None.

    Raises RefusedAction for who accepted it, Overtaken where nobody has, or it is signed.
    """

    strip_type: str
    strip_lot: str
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class EndOperator:
    """Take an entry of the register out of force. Gives None; raises Overtaken where it is out already."""

    operator_id: int
    actor: Actor
    reason: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class WithdrawLot:
    """Take back that a lot is accepted. Gives None; raises Overtaken where it is not. What was sent stays sent."""

    strip_type: str
    strip_lot: str
    actor: Actor
    reason: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class AnswerGap:
    """Keep what a person says of missing numbers. Gives None; raises Overtaken where any of them is accounted for, or the same was said."""

    answer: GapAnswer


@dataclass(frozen=True, kw_only=True, slots=True)
class ConfirmRun:
    """Let a held run go, whose first and last strip a person has compared. Gives how many strips are judged again (int).

    ``last`` is the seat of the last one that the person saw. Raises Overtaken where the run was confirmed, or has grown since.
    """

    shift_id: int
    last: Seat
    actor: Actor
    reason: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class SayOfTelling:
    """Keep what was done about a critical result, or that its time to be told ran out. Gives None.

    ``steps`` is how many the person saw. Raises Overtaken where there are more by now, or such a step may not follow.
    """

    telling_id: int
    steps: int
    said: Said
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class SignDay:
    """Keep a person's signature of a day's sheet, as its figures stood (``content``: pages.day_sheet.figures). Gives its id (int)."""

    day: date
    content: str
    actor: Actor
    remark: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class NoteAction:
    """Keep the corrective action that a person wrote beside a control that failed (``line_id``: of the gate's history). Gives None.

    Raises RefusedAction where that line is no failure.
    """

    line_id: int
    text: str
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class SignMonth:
    """Keep a person's signature of a month's review as it stood (``content``: bench.month.content_of). Gives its id (int)."""

    analyzer: str
    strip_type: str
    month: date
    content: str
    digest: str
    statement: str
    remark: str
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class CorrectResult:
    """Put what a person did about a result on its way. Gives a RecordedCorrection.

    ``made`` is the version that stands now (of a moved result the first of another result), ``lane`` its lane; ``withdrawn`` the version
    that takes the old one back, sent only where a receiver has it or may have it, and before ``made``. At each destination what has not been
    tried is set aside, and what was tried without an answer is waited for. The strip's row is written anew with what was corrected.
    ``look_back`` is the row of a look-back that this decides; a withdrawal decides the strip's own without being told.

    Raises Overtaken where ``correction`` is not of the newest version of a result that stands or somebody decided about the row, RefusedAction where a restore left in
    doubt whether a receiver has it.
    """

    correction: Correction
    made: CodedResult | None
    lane: str
    withdrawn: CodedResult | None
    look_back: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ReplaceResult:
    """Withdraw a result and let a held strip of the same specimen go in its place (``end`` ends that strip's stop). Gives a RecordedCorrection.

    What the strip sends waits, at each destination, until the withdrawal is over there. Raises as CorrectResult and CloseStop do, and
    changes nothing then.
    """

    withdraw: CorrectResult
    end: CloseStop


@dataclass(frozen=True, kw_only=True, slots=True)
class RecordedCorrection:
    """The ids that a CorrectResult gave; deliveries by destination, in the order in which they were made."""

    correction_id: int
    strip_id: int
    withdrawals: tuple[int, ...]
    successors: tuple[int, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class RecordCall:
    """Keep a telephone call about a correction. Gives its id (int); raises Overtaken where there is no such correction."""

    correction_id: int
    call: Call


@dataclass(frozen=True, kw_only=True, slots=True)
class KeepTables:
    """Keep a loaded table set, so that every result stays explainable. Gives None.

    ``content`` is canonical JSON and ``digest`` its SHA-256; ValueError if it is not.
    """

    digest: str
    content: bytes
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class KeepPlanCheck:
    """Keep what the oracles said of one plan (by digest). ``fault`` is empty when it passed. Gives None."""

    digest: str
    fault: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class ReserveNumbers:
    """Move the durable high-water mark by ``count``. Gives the first number of the block (int).

    ``epoch`` is the one under which they are to be given; raises StoreFailed where the store has another by now: it was restored
    beside a process that had it open already.
    """

    count: int
    epoch: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class PurgeCaptures:
    """Purge captures, and with ``results`` everything of their strips that names a patient or a value. Gives how many rows changed (int).

    What is open when it is done is left as it is: a capture with work, a stop or an unfinished delivery.
    """

    capture_ids: tuple[int, ...]
    results: bool
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class PurgeFiles:
    """Purge the beginnings of files that were not taken, where their row was closed and is older than ``before``. Gives how many (int)."""

    before: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class PurgeEvents:
    """Purge events by id that are older than ``before``. Gives how many (int). Those of anything open are left as they are.

    They go by whole entries of the chain (chain.py): ``event_ids`` in rising order inside an entry, as ``old_events`` gives them.
    """

    event_ids: tuple[int, ...]
    before: datetime
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Sight:
    """That a person saw, or asked for, something that may name a patient: which ``page`` (a word of ours), of what, and from which address.

    ``subject`` is like ``strip:12``, ``result:ID`` or ``list``; ``is_asked``: the person asked for something to be done, and ``address`` says what
    became of it too. Never what was shown, nor what was searched for.
    """

    at: datetime
    actor: Actor
    page: str
    subject: str
    address: str
    is_asked: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class NoteSights:
    """Append what people saw, oldest first. Gives None."""

    sights: tuple[Sight, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class SealAudit:
    """Append an entry that names the newest entry of every writer. Gives it (chain.Head), None where all was sealed before."""

    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class TrustClock:
    """Note that the clock, by which the purge counts days, was held to be right at ``at``. Gives None."""

    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class NewSay:
    """Something to be said of a signal by one way, from ``due_at`` on. ``headline`` and ``text`` name no patient."""

    way: str
    what: What
    headline: str
    text: str
    due_at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class KeepSignals:
    """Keep signals as one look left them, each with what is to be said of it. Gives their ids; 0 for one that somebody changed meanwhile.

    What was due by the same way of the same signal, and was not said yet, is dropped. That a signal ended is said only by ways that said it before.
    """

    signals: tuple[tuple[Signal, tuple[NewSay, ...]], ...]
    at: datetime
    lease: Lease | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class NoteSaid:
    """Note what came of a try to say something: ``fault`` "" for said. With ``due_at`` it is tried again then; without, given up. Gives None."""

    say_id: int
    at: datetime
    fault: str = ""
    due_at: datetime | None = None
    lease: Lease | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class KeepTest:
    """Keep what came of a test by one way: ``fault`` "" for said. Gives its id (int)."""

    way: str
    headline: str
    fault: str
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class AcknowledgeSignal:
    """Note that a person has a signal in hand. Gives None; raises Overtaken where it is acknowledged or ended already."""

    signal_id: int
    actor: Actor
    reason: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class NoteOnSignal:
    """Keep a person's note in the history of a signal. Gives None; raises Overtaken where there is no such signal."""

    signal_id: int
    actor: Actor
    text: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class MuteSignals:
    """Say nothing of a kind of signals until then; a time that is over ends it. Gives None."""

    kind: Kind
    until: datetime
    actor: Actor
    reason: str
    at: datetime


Command = (
    HoldLeases
    | LeaveLeases
    | KeepCapture
    | KeepRun
    | NoteRefusedFile
    | RecordOutcome
    | EndIntake
    | BearMessage
    | WithholdDelivery
    | BeginAttempt
    | RecoverDeliveries
    | EndAttempt
    | HurryWaiting
    | NoteAnswer
    | EndWait
    | SetDestination
    | CloseStop
    | SayOfGate
    | EndWaiting
    | JudgeWaiting
    | LetStand
    | EnterLot
    | SignLot
    | CloseLot
    | EnterOperator
    | EndOperator
    | AnswerGap
    | SignDay
    | NoteAction
    | SignMonth
    | ConfirmRun
    | SayOfTelling
    | OpenContainer
    | CloseContainer
    | AcceptLot
    | SignAcceptedLot
    | WithdrawLot
    | NoteDayLog
    | NoteLife
    | AssignStop
    | NoteStop
    | RegisterId
    | SignRegistration
    | EndRegistration
    | PauseDestination
    | ResumeDestination
    | LeaveNote
    | CloseNote
    | KeepAccount
    | LockSession
    | MakeSure
    | BeginTry
    | OpenSession
    | TouchSession
    | EndSession
    | NoteAccess
    | SealEnvelope
    | OpenEnvelope
    | LookIntoEnvelope
    | EnterKey
    | EndKey
    | KeepQuick
    | MarkBench
    | OpenBench
    | EndBench
    | AddToResult
    | AddToHeld
    | EndAwaiting
    | CorrectResult
    | ReplaceResult
    | RecordCall
    | KeepTables
    | KeepPlanCheck
    | ReserveNumbers
    | PurgeCaptures
    | PurgeFiles
    | PurgeEvents
    | SealAudit
    | NoteVerified
    | NoteSights
    | TrustClock
    | KeepSignals
    | NoteSaid
    | KeepTest
    | KeepDigest
    | AcknowledgeSignal
    | NoteOnSignal
    | MuteSignals
)
