"""What judging looks things up in: compiled, frozen, without codes in the code.

``compile`` (in compiled.py) makes these from the plain values of the mapping files; every fact here comes
from mappings/, where its source stands beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from zoneinfo import ZoneInfo

from bridge.errors import Spot, TableError
from bridge.model import Code, Format, Grade, Priority, Property, Purpose, Quantity, ReadBy, Sex, Step, UnitSystem
from bridge.tables.addition_table import AdditionTable, AdditionTerms
from bridge.tables.container_table import ContainerTable
from bridge.tables.control_table import ControlTable
from bridge.tables.day_log_table import DayLogRule
from bridge.tables.flag_table import FlagTable
from bridge.tables.hold_table import HoldTable
from bridge.tables.memo import Memo
from bridge.tables.specimen_rule import SpecimenRule
from bridge.tables.telling_terms import TellingTerms

# --- the pad catalogue -----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class CatalogueCode:
    """A LOINC code for one property of a pad. ``method``: automated, strip (read by eye) or none."""

    prop: Property
    method: str
    code: Code


class AbnormalSense(StrEnum):
    """Whether a pad is abnormal above its expected step, outside a range on either side, or as another word than the expected ones."""

    MORE = "more"
    OUTSIDE = "outside"
    OTHER = "other"


@dataclass(frozen=True, kw_only=True, slots=True)
class CataloguePad:
    """What a pad measures: names, codes in order of preference, reference expectation.

    ``expected`` is the printed reference text. ``low`` and ``high`` bound a numeric reference
    range (both None for graded pads). ``words`` are all values of a nominal pad, each with its local code; empty for others.
    """

    pad: str
    name: str
    local: Code
    codes: tuple[CatalogueCode, ...]
    sense: AbnormalSense
    expected: str
    low: Quantity | None
    high: Quantity | None
    words: Mapping[str, Code] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Catalogue:
    """Every pad a strip can carry, the panel codes, and the coded answer of each grade.

    ``panel`` is that of an automated reader, ``visual_panel`` that of strips read by eye: None where no profile needs it. ``snomed`` is keyed by the grade and the highest grade of the ladder that the concept counts against, None for none.
    """

    pads: Mapping[str, CataloguePad]
    panel: Code
    answers: Mapping[Grade, Code]
    snomed: Mapping[tuple[Grade, Grade | None], Code] = field(default_factory=dict)
    visual_panel: Code | None = None

    def panel_of(self, read_by: ReadBy) -> Code:
        """Give the code that a strip's report stands under."""
        return self.visual_panel if read_by is ReadBy.EYE and self.visual_panel else self.panel


# --- strip types -----------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class StripPad:
    """One pad of a strip type: its ladder, lowest step first.

    ``conventional_property`` and ``si_property`` say what the ladder's numbers are
    (mass, substance, count ...); None where the ladder declares none. ``read_after_s`` is when the pad is read by eye, in seconds after
    dipping; None where nobody said so.
    """

    pad: str
    ladder: tuple[Step, ...]
    conventional_property: Property | None
    si_property: Property | None
    read_after_s: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class StripRatio:
    """A ratio that Padpost computes on this strip type, since its analyzers do not print it.

    ``pad`` holds every value that can come as a ladder. ``steps`` is keyed by the ranks of the steps of ``of`` and ``to``; a pair
    that is not in it gives no ratio: a step has no number, or its open ends leave the ratio, or its flag, undecided.
    """

    pad: StripPad
    of: str
    to: str
    steps: Mapping[tuple[int, int], Step]


@dataclass(frozen=True, kw_only=True, slots=True)
class StripType:
    """Which pads, in which order, and which ratios are computed from them. ``name`` is our key, e.g. ``quill-10``."""

    name: str
    title: str
    pads: tuple[StripPad, ...]
    ratios: tuple[StripRatio, ...] = ()
    places: Mapping[str, int] = field(init=False, compare=False, repr=False)
    """Each pad's place on the strip, from 0."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "places", {each.pad: place for place, each in enumerate(self.pads)})


# --- analyzer profiles -------------------------------------------------------------------------


class Framing(StrEnum):
    """What wraps the record text in a capture's bytes."""

    NONE = "none"
    LIS01 = "lis01"


