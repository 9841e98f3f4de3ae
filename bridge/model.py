"""One frozen type for each stage on the way of a strip.

Capture -> Reading -> CheckedReading -> CodedResult -> Message -> Delivery -> Acknowledgement,
and Finding for what stops one on the way. No dict crosses a stage. All datetimes are aware;
stored ones are UTC. All numbers that were printed are Decimal or text, never float.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal
from enum import StrEnum

from bridge.added import AddedFacts, Addition
from bridge.life import DayLogFacts, LifeFacts, RegisteredAs

# --- receive ---------------------------------------------------------------------------------


class Way(StrEnum):
    """How a capture came in."""

    FOLDER = "folder"
    SERIAL = "serial"
    TCP = "tcp"
    MLLP = "mllp"
    HTTP = "http"
    FORM = "form"

    @property
    def says_its_end(self) -> bool:
        """Say whether the way itself tells where a capture ends (MLLP's end block, HTTP's length, a form of ours), so that nothing is cut off unseen."""
        return self in {Way.MLLP, Way.HTTP, Way.FORM}


@dataclass(frozen=True, kw_only=True, slots=True)
class Capture:
    """The bytes of one transmission or file exactly as they came. Made by receive; never altered.

    ``payload`` keeps link-layer bytes (ENQ, frames, checksums) where the line has them.
    ``name`` is the file's name, else empty. ``torn`` says that the sender stopped in the middle.
    ``live`` says that arrival time tells something about the analyzer's clock: False for a folder.
    """

    source: str
    way: Way
    arrived_at: datetime
    payload: bytes
    name: str = ""
    torn: bool = False
    live: bool = True

    @property
    def digest(self) -> str:
        """Give SHA-256 of the payload, 64 lower-case hex digits."""
        return hashlib.sha256(self.payload).hexdigest()


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """A byte range ``[start, end)`` in a capture's payload."""

    start: int
    end: int


# --- read ------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class Printed:
    """A value as the analyzer printed it, decoded, with outer blanks stripped, and its place."""

    text: str
    place: Place


@dataclass(frozen=True, kw_only=True, slots=True)
class PrintedPad:
    """One pad as printed. ``mark`` is the analyzer's own abnormal mark, where there is one."""

    label: Printed
    value: Printed
    unit: Printed | None = None
    mark: Printed | None = None


