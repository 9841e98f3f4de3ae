"""The options of a destination in the segments that every structure shares, and hostile text in each new place.

Outside the project: PyPI ``hl7`` (second_decoder.py) reads what we wrote. Places of fields and components: HL7 2.5.1 chapters 2A, 3, 4, 7.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.model import Format, Sex
from bridge.render.conformance import faults
from bridge.render.oracles import oracle_faults
from bridge.render.segments import stamp
from bridge.tables.types import DestinationTerms, Laboratory, Orders, Provider
from tests.render.results_for_tests import normal_result, ordered_result, stat_result
from tests.render.second_decoder import components, decoded, fields
from tests.render.tables_for_tests import HL7, LABORATORY, NUMBERS_FIRST, ORU, PROVIDER, terms
from tests.render.written import written

EACH = pytest.mark.parametrize("destination", [terms(fmt) for fmt in HL7], ids=[fmt.value for fmt in HL7])


def sound(payload: bytes, destination: DestinationTerms) -> bytes:
    """Give the message back once our rules and hl7apy found nothing."""
    assert (faults(destination.format, payload), oracle_faults(destination.format, payload)) == ((), ())
    return payload


@EACH
def test_the_analyzer_and_the_operator_can_be_left_out(destination: DestinationTerms) -> None:
    """OBX-18 and OBX-16, each by its own option; the analysis time stays in OBX-19."""
    for equipment in (True, False):
        for operator in (True, False):
            asked = replace(destination, equipment=equipment, operator=operator)
            values = fields(sound(written(stat_result(), asked), asked), "OBX")
            assert {obx[18] for obx in values} == {"bench-2" if equipment else ""}
            assert {obx[16] for obx in values} == {"op7" if operator else ""}
            assert {obx[19] for obx in values} == {"20261125081530+0000"}


@EACH
def test_a_unit_goes_as_the_site_prints_it_beside_ucum(destination: DestinationTerms) -> None:
    """CE: .1 to .3 the site's text, system L, .4 to .6 UCUM; a unit without a text of its own goes as UCUM alone."""
    asked = replace(destination, value_forms=NUMBERS_FIRST, unit_texts={"mg/dL": "mg|dl", "[pH]": "pH units"})
    units = [obx[6] for obx in components(sound(written(stat_result(), asked), asked), "OBX")]
    assert units == [
        ["mg|dl", "mg|dl", "L", "mg/dL", "mg/dL", "UCUM"],
        [""],
        ["1", "1", "UCUM"],
        ["pH units", "pH units", "L", "[pH]", "[pH]", "UCUM"],
        ["mg|dl", "mg|dl", "L", "mg/dL", "mg/dL", "UCUM"],
        ["mmol/L", "mmol/L", "UCUM"],
    ]


@EACH
@pytest.mark.parametrize(("authority", "expected"), [("WARDS", ["ORD-9", "WARDS"]), ("", ["ORD-9"])])
def test_an_order_number_stands_in_both_places(destination: DestinationTerms, authority: str, expected: list[str]) -> None:
    """ORC-2 and OBR-2 carry the placer's number and who gave it (EI.1, EI.2)."""
    asked = replace(destination, order_authority=authority)
    payload = sound(written(ordered_result(), asked), asked)
    assert [components(payload, name)[0][2] for name in ("ORC", "OBR")] == [expected, expected]
    unordered = written(stat_result(), asked)
    assert [components(unordered, name)[0][2] for name in ("ORC", "OBR")] == [[""], [""]]


@EACH
@pytest.mark.parametrize(
    ("born", "sex", "expected"),
    [
        (date(1961, 7, 4), Sex.FEMALE, ["19610704", "F"]),
        (date(987, 1, 2), Sex.OTHER, ["09870102", "O"]),
        (None, Sex.MALE, ["", "M"]),
        (date(2026, 11, 25), None, ["20261125", ""]),
        (None, None, ["", ""]),
    ],
)
def test_birth_date_and_sex_go_where_they_are_known(
    destination: DestinationTerms, born: date | None, sex: Sex | None, expected: list[str]
) -> None:
    """PID-7 and PID-8 (table 0001); the US guide requires PID-8, so U, unknown, stands there."""
    payload = sound(written(replace(normal_result(), born=born, sex=sex), destination), destination)
    pid = [*fields(payload, "PID")[0], "", "", ""][:9]
    wanted = "U" if destination.format is Format.ORU_R01_US and not expected[1] else expected[1]
    assert pid[7:9] == [expected[0], wanted]


