"""What is on the ladder comes out digit for digit, and what was printed sign for sign, in both formats and every form: on the raw bytes.

Issue 3's full-precision list: 0.1 mg/dL urobilinogen, pH 6.5, specific gravity 1.010 and 1.030, ``>=1000``, ``+-``. The strip is invented;
the codes are the shipped catalogue's.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from bridge import pipeline
from bridge.coding import code
from bridge.model import Capture, Coded, Facts, Format, Grade, Property, Reading, Step, Way
from bridge.render import compile_plan
from bridge.render.conformance import faults
from bridge.settings import shipped_mappings
from bridge.site import load_tables
from bridge.tables.types import StripPad, StripType, Tables
from tests.render.every_sample import ORDERS, SYSTEMS, terms_for
from tests.render.results_for_tests import MADE_AT, checked
from tests.render.tables_for_tests import BASIC, NUMBERS_FIRST, POLICY, STRIP, ZONE, hand_made, number, shipped, terms

# pad -> (property, unit, its steps as (grade, number, what the analyzer prints))
LADDERS: dict[str, tuple[Property, str, list[tuple[Grade | None, str, str]]]] = {
    "urobilinogen": (Property.MASS, "mg/dL", [(Grade.NORMAL, "0.1", "0.1 mg/dl"), (None, "1.0", "1.0 mg/dl")]),
    "ph": (Property.ACIDITY, "[pH]", [(None, "6.5", "6.5"), (None, "7.0", "7.0")]),
    "specific_gravity": (Property.GRAVITY, "1", [(None, "1.010", "1.010"), (None, "1.030", "1.030")]),
    "glucose": (Property.MASS, "mg/dL", [(Grade.TRACE, "50", "+-"), (Grade.POSITIVE, ">=1000", ">=1000")]),
}
# (pad, rank) -> where its number stands in the bytes of an ORU and of a Bundle
NUMBERS = {
    ("urobilinogen", 0): ("||0.1|mg/dL^mg/dL^UCUM|", '"valueQuantity":{"value":0.1,"unit":"mg/dL",'),
    ("urobilinogen", 1): ("||1.0|mg/dL^mg/dL^UCUM|", '"valueQuantity":{"value":1.0,"unit":"mg/dL",'),
    ("ph", 0): ("||6.5|[pH]^[pH]^UCUM|", '"valueQuantity":{"value":6.5,"unit":"[pH]",'),
    ("ph", 1): ("||7.0|[pH]^[pH]^UCUM|", '"valueQuantity":{"value":7.0,"unit":"[pH]",'),
    ("specific_gravity", 0): ("||1.010|1^1^UCUM|", '"valueQuantity":{"value":1.010,"unit":"1",'),
    ("specific_gravity", 1): ("||1.030|1^1^UCUM|", '"valueQuantity":{"value":1.030,"unit":"1",'),
    ("glucose", 0): ("||50|mg/dL^mg/dL^UCUM|", '"valueQuantity":{"value":50,"unit":"mg/dL",'),
    ("glucose", 1): ("||>=^1000|mg/dL^mg/dL^UCUM|", '"valueQuantity":{"value":1000,"comparator":">=","unit":"mg/dL",'),
}
# (form, pad, rank) -> where its grade stands in the bytes of an ORU and of a Bundle
GRADES = {
    ("grades", "urobilinogen", 0): (
        "|CWE|62487-4^", "||LA6626-1^Normal^LN^^^^^^0.1 mg/dl||",
        '"valueCodeableConcept":{"coding":[{"system":"http://loinc.org","code":"LA6626-1","display":"Normal"}],"text":"0.1 mg/dl"}',
    ),
    ("grades", "glucose", 0): (
        "|CWE|50555-2^", "||LA11832-5^Trace^LN^^^^^^+-||",
        '"valueCodeableConcept":{"coding":[{"system":"http://loinc.org","code":"LA11832-5","display":"Trace"}],"text":"+-"}',
    ),
    ("grades", "glucose", 1): (
        "|CWE|50555-2^", "||LA6576-8^Positive^LN^^^^^^>=1000||",
        '"valueCodeableConcept":{"coding":[{"system":"http://loinc.org","code":"LA6576-8","display":"Positive"}],"text":">=1000"}',
    ),
    ("text", "urobilinogen", 0): ("|ST|62487-4^", "||Normal||", '"valueString":"Normal"'),
    ("text", "glucose", 0): ("|ST|50555-2^", "||Trace||", '"valueString":"Trace"'),
    ("text", "glucose", 1): ("|ST|50555-2^", "||Positive||", '"valueString":"Positive"'),
    ("local", "glucose", 0): (
        "|CWE|50555-2^", "||UT^a trace^99QLB^LA11832-5^Trace^LN^^^+-||",
        '"coding":[{"system":"urn:oid:2.999.7","code":"UT","display":"a trace"},{"system":"http://loinc.org","code":"LA11832-5","display":"Trace"}],"text":"+-"}',
    ),
    ("local", "glucose", 1): (
        "|CWE|50555-2^", "||UP^found^99QLB^LA6576-8^Positive^LN^^^>=1000||",
        '"coding":[{"system":"urn:oid:2.999.7","code":"UP","display":"found"},{"system":"http://loinc.org","code":"LA6576-8","display":"Positive"}],"text":">=1000"}',
    ),
    ("snomed", "glucose", 0): (
        "|CWE|50555-2^", "||260405006^Trace (qualifier value)^SCT^^^^^^+-||",
        '"coding":[{"system":"http://snomed.info/sct","code":"260405006","display":"Trace (qualifier value)"}],"text":"+-"}',
    ),
    ("snomed", "glucose", 1): (
        "|CWE|50555-2^", "||10828004^Positive (qualifier value)^SCT^^^^^^>=1000||",
        '"coding":[{"system":"http://snomed.info/sct","code":"10828004","display":"Positive (qualifier value)"}],"text":">=1000"}',
    ),
}  # fmt: skip


@cache
def tables() -> Tables:
    """Give the strip of the list above, with the shipped catalogue's codes."""
    pads = tuple(
        StripPad(
            pad=pad,
            ladder=tuple(
                Step(rank=rank, grade=grade, conventional=number(text, unit), si=None, abnormal=False)
                for rank, (grade, text, _) in enumerate(steps)
            ),
            conventional_property=prop,
            si_property=None,
        )
        for pad, (prop, unit, steps) in LADDERS.items()
    )
    strip = StripType(name=STRIP.name, title="Every digit", pads=pads)
    return replace(hand_made(), catalogue=shipped().catalogue, strip_types={strip.name: strip})


