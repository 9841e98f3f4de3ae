"""The shapes of the mapping files: catalogue, strip type, analyzer profile, flags.

Plain values go in (what a YAML file holds), frozen shapes come out. Unknown keys are errors. Numbers are
quoted text, so that 1.010 keeps its zero. The JSON Schemas under mappings/schemas/ are made from these
shapes by ``schemas.schema_texts`` and are for editors; what the shapes cannot say, ``compile_tables`` checks.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from bridge.model import Grade, Priority, Property, Purpose, ReadBy, Sex, UnitSystem
from bridge.tables.types import AbnormalSense, Answering, Framing, Layout, SeriesRule


def _quoted(value: object) -> object:
    if isinstance(value, int | float):
        raise ValueError('write this in quotes: "1.010" keeps its zero, and "yes" and "12:30" stay text')  # noqa: TRY004 - pydantic turns ValueError into its report
    return value


def _number(value: object) -> object:
    if isinstance(_quoted(value), str) and not re.fullmatch(_NUMBER, str(value)):
        raise ValueError('a number is written as "60", "1.010" or ">=1000"')
    return value


_NUMBER = r"(<=|>=|<|>)?[0-9]{1,6}(\.[0-9]{1,4})?"  # ours: no strip prints more digits

Text = Annotated[str, BeforeValidator(_quoted)]
Words = Annotated[str, BeforeValidator(_quoted), Field(min_length=1)]
WordKey = Annotated[str, BeforeValidator(_quoted), Field(pattern=r"^[a-z][a-z0-9 -]{0,29}$")]
PadKey = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,29}$")]
FileKey = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")]
Number = Annotated[str, BeforeValidator(_number), Field(pattern=f"^{_NUMBER}$")]
Plain = Annotated[str, BeforeValidator(_quoted), Field(pattern=r"^[0-9]{1,6}(\.[0-9]{1,4})?$")]

PostedText = Annotated[
    str, BeforeValidator(_quoted), Field(pattern=r"^[^\x00-\x1f\x7f-\x9f]*$")
]  # control characters stop a strip
PostedLabel = Annotated[str, BeforeValidator(_quoted), Field(pattern=r"^[^\x00-\x1f\x7f-\x9f]+$")]

FIELD_NAMES = (
    "number",
    "printed_date",
    "printed_time",
    "patient_id",
    "patient_name",
    "birth_date",
    "sex",
    "order_number",
    "specimen_id",
    "operator",
    "strip_type",
    "strip_lot",
    "purpose",
    "copy_mark",
    "fault",
    "processing_id",
    "serial",
    "collected",
    "comment",
)
"""What a layout may find, named as in ``model.Reading``. The priority comes with the mode's word, never alone."""

PAD_NAMES = ("label", "value", "unit", "mark")
"""What a layout may find of one pad, named as in ``model.PrintedPad``."""


class Shape(BaseModel):
    """What every mapping file has in common: frozen, and no unknown key."""

    model_config = ConfigDict(extra="forbid", frozen=True)


# --- the pad catalogue -------------------------------------------------------------------------


class CodeRow(Shape):
    """One LOINC code of a pad. ``scale`` (Ord, Nom, SemiQn, Qn) and ``status`` are LOINC's; empty where the source did not show them."""

    property: Property
    method: Literal["automated", "strip", "none"]
    code: Words
    text: Words
    scale: Literal["Ord", "Nom", "SemiQn", "Qn", ""] = ""
    status: Literal["ACTIVE", "TRIAL", "DISCOURAGED", "DEPRECATED", ""] = ""
    source: Words


class TermRow(Shape):
    """A code that stands alone: the panel, or the coded answer of a grade."""

    code: Words
    text: Words
    source: Words


class ConceptRow(Shape):
    """A SNOMED CT concept that says a grade.

    ``top`` is the highest grade of the ladder that it counts against ("2+ out of 3+"); left out where it counts against none.
    """

    grade: Grade
    top: Grade | None = None
    code: Annotated[str, BeforeValidator(_quoted), Field(pattern=r"^[1-9][0-9]{5,17}$")]
    text: Words
    source: Words


class LocalRow(Shape):
    """Padpost's own code for a pad, sent beside LOINC where the destination wants local codes."""

    code: Words
    text: Words


class UnitRow(Shape):
    """One UCUM unit that a ladder may use. ``size`` says how many of its property's base unit it is.

    The base units are ours: mg/L for mass, umol/L for substance, /uL for counts, mg/g and mg/mmol for ratios, and the unit
    itself for the others.
    """

    property: Property
    size: Plain
    source: Words