class Layout(StrEnum):
    """Which reader reads the text."""

    LIS2 = "lis2"
    DELIMITED = "delimited"
    SLIP = "slip"
    HL7 = "hl7"
    JSON = "json"


@dataclass(frozen=True, kw_only=True, slots=True)
class ModeRule:
    """What a leading letter or word of the number, or of the purpose field, means."""

    word: str
    mode: str
    purpose: Purpose
    priority: Priority


class SeriesRule(StrEnum):
    """When a new number series opens."""

    DAILY = "daily"
    FALL = "fall"


@dataclass(frozen=True, kw_only=True, slots=True)
class NumberScheme:
    """How this analyzer numbers its strips.

    ``pattern`` is a regular expression matched against the whole number text, with groups
    ``number`` (digits) and, where the mode is part of the number, ``mode`` (a word of ``modes``).
    ``series``: ``daily`` restarts at ``first`` with each printed date; ``fall`` opens a series
    when the number falls and the printed time rises. ``shared`` says that all modes count
    in one series. ``modes`` is keyed by word; the empty word is the default.
    """

    pattern: str
    series: SeriesRule
    first: int
    shared: bool
    modes: Mapping[str, ModeRule]


@dataclass(frozen=True, kw_only=True, slots=True)
class DelimitedLayout:
    """Columns of a delimited text. ``columns`` maps a field name to its position from 0.

    Field names are those of ``model.Reading`` (number, printed_date, patient_id, ...) and
    ``pad:LABEL``, ``unit:LABEL``, ``mark:LABEL`` for pads. ``header`` is the exact first line's
    cells, empty where the text has none.
    """

    delimiter: str
    quote: str
    header: tuple[str, ...]
    columns: Mapping[str, int]
    width: int
    pads: tuple[tuple[str, tuple[int | None, int | None, int | None]], ...] = field(init=False, compare=False, repr=False)
    """Each pad's label with the columns of value, unit and mark, in the order of the columns."""

    def __post_init__(self) -> None:
        labels = [name.removeprefix("pad:") for name in self.columns if name.startswith("pad:")]
        places = (
            (self.columns[f"pad:{each}"], self.columns.get(f"unit:{each}"), self.columns.get(f"mark:{each}")) for each in labels
        )
        object.__setattr__(self, "pads", tuple(zip(labels, places, strict=True)))