@EACH
def test_who_ordered_and_who_answers_go_where_the_site_says_them(destination: DestinationTerms) -> None:
    """XCN in ORC-12 and OBR-16; XON, XAD and XCN in OBX-23 to OBX-25."""
    asked = replace(destination, provider=PROVIDER, laboratory=LABORATORY)
    payload = sound(written(stat_result(), asked), asked)
    provider = ["4711", "Heron", "Ines", "", "", "", "", "", "STAFF"]
    assert (components(payload, "ORC")[0][12], components(payload, "OBR")[0][16]) == (provider, provider)
    for obx in components(payload, "OBX"):
        assert obx[23:26] == [
            ["Test Bench", "", "", "", "", "REGISTRY", "XX", "", "", "77"],
            ["1 Mill Lane", "", "Ford", "Shire", "F0 1AB", "PRT"],
            ["", "Dr Otter"],
        ]


def test_what_a_site_leaves_out_of_its_names_is_left_out() -> None:
    """No empty component at the end of a field, and no type of a number that is not there."""
    short = Laboratory(name="Test Bench", number="", authority="REGISTRY", street="", city="Ford", state="", postal_code="", country="", director="")  # fmt: skip
    asked = replace(ORU, laboratory=short, provider=Provider(number="4711", family="Heron", given="", authority=""))
    payload = sound(written(normal_result(), asked), asked)
    assert fields(payload, "ORC")[0][12] == "4711^Heron"
    assert {tuple(obx[23:]) for obx in fields(payload, "OBX")} == {("Test Bench", "^^Ford")}


@pytest.mark.parametrize(
    ("given", "expected"),
    [("", []), ("Agreed", ["Agreed"]), ("Agreed^^2.999.5^ISO", ["Agreed", "", "2.999.5", "ISO"]), ("a~b", ["a~b"])],
)
def test_only_an_agreed_profile_is_named(given: str, expected: list[str]) -> None:
    """MSH-21: what the site wrote, ``^`` between its parts; nothing is claimed by itself."""
    asked = replace(ORU, message_profile=given)
    msh = components(sound(written(normal_result(), asked), asked), "MSH")[0]
    assert (msh[21:22] or [[]])[0] == expected
    assert len(msh) == (22 if given else 19)


@pytest.mark.parametrize("fmt", HL7)
def test_the_header_says_what_it_is_and_which_answer_it_waits_for(fmt: Format) -> None:
    """MSH-9 of 2.5.1's structures; MSH-15 and 16 are valued for the US guide alone: NE and AL, the application's answer."""
    kinds = {
        Format.ORU_R01: ["ORU", "R01", "ORU_R01"],
        Format.ORU_R01_US: ["ORU", "R01", "ORU_R01"],
        Format.ORU_R30: ["ORU", "R30", "ORU_R30"],
        Format.OUL_R22: ["OUL", "R22", "OUL_R22"],
    }
    (msh,) = components(written(normal_result(), terms(fmt)), "MSH")
    assert msh[9] == kinds[fmt]
    assert msh[15:17] == ([["NE"], ["AL"]] if fmt is Format.ORU_R01_US else [[""], [""]])


@EACH
@pytest.mark.parametrize("application", ["AL", "NE", "ER", "SU"])
def test_enhanced_mode_changes_two_fields_and_nothing_else(destination: DestinationTerms, application: str) -> None:
    """MSH-15 AL and MSH-16 as set (HL7 2.5.1 section 2.9, table 0155); every other byte is as before; our rules and hl7apy take it."""
    usual = written(normal_result(), destination)
    asked = replace(destination, asks_commit=True, asks_application=application)
    payload = sound(written(normal_result(), asked), asked)
    (msh,), (before,) = fields(payload, "MSH"), fields(usual, "MSH")
    assert msh[15:17] == ["AL", application]
    assert [*msh[:15], *before[15:17], *msh[17:]] == before
    assert payload.partition(b"\r")[2] == usual.partition(b"\r")[2]