class RefusedUnitRow(Shape):
    """A text that looks like a unit and is none of ours: what it means instead, and what to write."""

    use: Words
    why: Words
    source: Words


class MolarMassRow(Shape):
    """What joins a pad's mass and substance concentrations: the formula, and its mass in g/mol."""

    formula: Words
    grams_per_mole: Plain
    source: Words


class ExpectedRow(Shape):
    """What is expected of a healthy specimen: printed text, and bounds where the pad prints numbers."""

    text: Text
    low: Plain | None = None
    high: Plain | None = None
    unit: Text = ""
    source: Words


class WordRow(Shape):
    """One value of a nominal pad: Padpost's own code for it, and its text for people."""

    code: Words
    text: Words
    source: Words


class RatioOfRow(Shape):
    """What a ratio is of: ``of`` is divided by ``to``. Its molar mass is that of ``to``."""

    of: PadKey
    to: PadKey


class PadRow(Shape):
    """One pad. ``units`` lists, for each LOINC property, the UCUM units that a ladder may use; ``words`` every value of a nominal pad.

    ``ratio`` is for a pad that can be computed from two others; a strip type says where it is, and an analyzer may print it itself.
    """

    name: Words
    also: tuple[Words, ...] = ()
    local: LocalRow
    sense: AbnormalSense
    expected: ExpectedRow
    units: Mapping[Property, tuple[Words, ...]]
    molar_mass: MolarMassRow | None = None
    words: Mapping[WordKey, WordRow] = Field(default_factory=dict)
    ratio: RatioOfRow | None = None
    codes: tuple[CodeRow, ...] = Field(min_length=1)


class CatalogueDocument(Shape):
    """mappings/catalogue.yaml: every pad that a strip can carry. ``visual_panel`` is the panel of strips read by eye."""

    release: Words
    panel: TermRow
    visual_panel: TermRow | None = None
    answers: Mapping[Grade, TermRow]
    units: Mapping[Words, UnitRow]
    refused_units: Mapping[Words, RefusedUnitRow] = Field(default_factory=dict)
    pads: Mapping[PadKey, PadRow]
    snomed: tuple[ConceptRow, ...] = ()


# --- strip types -------------------------------------------------------------------------------


class Scale(Shape):
    """What the numbers of one unit system are on this pad."""

    property: Property
    unit: Words


class StepRow(Shape):
    """One step of a ladder. A number is quoted text, with its comparator before it: ">=1000". A word is one of the catalogue's."""

    grade: Grade | None = None
    word: WordKey | None = None
    conventional: Number | None = None
    si: Number | None = None
    abnormal: bool


class LadderRow(Shape):
    """One pad of a strip type; its steps, lowest first. A step without a number has none in that system; words have no order.

    ``read_after_s``: where the strips' own instructions say so, how many seconds after dipping the pad is read by eye.
    """

    pad: PadKey
    read_after_s: int | None = Field(default=None, ge=1, le=600)
    conventional: Scale | None = None
    si: Scale | None = None
    ladder: tuple[StepRow, ...] = Field(min_length=2)


class RatioScale(Scale):
    """In what a computed ratio is told, and to how many places after the decimal point it is rounded."""

    decimals: int = Field(ge=0, le=4)


class RatioRow(Shape):
    """A ratio that Padpost computes where this strip's analyzers do not print it; ``abnormal`` is its limit in the conventional unit."""

    pad: PadKey
    conventional: RatioScale
    si: RatioScale | None = None
    abnormal: Number


class StripTypeDocument(Shape):
    """mappings/strip_types/NAME.yaml: which pads, in the order of the strip, and which ratios are computed from them."""

    title: Words
    origin: Words
    pads: tuple[LadderRow, ...] = Field(min_length=1)
    ratios: tuple[RatioRow, ...] = ()


# --- analyzer profiles -------------------------------------------------------------------------


class ModeRow(Shape):
    """What a word beside or inside the strip's number means; the empty word is the default."""

    word: Text
    mode: FileKey
    purpose: Purpose
    priority: Priority


class NumbersRow(Shape):
    """How the analyzer numbers its strips; see ``types.NumberScheme``."""

    pattern: Words
    series: SeriesRule
    first: int = Field(default=1, ge=0)
    shared: bool
    modes: tuple[ModeRow, ...] = Field(min_length=1)