LIVE = "P"  # HL7 table 0103, production; T is training (a test), D debugging


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """What the analyzer said of one strip, as printed, before judgement. Made by read.

    ``index`` counts the strips of one capture from 0. ``place`` spans the whole record.
    ``purpose`` and ``priority`` are only set where the layout has a field for them; a leading
    letter or word of the number is still inside ``number``. ``fault`` is an error code
    that the analyzer printed in place of results. ``processing_id`` says whether it is live or a test (HL7 table 0103: P, T, D):
    None where the layout has no place for it, an empty text where the place is empty. ``serial`` is that of the analyzer.
    ``entered_by`` names the person who entered the strip in a form of ours; None where an analyzer or its computer sent it.
    """

    index: int
    place: Place
    analyzer: str
    profile: str
    record_digest: str
    number: Printed | None = None
    printed_date: Printed | None = None
    printed_time: Printed | None = None
    patient_id: Printed | None = None
    patient_name: Printed | None = None
    birth_date: Printed | None = None
    sex: Printed | None = None
    order_number: Printed | None = None
    specimen_id: Printed | None = None
    operator: Printed | None = None
    strip_type: Printed | None = None
    strip_lot: Printed | None = None
    purpose: Printed | None = None
    priority: Printed | None = None
    copy_mark: Printed | None = None
    fault: Printed | None = None
    processing_id: Printed | None = None
    serial: Printed | None = None
    collected: Printed | None = None
    entered_by: Printed | None = None
    comments: tuple[Printed, ...] = ()
    pads: tuple[PrintedPad, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Unreadable:
    """A stretch of a capture that gave no reading, with the reason. Made by read."""

    index: int
    place: Place
    analyzer: str
    record_digest: str
    finding: Finding


# --- check -----------------------------------------------------------------------------------


class Severity(StrEnum):
    """What a finding asks for."""

    NOTE = "note"
    HOLD = "hold"
    REJECT = "reject"


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """What a rule says of a reading: a stable rule id, a sentence for a technician, a remedy.

    ``releasable`` says whether a named person may send the reading in spite of it.
    ``pad`` names the pad concerned, ``row`` the site's own rule that spoke (its id in the mapping file), else empty.
    """

    rule: str
    severity: Severity
    sentence: str
    remedy: str
    place: Place | None = None
    pad: str = ""
    releasable: bool = False
    row: str = ""


class Purpose(StrEnum):
    """What a strip was read for (after HL7 table 0369)."""

    PATIENT = "patient"
    CONTROL = "control"
    PROFICIENCY = "proficiency"
    COMPARISON = "comparison"
    TRAINING = "training"


class Priority(StrEnum):
    """How urgent a strip is; STAT overtakes routine of other patients."""

    STAT = "stat"
    ROUTINE = "routine"


class Grade(StrEnum):
    """The steps that a pad may be graded in, in rising order where a ladder uses them."""

    NEGATIVE = "negative"
    NORMAL = "normal"
    TRACE = "trace"
    PLUS_1 = "1+"
    PLUS_2 = "2+"
    PLUS_3 = "3+"
    PLUS_4 = "4+"
    POSITIVE = "positive"


class UnitSystem(StrEnum):
    """Which of a step's values an analyzer is set to print."""

    ARBITRARY = "arbitrary"
    CONVENTIONAL = "conventional"
    SI = "si"


@dataclass(frozen=True, kw_only=True, slots=True)
class Quantity:
    """A number with its UCUM unit. ``comparator`` is one of ``"" < <= >= >``; "" means equals.

    ``value`` keeps its trailing zeros (1.010 stays 1.010).
    """

    value: Decimal
    unit: str
    comparator: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """One step of a pad's ladder. ``rank`` counts from 0; at least one of the three values is set, or ``word`` alone.

    ``word`` is the catalogue's key of a nominal value (a colour, a clarity): such steps have no order, and their ranks only tell them apart.
    """

    rank: int
    grade: Grade | None
    conventional: Quantity | None
    si: Quantity | None
    abnormal: bool
    word: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckedPad:
    """A pad whose name and value are known. ``mark`` is the analyzer's own flag: None if it prints none."""

    pad: str
    step: Step
    printed: str
    place: Place
    marked: bool | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class StripKey:
    """The identity of a strip: analyzer, mode, number series and number (the run is counted by the store).

    ``series`` comes from the strip's own evidence, never from arrival order. A part that
    the strip does not carry is empty.
    """

    analyzer: str
    mode: str
    series: str
    number: str


@dataclass(frozen=True, kw_only=True, slots=True)
class StripContent:
    """What makes two records of one key the same strip. "" means that the layout does not print it.

    ``pads`` holds (pad, rank of the step) in strip order; rank -1 where the printed value was not understood, -2 and less
    where an undecided unit system leaves the step in doubt (identity/strip.py).
    ``digest`` is set where the site's rule purged the values: they can still be compared with, and not be read.
    """

    patient_id: str
    operator: str
    strip_type: str
    strip_lot: str
    pads: tuple[tuple[str, int], ...]
    digest: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Actor:
    """Who acts: a name, and how we know it (``unverified``, ``password``, ``service``...)."""

    name: str
    verified: str


class Sex(StrEnum):
    """Administrative sex as printed by the analyzer (HL7 table 0001 letters)."""

    FEMALE = "F"
    MALE = "M"
    OTHER = "O"


SERVICE = Actor(name="padpost", verified="service")


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckedReading:
    """What we accept of a reading: identity, purpose, patient evidence, aware time, known pads and steps.

    ``patient_id`` is the printed one or a person's correction (then ``corrected_by`` is set).
    ``order_number`` is the placer's, as printed; ``born`` and ``sex`` are evidence for reference ranges, never for matching,
    and None where they were not printed, not understood, or printed beside an ID that a person corrected.
    ``analyzed_at`` is as printed: aware, in the analyzer's zone; None where nothing was printed. ``corrected_at`` is a person's
    (``timed_by``) correction of it: results go by that one, identity by what was printed. ``collected_at`` is when the specimen was
    collected (aware), None where nobody said so, where it cannot be, or where it was printed beside an ID that a person corrected.
    """

    reading: Reading
    key: StripKey
    content: StripContent
    purpose: Purpose
    priority: Priority
    patient_id: str
    corrected_by: Actor | None
    patient_name: str
    specimen_id: str
    operator: str
    strip_type: str
    strip_lot: str
    analyzed_at: datetime | None
    pads: tuple[CheckedPad, ...]
    order_number: str = ""
    born: date | None = None
    sex: Sex | None = None
    corrected_at: datetime | None = None
    timed_by: Actor | None = None
    collected_at: datetime | None = None


# --- coding ----------------------------------------------------------------------------------


class ReadBy(StrEnum):
    """Who compared the pads with the colours of the scale: an analyzer, or a person whose slip is only sent on."""

    ANALYZER = "automated"
    EYE = "visual"


class Property(StrEnum):
    """The LOINC property that a code has; decides which value it may carry."""

    ORDINAL = "PrThr"
    MASS = "MCnc"
    SUBSTANCE = "SCnc"
    COUNT = "NCnc"
    GRAVITY = "SpGrav"
    ACIDITY = "LsCnc"
    ARBITRARY = "ACnc"
    MASS_RATIO = "MRto"
    RATIO = "Ratio"
    TYPE = "Type"


@dataclass(frozen=True, kw_only=True, slots=True)
class Code:
    """A code with its text and the coding system's short name as HL7 table 0396 has it (LN, SCT, L)."""

    code: str
    text: str
    system: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CodedGrade:
    """A grade as a coded value; ``answer`` is the LOINC answer code where there is one."""

    grade: Grade
    text: str
    answer: Code | None

    @property
    def key(self) -> str:
        """Give what tells it apart on its pad."""
        return self.grade.value


@dataclass(frozen=True, kw_only=True, slots=True)
class CodedWord:
    """A nominal value (LOINC scale Nom): the catalogue's word, its text for people, and the local code of it."""

    word: str
    text: str
    code: Code

    @property
    def key(self) -> str:
        """Give what tells it apart on its pad."""
        return self.word


@dataclass(frozen=True, kw_only=True, slots=True)
class ValueForm:
    """One way to state a pad's value: the LOINC code whose property matches the value's type.

    ``method`` is the code's method: ``automated``, ``strip`` or ``none``; where it is not how the strip was read, messages say so.
    """

    system: UnitSystem
    prop: Property
    code: Code
    value: CodedGrade | CodedWord | Quantity
    method: str = "automated"


class Flag(StrEnum):
    """Abnormal flag: HL7 table 0078 as 2.5.1 has it; FHIR interpretation uses the same letters.

    The three critical ones come from a rule that the site has switched on, never from a ladder or a range.
    """

    NORMAL = "N"
    ABNORMAL = "A"
    HIGH = "H"
    LOW = "L"
    CRITICAL = "AA"
    CRITICAL_HIGH = "HH"
    CRITICAL_LOW = "LL"

    @property
    def is_critical(self) -> bool:
        """Say whether a critical rule of the site gave it."""
        return self in {Flag.CRITICAL, Flag.CRITICAL_HIGH, Flag.CRITICAL_LOW}


@dataclass(frozen=True, kw_only=True, slots=True)
class CodedPad:
    """One pad of a result: all value forms its ladder declares, the flag, and what was printed.

    ``forms`` is never empty, in the order arbitrary, conventional, SI. ``expected`` is the reference expectation as text ("Negative").
    ``local`` is the site's or our own code for the pad, sent beside LOINC. ``read_by`` is the profile's.
    ``computed_from`` names the two pads that a ratio was computed from; then ``printed`` says what was printed for them.
    """

    pad: str
    name: str
    local: Code
    forms: tuple[ValueForm, ...]
    flag: Flag
    printed: str
    expected: str
    low: Quantity | None = None
    high: Quantity | None = None
    read_by: ReadBy = ReadBy.ANALYZER
    computed_from: tuple[str, ...] = ()


class ResultStatus(StrEnum):
    """The state of a result's version (HL7 0085 letters). A withdrawn one says that what was posted was wrong, and puts nothing in its place."""

    FINAL = "F"
    CORRECTED = "C"
    WITHDRAWN = "W"


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """Who made a later version of a result, and when (aware, UTC): what a receiver's provenance says of it."""

    by: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class CodedResult:
    """A reading that was checked and coded, with an identity and a version.

    ``result_id`` is at most 20 ASCII letters and digits; OBR-3 and all FHIR identifiers derive
    from it and the pad. ``collected_at`` is None while unknown: it is never filled from
    ``analyzed_at``. ``tables_digest`` names the table set that coded it.
    ``order_number`` is the placer's, empty where nobody ordered. A ``purpose`` other than PATIENT never goes under a patient.
    ``change`` is set on a version that a person made of an earlier one. ``additions`` is what a person added, also what was left out;
    ``specimen_type`` is the code of it where one was added (None: urine, and no more is known).
    """

    result_id: str
    version: int
    status: ResultStatus
    profile: str
    analyzer: str
    patient_id: str
    patient_name: str
    specimen_id: str
    operator: str
    strip_type: str
    strip_lot: str
    priority: Priority
    number: str
    panel: Code
    analyzed_at: datetime
    collected_at: datetime | None
    pads: tuple[CodedPad, ...]
    comments: tuple[str, ...]
    tables_digest: str
    order_number: str = ""
    born: date | None = None
    sex: Sex | None = None
    purpose: Purpose = Purpose.PATIENT
    change: Change | None = None
    specimen_type: Code | None = None
    additions: tuple[Addition, ...] = ()


# --- judging ---------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class Coded:
    """The reading became a result that may go."""

    checked: CheckedReading
    result: CodedResult
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Held:
    """A person must decide. ``findings`` is ordered: the first is shown first."""

    checked: CheckedReading
    findings: tuple[Finding, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Waiting:
    """Nothing is wrong with the reading; controls that pass will free it. The finding says so."""

    checked: CheckedReading
    findings: tuple[Finding, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Rejected:
    """The reading cannot be sent as it is. ``checked`` is None where it could not be understood that far."""

    findings: tuple[Finding, ...]
    checked: CheckedReading | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Copy:
    """The same strip came before, as strip ``of``; noted, never posted."""

    of: int
    checked: CheckedReading
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class NonPatient:
    """Control, proficiency, comparison or training: stored and shown, never a patient's.

    ``result`` is what goes to the destinations that ask for controls; None where nothing may go: proficiency and training
    always, and what could not be coded or said (a note among ``findings`` says why).
    """

    checked: CheckedReading
    findings: tuple[Finding, ...] = ()
    result: CodedResult | None = None


Outcome = Coded | Waiting | Held | Rejected | Copy | NonPatient


# --- facts (small frozen values that judging needs; fetched by the service) --------------------


class GateState(StrEnum):
    """Where a gate stands; the table of moves is bench/gate.py. Results go while it is ``open`` or ``due``, and in no other state."""

    START = "start"
    OPEN = "open"
    DUE = "due"
    FAILED = "failed"
    REPEAT = "repeat"
    REPEATED = "repeated"
    LOCKED = "locked"
    MENDED = "mended"

    @property
    def may_go(self) -> bool:
        """Say whether patients' results may go."""
        return self in {GateState.OPEN, GateState.DUE}

    @property
    def is_failure(self) -> bool:
        """Say whether a control failed and nobody has noted yet what was put right."""
        return self in {GateState.FAILED, GateState.REPEAT, GateState.REPEATED, GateState.LOCKED}


@dataclass(frozen=True, kw_only=True, slots=True)
class GateFacts:
    """How the controls of a strip's analyzer and lot stand.

    ``in_doubt``: a control failed after the strip was read, before any had passed. ``is_behind``: an earlier strip of the patient
    waited for them and has not gone yet.
    """

    state: GateState
    in_doubt: bool = False
    is_behind: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockFacts:
    """What is known of an analyzer's clock. ``offset``: arrival less printed time, the steady median of its last ``strips``; None: not known.

    ``is_fresh``: this strip itself was sent as it was read, so that its arrival says when that was.
    """

    offset: timedelta | None
    strips: int
    is_fresh: bool = False


class OperatorState(StrEnum):
    """What the register of operators says of a number on a day."""

    KNOWN = "known"
    BLANK = "blank"
    UNKNOWN = "unknown"
    EXPIRED = "expired"
    COMPETENCY_DUE = "competency due"


@dataclass(frozen=True, kw_only=True, slots=True)
class OperatorFacts:
    """Whose a strip's operator number is; ``name`` "" where it is nobody's. ``elsewhere``: another analyzer at which that person was at once, else ""."""

    state: OperatorState
    name: str = ""
    elsewhere: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Container:
    """A container of strips that a person entered: its lot code and the last day on its label, and when it was opened.

    ``closed_at`` is when it was taken out of use, None while it is in use. ``is_accepted``: a person has accepted its lot. Times are aware, UTC.
    """

    container_id: int
    strip_lot: str
    expires: date
    opened_at: datetime
    closed_at: datetime | None = None
    is_accepted: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class SeenStrip:
    """An earlier strip, as far as identity needs it.

    ``open_stop`` says that it still waits for a person; ``discarded`` that a person ended it and nothing of it was sent; ``is_reported``
    that its result went, or goes by itself once its controls have passed.
    """

    strip_id: int
    key: StripKey
    content: StripContent
    printed_at: datetime | None
    arrived_at: datetime
    record_digest: str
    open_stop: bool
    discarded: bool = False
    specimen_id: str = ""
    is_reported: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class SeenStrips:
    """Earlier strips of this analyzer that could be the same one, newest first.

    ``same_number``: same analyzer, mode and number, any series. ``same_record``: the same record bytes.
    ``same_patient``: same patient as printed, within the policy's window, any analyzer.
    The strip's own earlier interpretations are never among them, nor are copies: their originals are. (A strip judged
    again would else be taken for a copy of its own copy, and both would be lost.)
    """

    same_number: tuple[SeenStrip, ...] = ()
    same_record: tuple[SeenStrip, ...] = ()
    same_patient: tuple[SeenStrip, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class SeriesState:
    """The newest number series of one analyzer and mode: its last number and printed time."""

    series: str
    last_number: int
    last_printed_at: datetime | None


@dataclass(frozen=True, kw_only=True, slots=True)
class RunState:
    """How the run of an analyzer stands after its last strip, which was printed and arrived then (aware).

    ``has_fault``: that strip ended in an error. ``broken_by``: what went missing inside the run, in words, "" while it is whole;
    ``is_held``: a patient's strip was held for it.
    """

    printed_at: datetime | None
    arrived_at: datetime
    has_fault: bool = False
    broken_by: str = ""
    is_held: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class RunFacts:
    """The run of a strip: ``state`` before one that is judged for the first time.

    Of one that is judged again ``broken_by`` says for what its run was held, and ``confirmed_by`` who has confirmed it, "" for nobody.
    """

    state: RunState | None = None
    broken_by: str = ""
    confirmed_by: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Decisions:
    """What named persons decided about this reading before: corrected ID, corrected time, and findings to pass over, each rule with who let the strip go in spite of it last."""

    patient_id: str | None = None
    corrected_by: Actor | None = None
    accepted_by: Mapping[str, Actor] = field(default_factory=dict)
    analyzed_at: datetime | None = None
    timed_by: Actor | None = None

    @property
    def accepted_rules(self) -> frozenset[str]:
        """Give the rules to pass over."""
        return frozenset(self.accepted_by)


@dataclass(frozen=True, kw_only=True, slots=True)
class PriorResult:
    """The result that an earlier interpretation of this reading became, and was refused everywhere."""

    result_id: str
    version: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Neighbour:
    """The patient's strip that an analyzer read before another one, as far as the two may be mixed up. ``number`` is as printed, else empty."""

    number: str
    patient_id: str
    content: StripContent
    printed_at: datetime | None
    arrived_at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlLook:
    """What a lot of control material looks like on one strip type: ``pads`` holds (pad, ranks that its insert allows), claimed pads only."""

    name: str
    strip_type: str
    pads: tuple[tuple[str, tuple[int, ...]], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Neighbours:
    """What a strip may have been taken for: the strip before it, and the controls in use. Asked for of few strips, since few look like either."""

    previous: Neighbour | None = None
    controls: tuple[ControlLook, ...] = ()


NOTHING_SEEN = SeenStrips()
_NOTHING_DECIDED = Decisions()


@dataclass(frozen=True, kw_only=True, slots=True)
class Facts:
    """Everything outside the reading that judging may look at. ``gate``, ``clock`` and ``run`` None: the site's policy asks for none, or the strip is of no run.

    ``containers`` are those that were entered for the strip's analyzer and strip type, in the order of opening; None: nobody asks for them.
    ``operator`` None: nobody is entered for the analyzer. ``known_as`` says what people entered the patient ID as that is no patient, or "",
    and ``specimen_known_as`` the same of the specimen ID.
    ``neighbours`` None: not asked for.
    ``day_log`` None: its day log can say nothing. ``life`` None: nobody said anything of the analyzer.
    ``registered`` None: no identifier of the strip is registered as no patient's.
    ``placed``: the number series in which the strip was counted when it was judged before, "" for none. ``added`` None: nobody added anything, and no time to add is over.
    """

    seen: SeenStrips = NOTHING_SEEN
    series: SeriesState | None = None
    decisions: Decisions = _NOTHING_DECIDED
    prior: PriorResult | None = None
    gate: GateFacts | None = None
    clock: ClockFacts | None = None
    operator: OperatorFacts | None = None
    run: RunFacts | None = None
    containers: tuple[Container, ...] | None = None
    known_as: str = ""
    specimen_known_as: str = ""
    neighbours: Neighbours | None = None
    day_log: DayLogFacts | None = None
    life: LifeFacts | None = None
    registered: RegisteredAs | None = None
    placed: str = ""
    added: AddedFacts | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Needs:
    """The keys by which the service fetches Facts, all as printed.

    An empty ``number`` asks for the strips that carry none either; with an empty ``patient_id`` no patient is looked
    up. ``printed_at`` is the aware instant where one is legible. ``strip_type`` (ours) and ``strip_lot`` name the gate by controls.
    """

    analyzer: str
    mode: str
    number: str
    record_digest: str
    patient_id: str
    printed_at: datetime | None = None
    strip_type: str = ""
    strip_lot: str = ""


# --- render ----------------------------------------------------------------------------------


class Format(StrEnum):
    """What a destination is sent: the message profile. ``..._US`` and ``..._EU`` are shaped after a regional guide, no more.

    HL7 v2.5.1: unsolicited result, the same after the US laboratory results guide, unordered point-of-care result,
    specimen-oriented result. FHIR R4: a transaction Bundle, plain, or after the US or the European laboratory guide.
    """

    ORU_R01 = "oru_r01"
    ORU_R01_US = "oru_r01_us"
    ORU_R30 = "oru_r30"
    OUL_R22 = "oul_r22"
    FHIR = "fhir"
    FHIR_US = "fhir_us"
    FHIR_EU = "fhir_eu"

    @property
    def is_fhir(self) -> bool:
        """Say whether messages are FHIR Bundles; the others are HL7 v2."""
        return self in {Format.FHIR, Format.FHIR_US, Format.FHIR_EU}


@dataclass(frozen=True, kw_only=True, slots=True)
class Message:
    """A result rendered for one destination. Bytes and control ID are fixed at birth.

    ``payload``: HL7 segments ended by CR (no MLLP framing), or a FHIR JSON document.
    ``lane`` is the key of the strict order (patient, else specimen, else analyzer).
    """

    destination: str
    format: Format
    control_id: str
    payload: bytes
    result_id: str
    version: int
    lane: str
    priority: Priority


# --- queue and deliver -------------------------------------------------------------------------


class DeliveryState(StrEnum):
    """Where a delivery stands; the table of moves is lifecycle/states.py."""

    UNBORN = "unborn"
    QUEUED = "queued"
    SENDING = "sending"
    RETRYING = "retrying"
    COMMITTED = "committed"
    ACCEPTED = "accepted"
    REFUSED = "refused"
    EXPIRED = "expired"
    UNSURE = "unsure"
    UNMADE = "unmade"
    SUPERSEDED = "superseded"
    DISCARDED = "discarded"


class Answer(StrEnum):
    """What a receiver's answer means for the delivery."""

    ACCEPTED = "accepted"
    COMMITTED = "committed"
    TRY_AGAIN = "try again"
    REFUSED = "refused"
    CLOSED = "destination closed"


@dataclass(frozen=True, kw_only=True, slots=True)
class Acknowledgement:
    """What came of one attempt. ``text`` is the receiver's own words (may hold patient data: pages only).

    ``code`` is short and safe for logs ("AA", "AE 204", "HTTP 422", "timeout").
    """

    answer: Answer
    code: str
    text: str = ""
    retry_after_s: float | None = None