@given(
    moment=st.datetimes(min_value=datetime(1000, 1, 2), max_value=datetime(9998, 12, 30), timezones=st.just(UTC)),
    zone=st.timezones(),
)
def test_a_time_stamp_is_what_the_system_s_own_form_gives(moment: datetime, zone: ZoneInfo) -> None:
    """HL7 2.5.1, data type DTM, to the second with its offset, beside POSIX strftime, for any zone of the tz database."""
    assert stamp(moment, zone) == moment.astimezone(zone).strftime("%Y%m%d%H%M%S%z")


@pytest.mark.parametrize("fmt", [Format.ORU_R01, Format.ORU_R01_US, Format.OUL_R22])
def test_each_pad_can_be_an_order_of_its_own(fmt: Format) -> None:
    """OBR-3 is unique and stable, OBR-4 the pad's own code with its local one, OBX-1 begins again, notes and STAT stand under each."""
    asked = replace(terms(fmt), orders=Orders.SINGLE)
    result = ordered_result()
    payload = sound(written(result, asked), asked)
    requests, values = components(payload, "OBR"), components(payload, "OBX")
    assert [obr[1] for obr in requests] == [[str(number)] for number in range(1, 7)]
    assert [obr[3] for obr in requests] == [[f"TESTAR42-{pad.pad}", "PADPOST"] for pad in result.pads]
    assert [orc[2:4] for orc in components(payload, "ORC")] == [obr[2:4] for obr in requests]
    assert [obr[4] for obr in requests] == [obx[3] for obx in values]
    assert {obx[1][0] for obx in values} == {"1"}
    assert len(fields(payload, "TQ1")) == 6
    assert sum("turbid" in nte[3] for nte in fields(payload, "NTE")) == 6
    assert len(fields(payload, "SPM")) == (1 if fmt is Format.OUL_R22 else 6)
    assert written(replace(result, pads=result.pads[::-1]), asked) != payload
    assert {tuple(obr[3]) for obr in components(written(replace(result, pads=result.pads[2:]), asked), "OBR")} <= {
        tuple(obr[3]) for obr in requests
    }


ANY_TEXT = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30)
MARKS = st.text(st.sampled_from('|^~\\&\r\n\x00\x0b\x1c"EFXMSH.b-r0D'), min_size=1, max_size=30)


@EACH
@settings(deadline=None, max_examples=60)
@given(text=ANY_TEXT | MARKS)
def test_any_text_in_the_new_places_comes_back_whole(destination: DestinationTerms, text: str) -> None:
    """Order number, lot, the site's units, laboratory and provider: text that a person typed is never structure."""
    told = Laboratory(name=text, number=text, authority=text, street=text, city=text, state=text, postal_code=text, country=text, director=text)  # fmt: skip
    asked = replace(
        destination, value_forms=NUMBERS_FIRST, unit_texts={"mg/dL": text}, order_authority=text, laboratory=told,
        provider=Provider(number=text, family=text, given=text, authority=text),
    )  # fmt: skip
    payload = written(replace(ordered_result(), order_number=text, strip_lot=text), asked)
    (orc,), (obx, *_) = components(payload, "ORC"), components(payload, "OBX")
    assert orc[2] == [text, text]
    assert [part for part in orc[12] if part] == [text] * 4
    assert obx[6] == [text, text, "L", "mg/dL", "mg/dL", "UCUM"]
    assert [part for part in obx[23] if part] == [text, text, "XX", text]
    assert [part for part in (*obx[24], *obx[25]) if part] == [text] * 6
    assert {sid[2][0] for sid in components(payload, "SID")} == ({text} if destination.format is Format.OUL_R22 else set())
    assert faults(destination.format, payload) == ()
    assert str(decoded(payload)[0][0]) == "MSH"