def rendered(fmt: Format, form: str, rank: int, *, numbers: bool) -> str:
    """Give the message of a strip whose pads all stand at ``rank``, with what the analyzer printed, as text of its bytes."""
    strip = tables().strip_types[STRIP.name]
    reading = checked((rank,) * len(strip.pads), strip=strip)
    pads = tuple(replace(pad, printed=LADDERS[pad.pad][2][rank][2]) for pad in reading.pads)
    terms = terms_for(fmt, form)
    terms = replace(terms, value_forms=NUMBERS_FIRST) if numbers else terms
    result = code(replace(reading, pads=pads), tables(), result_id="TESTAR41", version=1)
    payload = compile_plan(terms, "testing", STRIP.name, tables()).render(result, control_id="TESTAM1", made_at=MADE_AT).payload
    assert faults(fmt, payload) == ()
    return payload.decode()


@pytest.mark.parametrize("form", ["grades", *SYSTEMS])
@pytest.mark.parametrize(("pad", "rank"), NUMBERS)
def test_a_number_keeps_every_digit(form: str, pad: str, rank: int) -> None:
    """No binary rounding, no lost zero, the comparator beside it, whatever form grades have; and the printed text in its note. HZ-G04."""
    segments, bundle = (rendered(fmt, form, rank, numbers=True) for fmt in BASIC)
    printed = LADDERS[pad][2][rank][2]
    for text, value in ((segments, NUMBERS[pad, rank][0]), (bundle, NUMBERS[pad, rank][1])):
        assert text.count(value) == 1
    assert f"\rNTE|1|L|As printed by the analyzer: {printed}\r" in segments
    assert f'"note":[{{"text":"As printed by the analyzer: {printed}"}}' in bundle


