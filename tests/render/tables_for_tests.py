"""Hand-made tables for coding and rendering, and the shipped ones.

The hand-made strip has one pad of each kind: graded with numbers in two unit systems, graded only,
numeric with a range, numeric with comparators, and one whose codes are not of an automated method. Codes, names and answers
are LOINC 2.82's (sources: mappings/catalogue.yaml); ladders, strip and analyzer are invented.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from functools import cache
from zoneinfo import ZoneInfo

from bridge.model import Code, Format, Grade, Property, Quantity, Step, UnitSystem
from bridge.settings import Document, shipped_mappings
from bridge.tables.compiled import NO_FLAGS, compile_tables
from bridge.tables.documents import CatalogueDocument, FlagsDocument, ProfileDocument, StripTypeDocument
from bridge.tables.types import (
    AbnormalSense,
    Catalogue,
    CatalogueCode,
    CataloguePad,
    DestinationTerms,
    GradeTable,
    Laboratory,
    PadVocabulary,
    PatientIdPolicy,
    Policy,
    Provider,
    StripPad,
    StripType,
    Tables,
    Token,
)

ZONE = ZoneInfo("Europe/Lisbon")
POLICY = Policy(
    patient_id=PatientIdPolicy(pattern=".+", check_digit="", denied=frozenset(), denied_patterns=()),
    rerun_window_minutes=120,
    future_tolerance_minutes=15,
    oldest_days=30,
)
ANSWERS = {
    Grade.NEGATIVE: Code(code="LA6577-6", text="Negative", system="LN"),
    Grade.TRACE: Code(code="LA11832-5", text="Trace", system="LN"),
    Grade.PLUS_1: Code(code="LA11841-6", text="1+", system="LN"),
    Grade.PLUS_2: Code(code="LA11842-4", text="2+", system="LN"),
    Grade.POSITIVE: Code(code="LA6576-8", text="Positive", system="LN"),
}


def number(text: str, unit: str) -> Quantity:
    """Give ``>=10.0`` or ``1.010`` as a Quantity."""
    digits = text.lstrip("<>=")
    return Quantity(value=Decimal(digits), unit=unit, comparator=text.removesuffix(digits))


def _code(prop: Property, method: str, code: str, text: str) -> CatalogueCode:
    return CatalogueCode(prop=prop, method=method, code=Code(code=code, text=text, system="LN"))


def _pad(
    pad: str,
    local: str,
    *codes: CatalogueCode,
    expected: str = "Negative",
    low: Quantity | None = None,
    high: Quantity | None = None,
) -> CataloguePad:
    return CataloguePad(
        pad=pad,
        name=pad.replace("_", " ").capitalize(),
        local=Code(code=local, text=pad.replace("_", " ").capitalize(), system="L"),
        codes=codes,
        sense=AbnormalSense.OUTSIDE if low or high else AbnormalSense.MORE,
        expected=expected,
        low=low,
        high=high,
    )


PADS = (
    _pad(
        "glucose",
        "T-GLU",
        # out of order on purpose: the method decides, not the place in the list
        _code(Property.ORDINAL, "strip", "25428-4", "Glucose [Presence] in Urine by Test strip"),
        _code(Property.ORDINAL, "automated", "50555-2", "Glucose [Presence] in Urine by Automated test strip"),
        _code(Property.MASS, "automated", "53328-1", "Glucose [Mass/volume] in Urine by Automated test strip"),
        _code(Property.SUBSTANCE, "automated", "59156-0", "Glucose [Moles/volume] in Urine by Automated test strip"),
    ),
    _pad(
        "nitrite", "T-NIT", _code(Property.ORDINAL, "automated", "50558-6", "Nitrite [Presence] in Urine by Automated test strip")
    ),
    _pad(
        "specific_gravity",
        "T-SG",
        _code(Property.GRAVITY, "automated", "53326-5", "Specific gravity of Urine by Automated test strip"),
        expected="1.005-1.030",
        low=number("1.005", "1"),
        high=number("1.030", "1"),
    ),
    _pad(
        "ph",
        "T-PH",
        _code(Property.ACIDITY, "automated", "50560-2", "pH of Urine by Automated test strip"),
        expected="5.0-8.0",
        low=number("5.0", "[pH]"),
        high=number("8.0", "[pH]"),
    ),
    _pad(
        "ascorbic_acid",
        "T-ASC",
        _code(Property.MASS, "strip", "5768-7", "Ascorbate [Mass/volume] in Urine by Test strip"),
        expected="",
    ),
    _pad(
        "calcium",
        "T-CA",
        _code(Property.ORDINAL, "none", "29276-3", "Calcium [Presence] in Urine"),
        _code(Property.SUBSTANCE, "none", "2004-0", "Calcium [Moles/volume] in Urine"),
    ),
)


def _ladder(*steps: tuple[Grade | None, str, str, bool], unit: str = "mg/dL", si_unit: str = "mmol/L") -> tuple[Step, ...]:
    return tuple(
        Step(
            rank=rank,
            grade=grade,
            conventional=number(conventional, unit) if conventional else None,
            si=number(si, si_unit) if si else None,
            abnormal=abnormal,
        )
        for rank, (grade, conventional, si, abnormal) in enumerate(steps)
    )


STRIP = StripType(
    name="test-6",
    title="Six pads for tests",
    pads=(
        StripPad(
            pad="glucose",
            ladder=_ladder(
                (Grade.NEGATIVE, "", "", False),
                (Grade.TRACE, "60", "3.3", True),
                (Grade.PLUS_1, "120", "6.5", True),
                (Grade.PLUS_2, ">=1000", ">=55.5", True),
            ),
            conventional_property=Property.MASS,
            si_property=Property.SUBSTANCE,
        ),
        StripPad(
            pad="nitrite",
            ladder=_ladder((Grade.NEGATIVE, "", "", False), (Grade.POSITIVE, "", "", True)),
            conventional_property=None,
            si_property=None,
        ),
        StripPad(
            pad="specific_gravity",
            ladder=_ladder(
                (None, "1.000", "", True),
                (None, "1.010", "", False),
                (None, "1.020", "", False),
                (None, ">=1.035", "", True),
                unit="1",
            ),
            conventional_property=Property.GRAVITY,
            si_property=None,
        ),
        StripPad(
            pad="ph",
            ladder=_ladder((None, "5.0", "", False), (None, "6.5", "", False), (None, "9.0", "", True), unit="[pH]"),
            conventional_property=Property.ACIDITY,
            si_property=None,
        ),
        StripPad(
            pad="ascorbic_acid",
            ladder=_ladder((None, "<0.2", "", False), (None, "20", "", True)),
            conventional_property=Property.MASS,
            si_property=None,
        ),
        StripPad(
            pad="calcium",
            ladder=_ladder((Grade.NEGATIVE, "", "", False), (Grade.PLUS_1, "10", "2.5", True)),
            conventional_property=None,
            si_property=Property.SUBSTANCE,
        ),
    ),
)
# calcium declares SI values only where the catalogue can code them
STRIP = replace(
    STRIP,
    pads=(
        *STRIP.pads[:5],
        replace(STRIP.pads[5], ladder=tuple(replace(step, conventional=None) for step in STRIP.pads[5].ladder)),
    ),
)


@cache
def shipped() -> Tables:
    """Give the tables of mappings/, under a policy that matters to no renderer."""
    return shipped_with(NO_FLAGS)


def shipped_with(flags: FlagsDocument) -> Tables:
    """Give the same with a site's flags."""
    root = shipped_mappings()
    return compile_tables(
        Document(root / "catalogue.yaml").shaped(CatalogueDocument),
        {path.stem: Document(path).shaped(StripTypeDocument) for path in sorted(root.glob("strip_types/*.yaml"))},
        {path.stem: Document(path).shaped(ProfileDocument) for path in sorted(root.glob("profiles/*.yaml"))},
        POLICY,
        zone=ZONE,
        flags=flags,
    )


