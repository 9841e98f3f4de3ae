"""Made-up strips for the store: what judging would hand over, one small function a stage."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from bridge.lifecycle.states import StopEnd
from bridge.model import (
    Acknowledgement,
    Actor,
    Answer,
    Capture,
    CheckedReading,
    Code,
    Coded,
    CodedResult,
    Copy,
    DeliveryState,
    Finding,
    Format,
    Held,
    Message,
    NonPatient,
    Outcome,
    Place,
    Printed,
    PrintedPad,
    Priority,
    Purpose,
    Reading,
    Rejected,
    ResultStatus,
    Severity,
    StripContent,
    StripKey,
    Unreadable,
    Way,
)
from bridge.store.api import Store
from bridge.store.commands import (
    BeginAttempt,
    CloseStop,
    EndAttempt,
    EndWait,
    KeepCapture,
    Lease,
    NewDelivery,
    NoteAnswer,
    NotedAnswer,
    RecordedOutcome,
    RecordOutcome,
    TellWrite,
)

NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
PLACE = Place(start=0, end=4)
BO = Actor(name="Bo", verified="unverified")
EDA = Actor(name="Eda", verified="unverified")
WAIT = 20.0  # seconds that a commit may take on a slow machine before a test gives up


def later(minutes: float) -> datetime:
    """Give the moment ``minutes`` after NOW."""
    return NOW + timedelta(minutes=minutes)


def capture(payload: bytes = b"strip", **more: Any) -> Capture:
    """Give a capture from a folder that arrived at NOW."""
    return Capture(**{"source": "drops", "way": Way.FOLDER, "arrived_at": NOW, "payload": payload, "live": False, **more})


def keep(store: Store, payload: bytes = b"strip", *, analyzer: str = "brook-1", **more: Any) -> int:
    """Keep a capture; give its id."""
    kept: int = store.submit(KeepCapture(capture=capture(payload, **more), analyzer=analyzer, profile="brook")).result(WAIT)
    return kept


def printed(text: str) -> Printed:
    """Give a printed value somewhere."""
    return Printed(text=text, place=PLACE)


def reading(number: str = "1", *, index: int = 0, patient: str = "4711", digest: str = "", analyzer: str = "brook-1") -> Reading:
    """Give a reading with number, patient and date; by default its digest is its number's and patient's."""
    return Reading(
        index=index,
        place=PLACE,
        analyzer=analyzer,
        profile="brook",
        record_digest=digest or hashlib.sha256(f"{number}/{patient}".encode()).hexdigest(),
        number=printed(number) if number else None,
        printed_date=printed("25.11.2026"),
        patient_id=printed(patient) if patient else None,
        operator=printed("OP7"),
        pads=(PrintedPad(label=printed("GLU"), value=printed("NEG")),),
    )


def unreadable(digest: str = "d" * 64, *, index: int = 0, analyzer: str = "brook-1") -> Unreadable:
    """Give a stretch that gave no reading."""
    return Unreadable(index=index, place=PLACE, analyzer=analyzer, record_digest=digest, finding=finding("read.unreadable"))


def finding(rule: str, severity: Severity = Severity.REJECT, *, releasable: bool = False) -> Finding:
    """Give a finding with words of its rule."""
    return Finding(
        rule=rule, severity=severity, sentence=f"{rule} says.", remedy=f"Mend {rule}.", place=PLACE, releasable=releasable
    )


def checked(of: Reading, *, series: str = "2026-11-25", at: datetime | None = NOW, **more: Any) -> CheckedReading:
    """Give the reading as checked: a patient's routine strip of two pads."""
    patient = of.patient_id.text if of.patient_id else ""
    number = of.number.text if of.number else ""
    return CheckedReading(
        **{
            "reading": of,
            "key": StripKey(analyzer=of.analyzer, mode="all", series=series, number=number),
            "content": StripContent(
                patient_id=patient, operator="OP7", strip_type="plover-12", strip_lot="L1", pads=(("glucose", 0),)
            ),
            "purpose": Purpose.PATIENT,
            "priority": Priority.ROUTINE,
            "patient_id": patient,
            "corrected_by": None,
            "patient_name": "",
            "specimen_id": f"U{number}",
            "operator": "OP7",
            "strip_type": "plover-12",
            "strip_lot": "L1",
            "analyzed_at": at,
            "pads": (),
            **more,
        }
    )


