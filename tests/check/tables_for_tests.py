"""Hand-made tables for the tests of judging: a strip type of three pads, and analyzers that number in every way.

All invented. Codes are LOINC's for automated strips (bridge's own catalogue has them from the LOINC table;
here they only have to be there). The rooms' tests on the shipped mappings stand beside these.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from bridge.model import (
    Code,
    Facts,
    Grade,
    Place,
    Printed,
    PrintedPad,
    Priority,
    Property,
    Purpose,
    Quantity,
    Reading,
    Step,
    UnitSystem,
)
from bridge.tables.types import (
    AbnormalSense,
    Catalogue,
    CatalogueCode,
    CataloguePad,
    Framing,
    Layout,
    ModeRule,
    NumberScheme,
    PadVocabulary,
    PatientIdPolicy,
    Policy,
    Profile,
    ProfileExample,
    SeriesRule,
    StripPad,
    StripType,
    Tables,
    Token,
)

ZONE = ZoneInfo("Europe/Berlin")
ARRIVED = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)  # 10:00 in ZONE


def _step(rank: int, grade: Grade, mass: str = "", molar: str = "") -> Step:
    return Step(
        rank=rank,
        grade=grade,
        conventional=Quantity(value=Decimal(mass), unit="mg/dL") if mass else None,
        si=Quantity(value=Decimal(molar), unit="mmol/L") if molar else None,
        abnormal=rank > 0,
    )


GLUCOSE = (_step(0, Grade.NEGATIVE), _step(1, Grade.PLUS_1, "100", "5.6"), _step(2, Grade.PLUS_2, "500", "28"))
PROTEIN = (_step(0, Grade.NEGATIVE), _step(1, Grade.TRACE), _step(2, Grade.PLUS_1, "30"))
NITRITE = (_step(0, Grade.NEGATIVE), _step(1, Grade.POSITIVE))

STRIP = StripType(
    name="fern-3",
    title="Fern 3",
    pads=(
        StripPad(pad="glucose", ladder=GLUCOSE, conventional_property=Property.MASS, si_property=Property.SUBSTANCE),
        StripPad(pad="protein", ladder=PROTEIN, conventional_property=Property.MASS, si_property=None),
        StripPad(pad="nitrite", ladder=NITRITE, conventional_property=None, si_property=None),
    ),
)


def _catalogue_pad(pad: str, name: str, codes: Mapping[Property, str]) -> CataloguePad:
    return CataloguePad(
        pad=pad,
        name=name,
        local=Code(code=f"T-{pad}", text=name, system="L"),
        codes=tuple(
            CatalogueCode(prop=prop, method="automated", code=Code(code=code, text=name, system="LN"))
            for prop, code in codes.items()
        ),
        sense=AbnormalSense.MORE,
        expected="Negative",
        low=None,
        high=None,
    )


CATALOGUE = Catalogue(
    pads={
        "glucose": _catalogue_pad(
            "glucose", "Glucose", {Property.ORDINAL: "50555-2", Property.MASS: "53328-1", Property.SUBSTANCE: "59156-0"}
        ),
        "protein": _catalogue_pad("protein", "Protein", {Property.ORDINAL: "57735-3", Property.MASS: "50561-0"}),
        "nitrite": _catalogue_pad("nitrite", "Nitrite", {Property.ORDINAL: "50558-6"}),
        "ketones": _catalogue_pad("ketones", "Ketones", {Property.ORDINAL: "57734-6"}),
    },
    panel=Code(code="50556-0", text="Urinalysis dipstick panel by automated", system="LN"),
    answers={},
)

VOCABULARIES = {
    ("fern-3", "glucose"): PadVocabulary(
        pad="glucose",
        tokens={
            "NEG": Token(step=GLUCOSE[0]),
            "100": Token(step=GLUCOSE[1]),
            "500": Token(step=GLUCOSE[2]),
            "5.6": Token(step=None, elsewhere={UnitSystem.SI: frozenset({1})}),
            "28": Token(step=None, elsewhere={UnitSystem.SI: frozenset({2})}),
        },
        units=frozenset({"", "mg/dL"}),
    ),
    ("fern-3", "protein"): PadVocabulary(
        pad="protein",
        tokens={"NEG": Token(step=PROTEIN[0]), "TR": Token(step=PROTEIN[1]), "30": Token(step=PROTEIN[2])},
        units=frozenset({"", "mg/dL"}),
    ),
    ("fern-3", "nitrite"): PadVocabulary(
        pad="nitrite", tokens={"NEG": Token(step=NITRITE[0]), "POS": Token(step=NITRITE[1])}, units=frozenset({""})
    ),
}

MODES = {
    "": ModeRule(word="", mode="routine", purpose=Purpose.PATIENT, priority=Priority.ROUTINE),
    "S": ModeRule(word="S", mode="stat", purpose=Purpose.PATIENT, priority=Priority.STAT),
    "C": ModeRule(word="C", mode="control", purpose=Purpose.CONTROL, priority=Priority.ROUTINE),
    "T": ModeRule(word="T", mode="training", purpose=Purpose.TRAINING, priority=Priority.ROUTINE),
}

DAILY = Profile(
    name="daily",
    title="Numbers restart each day",
    framing=Framing.NONE,
    layout=Layout.DELIMITED,
    charset="ascii",
    zone=ZONE,
    unit_system=UnitSystem.CONVENTIONAL,
    date_format="%Y-%m-%d",
    time_format="%H:%M",
    numbers=NumberScheme(
        pattern=r"(?P<mode>[A-Z]?)(?P<number>\d{1,20})", series=SeriesRule.DAILY, first=1, shared=False, modes=MODES
    ),
    labels={"GLU": "glucose", "PRO": "protein", "NIT": "nitrite", "KET": "ketones"},
    strip_types={"F3": "fern-3", "": "fern-3"},
    vocabularies=VOCABULARIES,
    marks={"": False, "*": True},
    copy_marks=frozenset({"COPY"}),
    fault_tokens=frozenset({"E04"}),
    lis2=None,
    delimited=None,
    slip=None,
    send_again=(),
    example=ProfileExample(payload=b"", expect=()),
)
FALL = replace(DAILY, name="fall", title="Numbers fall after a power cut", numbers=replace(DAILY.numbers, series=SeriesRule.FALL))
SHARED = replace(DAILY, name="shared", title="One count for all modes", numbers=replace(DAILY.numbers, shared=True))
UNDATED = replace(FALL, name="undated", title="Prints no date", date_format="", time_format="")
DAY_ONLY = replace(DAILY, name="day-only", title="Prints the day alone", time_format="")
ONE_FIELD = replace(DAILY, name="one-field", title="Date and time in one", date_format="%Y%m%d%H%M%S", time_format="")
UNMARKED = replace(DAILY, name="unmarked", title="Prints no marks", marks=None)

POLICY = Policy(
    patient_id=PatientIdPolicy(
        pattern=r"[0-9]{2,10}(-[0-9]{2})?", check_digit="", denied=frozenset({"999"}), denied_patterns=(r"0+",)
    ),
    rerun_window_minutes=120,
    future_tolerance_minutes=15,
    oldest_days=30,
)

TABLES = Tables(
    digest="0" * 64,
    catalogue=CATALOGUE,
    strip_types={STRIP.name: STRIP},
    profiles={each.name: each for each in (DAILY, FALL, SHARED, UNDATED, DAY_ONLY, ONE_FIELD, UNMARKED)},
    policy=POLICY,
)

NO_FACTS = Facts()
HERE = Place(start=0, end=0)
NEGATIVE = (("GLU", "NEG"), ("PRO", "NEG"), ("NIT", "NEG"))


def printed(text: str, start: int = 0) -> Printed:
    """Give a printed text at a place of its own length."""
    return Printed(text=text, place=Place(start=start, end=start + len(text)))


def pad(label: str, value: str, *, unit: str | None = None, mark: str | None = None) -> PrintedPad:
    """Give one printed pad. An abnormal value carries the analyzer's mark unless told otherwise."""
    shown = mark if mark is not None else ("" if value in ("NEG", "E04", "") else "*")
    return PrintedPad(
        label=printed(label),
        value=printed(value),
        unit=None if unit is None else printed(unit),
        mark=printed(shown) if shown else None,
    )


def reading(
    profile: str = "daily",
    *,
    number: str | None = "7",
    day: str | None = "2026-11-25",
    clock: str | None = "09:58",
    patient: str | None = "4711",
    pads: tuple[tuple[str, str], ...] = NEGATIVE,
    digest: str = "",
    **more: Printed | tuple[PrintedPad, ...],
) -> Reading:
    """Give a reading as ``read`` would: one clean strip of patient 4711 unless told otherwise.

    ``digest`` is by default a text of everything printed, as equal bytes have equal digests.
    """
    texts = {"number": number, "printed_date": day, "printed_time": clock, "patient_id": patient}
    fields = {name: printed(text) for name, text in texts.items() if text is not None}
    return Reading(
        **{
            "index": 0,
            "place": HERE,
            "analyzer": "bench-1",
            "profile": profile,
            "record_digest": digest or repr((number, day, clock, patient, pads)),
            "operator": printed("12"),
            "strip_type": printed("F3"),
            "strip_lot": printed("L100"),
            "pads": tuple(pad(label, value) for label, value in pads),
            **fields,
            **more,
        }  # type: ignore[arg-type] # one dict of several field types; the tests read better for it
    )