def _vocabulary(pad: StripPad) -> PadVocabulary:
    """Print grades in capitals with a sign of its own, so that the printed text differs from every code's text."""
    tokens = {f"{step.grade.value.upper()}!": Token(step=step) for step in pad.ladder if step.grade}
    return PadVocabulary(pad=pad.pad, tokens=tokens, units=frozenset({""}))


@cache
def hand_made() -> Tables:
    """Give tables of one strip type and one profile; the profile's reading rules are borrowed, no renderer looks at them."""
    borrowed = next(iter(shipped().profiles.values()))
    profile = replace(
        borrowed,
        name="testing",
        strip_types={"": STRIP.name},
        vocabularies={(STRIP.name, pad.pad): _vocabulary(pad) for pad in STRIP.pads},
    )
    return Tables(
        digest="0" * 64,
        catalogue=Catalogue(
            pads={pad.pad: pad for pad in PADS},
            panel=Code(code="50556-0", text="Urinalysis dipstick panel - Urine by Automated test strip", system="LN"),
            answers=ANSWERS,
        ),
        strip_types={STRIP.name: STRIP},
        profiles={profile.name: profile},
        policy=POLICY,
    )


GRADES_FIRST = (UnitSystem.ARBITRARY, UnitSystem.CONVENTIONAL, UnitSystem.SI)
NUMBERS_FIRST = (UnitSystem.CONVENTIONAL, UnitSystem.SI, UnitSystem.ARBITRARY)
SI_FIRST = (UnitSystem.SI, UnitSystem.CONVENTIONAL, UnitSystem.ARBITRARY)