@pytest.mark.parametrize(("form", "pad", "rank"), GRADES)
def test_a_grade_keeps_what_was_printed(form: str, pad: str, rank: int) -> None:
    """``+-`` and ``>=1000`` go out as they were printed, beside the grade in the form that the destination takes."""
    kind, value, member = GRADES[form, pad, rank]
    segments, bundle = (rendered(fmt, form, rank, numbers=False) for fmt in BASIC)
    (line,) = (line for line in segments.split("\r") if kind in line)
    assert value in line
    assert bundle.count(member) == 1
    printed = LADDERS[pad][2][rank][2]
    if form == "text":
        assert f"{line}\rNTE|1|L|As printed by the analyzer: {printed}\r" in segments
        assert f'{member},"note":[{{"text":"As printed by the analyzer: {printed}"}}' in bundle


# what an analyzer sent -> where it stands in the bytes of an ORU and of a Bundle
SENT = (
    {
        "0.1": ("||0.1|mg/dL^mg/dL^UCUM|", '"value":0.1,"unit":"mg/dL"'),
        "6.5": ("||6.5|[pH]^[pH]^UCUM|", '"value":6.5,"unit":"[pH]"'),
        "1.010": ("||1.010|1^1^UCUM|", '"value":1.010,"unit":"1"'),
        ">=1000": ("||>=^1000|mg/dL^mg/dL^UCUM|", '"value":1000,"comparator":">=","unit":"mg/dL"'),
        "+-": ("||LA11832-5^Trace^LN^^^^^^+-||", '"code":"LA11832-5","display":"Trace"}],"text":"+-"}'),
    },
    {
        "1.0": ("||1.0|mg/dL^mg/dL^UCUM|", '"value":1.0,"unit":"mg/dL"'),
        "7.0": ("||7.0|[pH]^[pH]^UCUM|", '"value":7.0,"unit":"[pH]"'),
        "1.030": ("||1.030|1^1^UCUM|", '"value":1.030,"unit":"1"'),
        "50": ("||50|mg/dL^mg/dL^UCUM|", '"value":50,"unit":"mg/dL"'),
        "-": ("||LA6577-6^Negative^LN^^^^^^-||", '"code":"LA6577-6","display":"Negative"}],"text":"-"}'),
    },
)


@pytest.mark.parametrize("strip", [0, 1])
def test_bytes_in_are_the_digits_out(strip: int) -> None:
    """The whole way, from the bytes that the analyzer sent to those that a receiver gets; the mappings are invented (data/README.md)."""
    own = load_tables(shipped_mappings(), Path(__file__).parent / "data" / "digits", POLICY, zone=ZONE)
    profile, at = own.profiles["rail"], MADE_AT
    capture = Capture(source="line", way=Way.SERIAL, arrived_at=at, payload=profile.example.payload, live=False)
    reading = pipeline.understand(capture, profile, analyzer="rail-1")[strip]
    assert isinstance(reading, Reading)
    assert [pad.value.text for pad in reading.pads] == list(SENT[strip])
    moment = pipeline.Moment(arrived_at=at, live=False, now=at)
    outcome = pipeline.judge(reading, Facts(), own, moment=moment, result_id="TESTAR42")
    assert isinstance(outcome, Coded)
    segments, bundle = (
        compile_plan(terms(fmt, NUMBERS_FIRST), "rail", "reed-5", own).render(outcome.result, control_id="M1", made_at=at).payload
        for fmt in BASIC
    )
    for text, (value, member) in SENT[strip].items():
        assert capture.payload.count(b"|" + text.encode() + b"|") == 1
        assert segments.count(value.encode()) == 1
        assert bundle.count(member.encode()) == 1


def test_the_list_covers_every_form() -> None:
    """A new form of grades must be entered above."""
    assert {form for form, _, _ in GRADES} == {"grades", *SYSTEMS}
    assert set(ORDERS) == {"grades", "numbers", "si", *SYSTEMS}