class Lis2Document(Shape):
    """Where LIS02-A2 records hold what: ``O.3``, or ``R.3.4`` for the fourth component.

    ``numbered: false`` is for an analyzer whose O and R records do not count from 1 below their parent; a lost P record then does not show.
    """

    fields: Mapping[str, Words]
    comments: bool = False
    numbered: bool = True


class DelimitedDocument(Shape):
    """Columns in their order: a field name, ``pad:LABEL``, ``unit:LABEL``, ``mark:LABEL``, or ``-`` for one not read."""

    delimiter: Annotated[str, Field(min_length=1, max_length=1)]
    quote: Annotated[str, Field(max_length=1)] = ""
    header: tuple[Text, ...] = ()
    columns: tuple[Words, ...] = Field(min_length=2)


class SlipLineRow(Shape):
    """One kind of slip line: a pattern for the whole line with named groups."""

    name: FileKey
    pattern: Words
    required: bool = False


class SlipDocument(Shape):
    """How a printed slip begins, ends, and what its lines are; see ``types.SlipLayout``."""

    begin: Words
    end: Text = ""
    ignore: Text = ""
    lines: tuple[SlipLineRow, ...] = Field(min_length=1)


class Hl7Document(Shape):
    """Where an HL7 v2 result message (ORU^R01, ORU^R30, OUL^R22) holds what; one OBR is one strip.

    A place is ``OBR-3`` or ``OBR-3.1``; ``PID-3.1 if PID-3.5 is MR`` takes the repetition, or the segment, that says so (``is not P``: that says anything else); with ``or``
    between two places the first that says something counts. OBX segments that no such condition names, and whose label is not in
    ``unread``, are pads. ``answer: judged`` tells the instrument of a rejected strip (AE); else AA says that the message is kept.
    ``numbered: false`` is for an instrument whose OBR-1 and OBX-1 do not count from 1 below their parent.
    """

    fields: Mapping[str, Words]
    messages: tuple[Literal["ORU^R01", "ORU^R30", "OUL^R22"], ...] = Field(min_length=1)
    answer: Answering = Answering.KEPT
    numbered: bool = True
    statuses: tuple[Words, ...] = Field(default=("F",), min_length=1)
    unread: tuple[Words, ...] = ()
    comments: bool = False


class JsonDocument(Shape):
    """Which fields a posted JSON reading may hold, and whether its pads may have ``unit`` and ``mark``; the form is schemas/reading.json."""

    fields: tuple[Words, ...] = Field(min_length=1)


class PostedPad(Shape):
    """One pad of a posted reading, as printed. A value is text, so that 1.010 keeps its zero."""

    label: PostedLabel
    value: PostedText
    unit: PostedText = ""
    mark: PostedText = ""


class PostedReading(Shape):
    """One strip of a posted reading, as printed; an empty text says nothing. Which fields an analyzer has, its profile says."""

    number: PostedText = ""
    printed_date: PostedText = ""
    printed_time: PostedText = ""
    patient_id: PostedText = ""
    patient_name: PostedText = ""
    birth_date: PostedText = ""
    sex: PostedText = ""
    order_number: PostedText = ""
    specimen_id: PostedText = ""
    operator: PostedText = ""
    strip_type: PostedText = ""
    strip_lot: PostedText = ""
    purpose: PostedText = ""
    copy_mark: PostedText = ""
    fault: PostedText = ""
    processing_id: PostedText = ""
    serial: PostedText = ""
    collected: PostedText = ""
    comments: tuple[PostedText, ...] = ()
    pads: tuple[PostedPad, ...] = ()


class ReadingsDocument(Shape):
    """What is posted to /api/readings: one or more strips, in the order in which they were read."""

    readings: tuple[PostedReading, ...] = Field(min_length=1)


class EnteredReading(PostedReading):
    """A strip that a person entered in a form of ours, in the texts that the profile of its source knows; ``entered_by`` is that person's name."""

    entered_by: PostedText


class FormDocument(Shape):
    """What is kept of a form: one strip."""

    readings: tuple[EnteredReading, ...] = Field(min_length=1, max_length=1)


class ExampleRow(Shape):
    """A worked example: bytes in, what must be understood.

    ``payload`` is the capture, one character a byte (U+00E9 is byte E9), control bytes as YAML escapes. With framing lis01
    it is the message's text, which is put into frames. Each ``expect`` is one strip: fields as printed, and
    ``pads`` by pad key with the step's grade, or its conventional number; or ``unreadable`` with a rule.
    """

    payload: Words
    expect: tuple[Mapping[str, object], ...] = Field(min_length=1)