@dataclass(frozen=True, kw_only=True, slots=True)
class SlipLine:
    """One kind of slip line: a regular expression on the whole line, and what its groups are.

    Named groups are field names of ``model.Reading``; or ``label``, ``value``, ``unit`` and ``mark`` of a pad line.
    """

    name: str
    pattern: str
    required: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class SlipLayout:
    """How a printed slip is cut and read. ``begin`` matches a strip's first line.

    ``end`` matches its last line; empty: the next ``begin`` or the end of the text.
    A line that no pattern matches is a fault unless ``ignore`` matches it.
    """

    begin: str
    end: str
    ignore: str
    lines: tuple[SlipLine, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Lis2Layout:
    """Which LIS02-A2 field holds what. Values are ``record.field`` or ``record.field.component``, from 1.

    Keys are field names of ``model.Reading``, plus ``label``, ``value``, ``unit`` and ``mark`` of an R record.
    ``comments`` says whether C records are kept. ``numbered``: O records count from 1 below their P record and R records
    below their O record, as the standard has it, so that a lost or spoilt record shows.
    """

    fields: Mapping[str, str]
    comments: bool
    numbered: bool = True


class Answering(StrEnum):
    """When an instrument that speaks HL7 v2 is answered: once its message is kept, or once every strip in it was judged."""

    KEPT = "kept"
    JUDGED = "judged"


@dataclass(frozen=True, kw_only=True, slots=True)
class Hl7Place:
    """Where an HL7 v2 message holds a value: segment, field and component from 1; component 0 is the whole field.

    ``when_text`` set: only where field ``when_field``, component ``when_component`` of the same segment (of the same repetition,
    where it is the same field) says exactly that; with ``when_not`` only where it says anything else.
    """

    segment: str
    field: int
    component: int
    when_field: int = 0
    when_component: int = 0
    when_text: str = ""
    when_not: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Hl7Layout:
    """Where an HL7 v2 result message holds what. ``fields`` maps a field name to its places: the first that says something counts.

    Keys are field names of ``model.Reading``, plus ``label``, ``value``, ``unit`` and ``mark`` of an OBX segment, one place each. An OBX
    that meets the condition of a field's place is that field and no pad, nor is one whose label is in ``unread``.
    ``messages`` are pairs of MSH-9.1 and MSH-9.2. ``numbered``: OBR-1 counts from 1 below PID and OBX-1 below OBR, so that a lost segment
    shows. ``statuses`` are the texts of OBX-11 and OBR-25 that mean a final result. ``comments``: NTE-3 is kept.
    """

    fields: Mapping[str, tuple[Hl7Place, ...]]
    messages: frozenset[tuple[str, str]]
    answer: Answering
    numbered: bool
    statuses: frozenset[str]
    unread: frozenset[str]
    comments: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class JsonLayout:
    """Which fields of ``model.Reading`` a posted JSON reading may hold, and ``unit`` and ``mark`` of its pads.

    Its form is ``documents.ReadingsDocument``.
    """

    fields: frozenset[str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Token:
    """What one printed value means on one pad. ``step`` is set for a value of the declared unit system.

    ``elsewhere`` holds each other unit system that prints this text too, with the ranks of the steps that it prints so.
    """

    step: Step | None
    elsewhere: Mapping[UnitSystem, frozenset[int]] = field(default_factory=dict)

    @property
    def other(self) -> UnitSystem | None:
        """Give the unit system that the value belongs to, where it is not the declared one."""
        return next(iter(self.elsewhere), None) if self.step is None else None


@dataclass(frozen=True, kw_only=True, slots=True)
class PadVocabulary:
    """The closed vocabulary of one pad on one strip type under one profile.

    ``tokens`` maps the printed value (outer blanks stripped, inner blanks single) to its meaning;
    ``units`` is the set of unit texts that may stand beside a value of the declared system,
    with "" where a value may stand alone. Anything else is unknown and stops the strip.
    ``units_elsewhere`` holds the unit texts that each other system would print beside its numbers.
    """

    pad: str
    tokens: Mapping[str, Token]
    units: frozenset[str]
    units_elsewhere: Mapping[UnitSystem, frozenset[str]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class ProfileExample:
    """The worked example inside a profile file: bytes in, what must be understood."""

    payload: bytes
    expect: tuple[Mapping[str, object], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Profile:
    """How one kind of analyzer output is read; compiled from one file under mappings/profiles/.

    ``labels`` maps a printed pad label to our pad key. ``strip_types`` maps the printed
    strip type ("" if none is printed) to ours. ``vocabularies`` is keyed by (strip type, pad).
    ``date_format`` and ``time_format`` are strptime formats, empty where nothing is printed;
    where date and time are one field, ``date_format`` covers both and ``time_format`` is empty.
    ``marks`` maps the analyzer's printed mark to whether it says abnormal; None if it prints none.
    ``copy_marks`` and ``fault_tokens`` are exact printed texts. ``zone`` is the analyzer's clock. ``read_by`` decides between
    the codes of automated and of visually read strips.
    ``birth_format`` is the strptime format of a birth date, ``collected_format`` that of date and time of collection; ``sexes`` maps a printed word to the sex, None for a word that says "not known".
    """

    name: str
    title: str
    framing: Framing
    layout: Layout
    charset: str
    zone: ZoneInfo
    unit_system: UnitSystem
    date_format: str
    time_format: str
    numbers: NumberScheme
    labels: Mapping[str, str]
    strip_types: Mapping[str, str]
    vocabularies: Mapping[tuple[str, str], PadVocabulary]
    marks: Mapping[str, bool] | None
    copy_marks: frozenset[str]
    fault_tokens: frozenset[str]
    lis2: Lis2Layout | None
    delimited: DelimitedLayout | None
    slip: SlipLayout | None
    send_again: tuple[str, ...]
    example: ProfileExample
    hl7: Hl7Layout | None = None
    json: JsonLayout | None = None
    read_by: ReadBy = ReadBy.ANALYZER
    birth_format: str = ""
    collected_format: str = ""
    sexes: Mapping[str, Sex | None] = field(default_factory=dict)


# --- site policy and destinations (from the site configuration, as plain facts) ------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class PatientIdPolicy:
    """What a patient ID must look like. ``check_digit``: "", "mod11", "luhn" or "verhoeff".

    ``denied`` are exact IDs that are never a patient (strip lot codes, operator numbers,
    control lots, placeholders); ``denied_patterns`` are regular expressions on the whole ID.
    """

    pattern: str
    check_digit: str
    denied: frozenset[str]
    denied_patterns: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockRule:
    """How far an analyzer's clock may be off, in whole minutes; told by the median of its last ``strips``.

    Beyond ``note_minutes`` the page Analyzers says so; beyond ``hold_minutes`` a strip's time is in doubt: the strip is held where the rule
    ``stops``, else it goes with a note.
    """

    strips: int = 5
    note_minutes: int = 2
    hold_minutes: int = 15
    stops: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Policy:
    """The site's rules for checks. Minutes and days are whole numbers.

    ``processing_ids`` holds the processing ID that an analyzer's messages must bear, where that is not P (live). ``test_messages``:
    what becomes of a test message of an analyzer that is live: ``stop``, or ``training``, a reading that goes to no record.
    ``operators``: what becomes of a strip whose operator number is not a known person's in date, where any are entered: ``note`` or ``hold``.
    ``clock`` None: analyzers' clocks are not judged, but for a strip that was read after it arrived, or too long before.
    A jump over more
    than ``jump_limit`` numbers is one question, whether the number was set by hand. ``run_pause_minutes``: strips of one analyzer that lie no
    further apart are one run, of which the rest is held where something goes missing inside it; 0 holds nothing. ``telling`` is of critical results.
    ``day_log`` None: nothing is due in analyzers' day logs. ``power_on``: what becomes of a strip whose type nobody confirmed since its analyzer
    was switched on (``nothing``, ``note``, ``hold``). ``specimen`` None: nobody asks how old a specimen was. ``run_again``: what becomes of a
    second strip of a specimen whose result is reported already (``hold``, or ``nothing``: it is a result of its own).
    ``one_person`` names where strips are read by eye that need no second person; ``ungated`` where those are that wait for no controls.
    ``additions`` says, by analyzer, what people add to its strips.
    """

    patient_id: PatientIdPolicy
    rerun_window_minutes: int
    future_tolerance_minutes: int
    oldest_days: int
    processing_ids: Mapping[str, str] = field(default_factory=dict)
    test_messages: str = "stop"
    clock: ClockRule | None = None
    operators: str = "note"
    jump_limit: int = 100
    run_pause_minutes: int = 0
    telling: TellingTerms = field(default_factory=TellingTerms)
    day_log: DayLogRule | None = None
    power_on: str = "nothing"
    specimen: SpecimenRule | None = None
    one_person: frozenset[str] = frozenset()
    ungated: frozenset[str] = frozenset()
    additions: Mapping[str, AdditionTerms] = field(default_factory=dict)
    run_again: str = "hold"


@dataclass(frozen=True, kw_only=True, slots=True)
class GradeTable:
    """The site's own codes of grades. ``uri`` is the code system in FHIR; HL7's name of it stands in each code."""

    uri: str
    codes: Mapping[Grade, Code]


class Orders(StrEnum):
    """How the pads of a strip are ordered: all under one panel, or each as an order of its own."""

    PANEL = "panel"
    SINGLE = "single"


class Pointing(StrEnum):
    """How a FHIR message points to a patient or an order that it does not carry (FHIR R4, references).

    By identifier alone; by the server's own address, which is the identifier itself; or by a search that the server runs in the transaction.
    """

    LOGICAL = "logical"
    LITERAL = "literal"
    CONDITIONAL = "conditional"


@dataclass(frozen=True, kw_only=True, slots=True)
class Laboratory:
    """The organization that answers for the results. ``authority`` assigned ``number`` (a URI in FHIR, a name in HL7)."""

    name: str
    number: str
    authority: str
    street: str
    city: str
    state: str
    postal_code: str
    country: str
    director: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Provider:
    """Who orders where the strip does not say: number, family name and given name, and who assigned the number."""

    number: str
    family: str
    given: str
    authority: str


@dataclass(frozen=True, kw_only=True, slots=True)
class DestinationTerms:
    """What a renderer must know of a destination; connection facts live elsewhere.

    ``value_forms`` is the order of preference of the one form per pad. ``patient_authority`` and
    ``patient_type`` are PID-3.4 and PID-3.5; ``patient_system`` and ``result_system`` are FHIR
    identifier systems (URIs). ``observed_at``: ``analysis`` puts analysis time, with a note, where
    collection time is unknown (OBR-7, FHIR effective); ``empty`` leaves it out.
    ``zone`` is the zone of times in messages. ``grades`` says how a grade goes: ``("text",)``, or the one or two code systems
    (``loinc``, ``local``, ``snomed``) in the order in which they are sent; ``grade_table`` holds the local ones.
    ``equipment`` and ``operator`` say whether the analyzer's name and the operator's number go. ``unit_texts`` holds the site's
    own texts of units by their UCUM code; a unit without one goes as UCUM. ``orders``: panel or single. ``patient_pointing`` and
    ``order_pointing`` are for FHIR; ``order_system`` is the identifier system of order numbers, ``order_authority`` their
    HL7 name. ``message_profile`` is MSH-21, or in FHIR ``Kind=URL`` of each meta.profile, where the two sides agreed on it. ``non_patient``: controls and
    the like are sent too (OUL^R22 only). ``asks_commit`` is MSH-15 AL (enhanced mode), with ``asks_application`` as MSH-16; else MSH-15
    and MSH-16 are the format's own. ``withdrawal`` is OBX-11 of a result that is taken back, in HL7 v2: W or D of table 0085.
    ``added``: what people added to a strip goes too.
    """

    name: str
    format: Format
    value_forms: tuple[UnitSystem, ...]
    sending_application: str
    sending_facility: str
    receiving_application: str
    receiving_facility: str
    processing_id: str
    charset: str
    zone: ZoneInfo
    patient_authority: str
    patient_type: str
    patient_system: str
    result_system: str
    observed_at: str
    local_codes: bool
    grades: tuple[str, ...] = ("loinc",)
    grade_table: GradeTable | None = None
    equipment: bool = True
    operator: bool = True
    unit_texts: Mapping[str, str] = field(default_factory=dict)
    orders: Orders = Orders.PANEL
    patient_pointing: Pointing = Pointing.LOGICAL
    order_pointing: Pointing = Pointing.LOGICAL
    order_system: str = "urn:padpost:order"
    order_authority: str = ""
    message_profile: str = ""
    laboratory: Laboratory | None = None
    provider: Provider | None = None
    non_patient: bool = False
    asks_commit: bool = False
    asks_application: str = "AL"
    withdrawal: str = "W"
    added: bool = True

    @property
    def is_live(self) -> bool:
        """Say whether patients' records are behind it: HL7 table 0103, P production; T training and D debugging are not."""
        return self.processing_id == "P"


@dataclass(frozen=True, kw_only=True, slots=True)
class Doubt:
    """Something in a mapping file that may be wrong; the laboratory decides. Shaped and told like a ``TableError``."""

    path: tuple[str | int, ...]
    sentence: str
    remedy: str
    spot: Spot | None = None

    def __str__(self) -> str:
        """Give place, cause and remedy on one line."""
        return str(TableError(self.sentence, remedy=self.remedy, path=self.path, spot=self.spot))


@dataclass(frozen=True, kw_only=True, slots=True)
class Tables:
    """One loaded table set.

    ``canonical`` is everything in it as canonical JSON, which the store keeps; ``digest`` is its SHA-256. Empty where tables
    are put together by hand and not compiled. ``doubts`` is what ``padpost check`` warns of. The site's word on a ladder's
    abnormal steps is already in ``strip_types``; its bands and critical rules are in ``flags``, its control lots and gate policy in ``controls``,
    what it says of containers of strips in ``containers``, what people may add in ``additions``, its declared rules and terms of release in ``holds``. ``memo`` keeps what judging worked out.
    """

    digest: str
    catalogue: Catalogue
    strip_types: Mapping[str, StripType]
    profiles: Mapping[str, Profile]
    policy: Policy
    canonical: bytes = b""
    doubts: tuple[Doubt, ...] = ()
    flags: FlagTable = field(default_factory=FlagTable)
    controls: ControlTable = field(default_factory=ControlTable)
    containers: ContainerTable = field(default_factory=ContainerTable)
    additions: AdditionTable = field(default_factory=AdditionTable)
    holds: HoldTable = field(default_factory=HoldTable)
    memo: Memo = field(init=False, compare=False, repr=False, default_factory=Memo)