def result(result_id: str, *, version: int = 1, patient: str = "4711", priority: Priority = Priority.ROUTINE) -> CodedResult:
    """Give a result without pads: the store never looks inside."""
    return CodedResult(
        result_id=result_id,
        version=version,
        status=ResultStatus.FINAL,
        profile="brook",
        analyzer="brook-1",
        patient_id=patient,
        patient_name="",
        specimen_id="",
        operator="OP7",
        strip_type="plover-12",
        strip_lot="L1",
        priority=priority,
        number="1",
        panel=Code(code="24356-8", text="Urinalysis complete panel - Urine", system="LN"),
        analyzed_at=NOW,
        collected_at=None,
        pads=(),
        comments=(),
        tables_digest="t",
    )


def message(of: CodedResult, control_id: str, *, destination: str = "records", lane: str = "") -> Message:
    """Give the result's message for one destination; its lane is the patient's unless named."""
    return Message(
        destination=destination,
        format=Format.ORU_R01,
        control_id=control_id,
        payload=f"MSH|{control_id}\r".encode(),
        result_id=of.result_id,
        version=of.version,
        lane=lane or of.patient_id,
        priority=of.priority,
    )


def delivery(
    of: Message, *, born: bool = True, after: int | None = None, begins: bool = False, lease: Lease | None = None
) -> NewDelivery:
    """Give the delivery of a message; unborn, it has none yet."""
    message = of if born else None
    return NewDelivery(
        destination=of.destination, lane=of.lane, priority=of.priority, message=message, after=after, begins=begins, lease=lease
    )


def record(
    store: Store,
    of: Reading | Unreadable,
    outcome: Outcome | None,
    *,
    deliveries: Sequence[NewDelivery] = (),
    capture_id: int | None = None,
    ends: bool = True,
    at: datetime = NOW,
    tables_digest: str = "t",
    tell: TellWrite | None = None,
) -> RecordedOutcome:
    """Record an outcome of the analyzer's next piece of judging work; without ``capture_id`` a capture is kept first."""
    if capture_id is None:
        capture_id = keep(store, of.record_digest.encode(), analyzer=of.analyzer)
    intake = store.next_intake(of.analyzer)
    assert intake is not None
    assert intake.capture_id == capture_id
    recorded: RecordedOutcome = store.submit(
        RecordOutcome(
            intake_id=intake.intake_id,
            capture_id=capture_id,
            reading=of,
            outcome=outcome,
            deliveries=tuple(deliveries),
            tables_digest=tables_digest,
            at=at,
            ends_intake=ends,
            tell=tell,
        )
    ).result(WAIT)
    return recorded


def post(
    store: Store,
    result_id: str,
    *,
    patient: str = "4711",
    priority: Priority = Priority.ROUTINE,
    destinations: Sequence[str] = ("records",),
    lane: str = "",
    born: bool = True,
    after: int | None = None,
    tables_digest: str = "t",
    begins: bool = False,
    lease: Lease | None = None,
) -> RecordedOutcome:
    """Record a coded strip whose number is the result's, with one message a destination (control ID: result, destination)."""
    of = reading(result_id, patient=patient)
    made = result(result_id, patient=patient, priority=priority)
    going = [
        delivery(
            message(made, f"{result_id}{place[:3]}", destination=place, lane=lane),
            born=born,
            after=after,
            begins=begins,
            lease=lease,
        )
        for place in destinations
    ]
    return record(
        store, of, Coded(checked=checked(of, priority=priority), result=made), deliveries=going, tables_digest=tables_digest
    )


def held(of: Reading, *findings: Finding, **more: Any) -> Held:
    """Give a held outcome; by default of one finding that a person may release."""
    return Held(
        checked=checked(of, **more),
        findings=findings or (finding("copy.possible", Severity.HOLD, releasable=True),),
    )


def rejected(of: Reading | None, *rules: str) -> Rejected:
    """Give a rejected outcome, understood as far as a key if ``of`` is given."""
    return Rejected(checked=checked(of) if of else None, findings=tuple(finding(rule) for rule in rules or ("pads.unknown",)))


def copy(of: Reading, original: int) -> Copy:
    """Give the outcome of a copy of strip ``original``."""
    return Copy(of=original, checked=checked(of), findings=(finding("copy.same_bytes", Severity.NOTE),))