class ProfileDocument(Shape):
    """mappings/profiles/NAME.yaml: how one kind of analyzer output is read.

    ``reading`` says whether an analyzer read the strips, or a person by eye (visual), as on a typed slip: the codes follow it.
    ``printed`` lists the forms in which a value is printed, made of {grade}, {value} and {unit}. ``words`` gives
    the printed texts of each grade, ``pad_words`` those that differ on one pad, ``word_texts`` those of the words of a nominal pad
    (colour, clarity), ``units`` those of each UCUM unit ("" = not printed).
    ``birth_format`` is how a birth date is printed, ``collected_format`` how date and time of the specimen's collection are; ``sexes`` gives for each printed word F, M, O, or U where it says "not known".
    """

    title: Words
    about: Words
    reading: ReadBy = ReadBy.ANALYZER
    framing: Framing
    layout: Layout
    charset: Literal["ascii", "latin-1", "cp1252", "cp437", "cp850", "utf-8", "iso8859-15"]
    zone: Words
    unit_system: UnitSystem
    date_format: Text = ""
    time_format: Text = ""
    numbers: NumbersRow
    labels: Mapping[Words, PadKey]
    strip_types: Mapping[Text, FileKey] = Field(min_length=1)
    printed: tuple[Words, ...] = Field(min_length=1)
    decimal: Literal[".", ","] = "."
    comparators: Mapping[Literal["<", "<=", ">=", ">"], Words] = Field(default_factory=dict)
    words: Mapping[Grade, tuple[Words, ...]]
    pad_words: Mapping[PadKey, Mapping[Grade, tuple[Words, ...]]] = Field(default_factory=dict)
    word_texts: Mapping[PadKey, Mapping[WordKey, tuple[Words, ...]]] = Field(default_factory=dict)
    units: Mapping[Words, tuple[Text, ...]] = Field(default_factory=dict)
    marks: Mapping[Text, bool] | None = None
    birth_format: Text = ""
    collected_format: Text = ""
    sexes: Mapping[Words, Literal["F", "M", "O", "U"]] = Field(default_factory=dict)
    copy_marks: tuple[Words, ...] = ()
    fault_tokens: tuple[Words, ...] = ()
    lis2: Lis2Document | None = None
    delimited: DelimitedDocument | None = None
    slip: SlipDocument | None = None
    hl7: Hl7Document | None = None
    json_: JsonDocument | None = Field(default=None, alias="json")
    send_again: tuple[Words, ...] = Field(min_length=1)
    example: ExampleRow


# --- flags -------------------------------------------------------------------------------------


class BandRow(Shape):
    """What is expected of one pad in people of one sex (left out: any) and of an age in completed years, from_age to under to_age.

    A range (low, high and their unit) replaces the catalogue's; or abnormal_from, a grade, adds to what the ladder calls abnormal.
    """

    pad: PadKey
    sex: Sex | None = None
    from_age: int = Field(default=0, ge=0, le=150)
    to_age: int | None = Field(default=None, ge=1, le=150)
    expected: Words
    low: Plain | None = None
    high: Plain | None = None
    unit: Text = ""
    abnormal_from: Grade | None = None
    source: Words
    signed: Words


class NormalRow(Shape):
    """A grade of one pad that the laboratory calls normal, whatever the ladder says. ``signed`` says who decided so, and when."""

    pad: PadKey
    grade: Grade
    source: Words
    signed: Words


class ConditionRow(Shape):
    """What one pad must show: at_least a grade; or a number at_least or at_most as large, with its unit."""

    pad: PadKey
    at_least: Words | None = None
    at_most: Plain | None = None
    unit: Text = ""


class CriticalRow(Shape):
    """A combination that the laboratory calls critical: every condition of ``when`` is met. It does nothing until it is switched on and signed."""

    id: FileKey
    when: tuple[ConditionRow, ...] = Field(min_length=1)
    text: Words
    source: Words
    signed: Text = ""
    switched_on: bool = False


class FlagsDocument(Shape):
    """mappings/flags.yaml: what the laboratory says of flags. Shipped without bands and policy, and with every critical rule off."""

    bands: tuple[BandRow, ...] = ()
    normal: tuple[NormalRow, ...] = ()
    critical: tuple[CriticalRow, ...] = ()