HL7 = tuple(fmt for fmt in Format if not fmt.is_fhir)
BASIC = (Format.ORU_R01, Format.FHIR)  # one of each kind; the others are shaped after them


# an invented laboratory and provider; 2.999 is the arc of OIDs for examples (ITU-T X.660)
LABORATORY = Laboratory(
    name="Test Bench",
    number="77",
    authority="REGISTRY",
    street="1 Mill Lane",
    city="Ford",
    state="Shire",
    postal_code="F0 1AB",
    country="PRT",
    director="Dr Otter",
)
PROVIDER = Provider(number="4711", family="Heron", given="Ines", authority="STAFF")


def terms(fmt: Format, values: tuple[UnitSystem, ...] = GRADES_FIRST) -> DestinationTerms:
    """Give the terms of an invented destination, with what its format cannot do without."""
    made = _plain_terms(fmt, values)
    if fmt is Format.ORU_R01_US:
        return replace(made, laboratory=LABORATORY, provider=PROVIDER, message_profile="TestShape^^2.999.5^ISO")
    return replace(made, non_patient=True) if fmt is Format.OUL_R22 else made


def _plain_terms(fmt: Format, values: tuple[UnitSystem, ...]) -> DestinationTerms:
    return DestinationTerms(
        name="ward-record",
        format=fmt,
        value_forms=values,
        sending_application="PADPOST",
        sending_facility="LAB7",
        receiving_application="RECORD",
        receiving_facility="WARD",
        processing_id="P",
        charset="UNICODE UTF-8",
        zone=ZONE,
        patient_authority="CLINIC",
        patient_type="MR",
        patient_system="urn:oid:2.999.1",
        result_system="urn:padpost:result",
        observed_at="analysis",
        local_codes=True,
    )


# an invented laboratory's own codes of grades
LOCAL_GRADES = GradeTable(
    uri="urn:oid:2.999.7",
    codes={
        grade: Code(code=code, text=text, system="99QLB")
        for grade, code, text in (
            (Grade.NEGATIVE, "U0", "not found"),
            (Grade.NORMAL, "UN", "as usual"),
            (Grade.TRACE, "UT", "a trace"),
            (Grade.PLUS_1, "U1", "one plus"),
            (Grade.PLUS_2, "U2", "two plus"),
            (Grade.PLUS_3, "U3", "three plus"),
            (Grade.PLUS_4, "U4", "four plus"),
            (Grade.POSITIVE, "UP", "found"),
        )
    },
)


@cache
def counted_to_three() -> Tables:
    """Give the hand-made tables with three pads, whose glucose ladder goes up to 3+, so that SNOMED CT has a concept for each grade."""
    made, glucose = hand_made(), STRIP.pads[0]
    top = Step(rank=4, grade=Grade.PLUS_3, conventional=None, si=None, abnormal=True)
    pads = (replace(glucose, ladder=(*glucose.ladder, top)), *STRIP.pads[1:3])
    catalogue = replace(made.catalogue, snomed=shipped().catalogue.snomed)
    return replace(made, catalogue=catalogue, strip_types={STRIP.name: replace(STRIP, pads=pads)})


ORU = terms(Format.ORU_R01)
FHIR = terms(Format.FHIR)
# every (tables, profile, strip type) that can be rendered: the hand-made one and all that are shipped
EVERY_STRIP = (
    ("testing", STRIP.name),
    *((name, strip) for name, profile in shipped().profiles.items() for strip in sorted(set(profile.strip_types.values()))),
)


def tables_of(profile: str) -> Tables:
    """Give the table set that has ``profile``."""
    return hand_made() if profile == "testing" else shipped()