def control(of: Reading, of_it: CodedResult | None = None) -> NonPatient:
    """Give the outcome of a control strip; with ``of_it``, of one that is sent."""
    return NonPatient(checked=replace(checked(of), purpose=Purpose.CONTROL, patient_id=""), result=of_it)


def control_result(result_id: str, *, version: int = 1) -> CodedResult:
    """Give a control's result: under no patient."""
    return replace(result(result_id, version=version, patient=""), purpose=Purpose.CONTROL)


def post_control(store: Store, result_id: str, *, born: bool = True) -> RecordedOutcome:
    """Record a control that goes to ``qc`` alone, in the analyzer's lane (control ID: result, destination)."""
    of, made = reading(result_id, patient="CTRL-LOW"), control_result(result_id)
    going = delivery(message(made, f"{result_id}qc", destination="qc", lane="analyzer:brook-1"), born=born)
    return record(store, of, control(of, made), deliveries=[going])


def begin(store: Store, delivery_id: int, *, at: datetime = NOW) -> int | None:
    """Begin a try; give the attempt's id, None if it may not begin."""
    begun: int | None = store.submit(BeginAttempt(delivery_id=delivery_id, at=at)).result(WAIT)
    return begun


def end(
    store: Store,
    delivery_id: int,
    attempt: int | None,
    answer: Answer,
    code: str = "",
    *,
    at: datetime = NOW,
    due_at: datetime | None = None,
    expire: bool = False,
) -> DeliveryState:
    """End the try that ``begin`` gave with an answer; give the delivery's new state."""
    assert attempt is not None
    state: DeliveryState = store.submit(
        EndAttempt(
            delivery_id=delivery_id,
            attempt=attempt,
            at=at,
            acknowledgement=Acknowledgement(answer=answer, code=code or answer.name, text=f"words of {answer.value}"),
            due_at=due_at,
            expire=expire,
            sentence="It was turned away.",
            remedy="Look there.",
        )
    ).result(WAIT)
    return state


def late(
    store: Store, destination: str, control_id: str, answer: Answer, *, at: datetime = NOW, **more: Any
) -> NotedAnswer | None:
    """Note an answer that came apart from its try."""
    code = more.pop("code", {Answer.ACCEPTED: "AA", Answer.REFUSED: "AE 204", Answer.TRY_AGAIN: "AR 207"}[answer])
    ack = Acknowledgement(answer=answer, code=code, text=more.pop("text", ""))
    noted: NotedAnswer | None = store.submit(
        NoteAnswer(destination=destination, control_id=control_id, acknowledgement=ack, at=at, sentence="s", remedy="r", **more)
    ).result(WAIT)
    return noted


def end_wait(store: Store, delivery_id: int, *, is_yes: bool = False, at: datetime = NOW) -> DeliveryState:
    """End the wait for the answer to a committed delivery."""
    state: DeliveryState = store.submit(
        EndWait(delivery_id=delivery_id, at=at, is_yes=is_yes, sentence="never answered", remedy="look")
    ).result(WAIT)
    return state


def attempt(store: Store, delivery_id: int, answer: Answer, code: str = "", **more: Any) -> DeliveryState:
    """Begin and end one try."""
    return end(store, delivery_id, begin(store, delivery_id), answer, code, **more)


def close(store: Store, stop_id: int, how: StopEnd, *, who: Actor = BO, at: datetime = NOW, **more: Any) -> None:
    """End a stop in a person's name; raises what the store says."""
    store.submit(CloseStop(stop_id=stop_id, end=how, actor=who, reason="because", at=at, **more)).result(WAIT)


def heads(store: Store, *, now: datetime = NOW, destination: str = "records", limit: int = 100) -> list[str]:
    """Name the results whose messages may go now, in order."""
    return [head.message.result_id for head in store.lane_heads(destination, now=now, limit=limit)]


def states(store: Store, result_id: str) -> dict[str, DeliveryState]:
    """Give where the deliveries of a result stand, by destination; the newest of each."""
    return {row.destination: row.state for row in store.deliveries(result_id)}


def digest_of(content: bytes) -> str:
    """Give SHA-256 as the store's digests are written."""
    return hashlib.sha256(content).hexdigest()


UTC_ZONE = ZoneInfo("UTC")
