"""The FHIR R4 Bundle: exact bytes, three sources outside the project on every sample, digits, identities, hostile text.

Outside the project: fhir_check.py (official R4 schema, fhirkit, invariants), the standard library's JSON reader and
uuid, and a transaction server that was written for the tests after R4's http.html (tests/peers).
"""

from __future__ import annotations

import json
import re
import uuid
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import unquote
from zoneinfo import ZoneInfo

import httpx
import pytest
from fhir.resources.R4B.bundle import Bundle
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bridge.coding import code
from bridge.errors import RejectError
from bridge.model import CodedGrade, CodedPad, CodedResult, Format, Quantity, ResultStatus, UnitSystem
from bridge.render import compile_plan, wording
from bridge.render.conformance import faults
from bridge.tables.types import DestinationTerms, Tables
from tests.peers.fhir_receiver import MEDIA_TYPE, FhirReceiver
from tests.render.every_sample import EVERY_PLAN, ORDERS, URIS, rendered, stands_before, terms_for, told
from tests.render.fhir_check import bundle_faults
from tests.render.results_for_tests import ANALYZED_AT, MADE_AT, NORMAL, checked, normal_result, stat_result
from tests.render.tables_for_tests import FHIR, NUMBERS_FIRST, SI_FIRST, STRIP, ZONE, counted_to_three, hand_made, number, terms

GOLDEN = Path(__file__).parent / "golden"
COLLECTED_AT = ANALYZED_AT - timedelta(minutes=20)


def written(
    result: CodedResult, destination: DestinationTerms = FHIR, *, tables: Tables | None = None, control_id: str = "TESTAM1"
) -> bytes:
    """Render through a fresh plan."""
    plan = compile_plan(destination, "testing", STRIP.name, tables or hand_made())
    return plan.render(result, control_id=control_id, made_at=MADE_AT).payload


def entries(payload: bytes) -> list[dict[str, Any]]:
    """Give the entries; numbers as the text that stands in the bytes."""
    found: list[dict[str, Any]] = json.loads(payload, parse_float=str, parse_int=str)["entry"]
    return found


def resources(payload: bytes, kind: str) -> list[dict[str, Any]]:
    """Give the resources of one type."""
    return [entry["resource"] for entry in entries(payload) if entry["resource"]["resourceType"] == kind]


# --- exact bytes


def golden(name: str) -> bytes:
    """Give a Bundle that was written by hand; line ends and the blanks after them are only for the reader of the file."""
    return re.sub(rb"\n *", b"", (GOLDEN / name).read_bytes())


def test_the_bundle_is_exactly_this() -> None:
    """A change of one sent byte must be seen, meant, and noted in the changelog."""
    assert written(normal_result()) == golden("normal.json")


def test_a_corrected_bundle_is_exactly_this() -> None:
    """Version 2, numbers first, collection time known, no operator, no local codes; three pads."""
    stat = stat_result()
    result = replace(stat, version=2, status=ResultStatus.CORRECTED, operator="", pads=stat.pads[:3], collected_at=COLLECTED_AT)
    destination = replace(terms(Format.FHIR, NUMBERS_FIRST), local_codes=False)
    assert written(result, destination, control_id="TESTAM2") == golden("corrected_stat.json")


@pytest.mark.parametrize(("form", "pad"), [("text", 1), ("local", 0), ("snomed", 0)])
def test_a_grade_in_another_form_is_exactly_this(form: str, pad: int) -> None:
    """One pad for each form of a grade: valueString with the printed text in the note, two codings, a SNOMED CT coding; sound by every source."""
    result = replace(stat_result(), pads=stat_result().pads[pad : pad + 1])
    made = golden(f"{form}_grades.json")
    assert written(result, terms_for(Format.FHIR, form), tables=counted_to_three()) == made
    assert bundle_faults(made) == []


# --- outside sources on every sample

asked = cache(bundle_faults)  # two profiles of one strip type give the same bytes: the sources are asked once


@pytest.mark.slow
@pytest.mark.parametrize(("order", "profile", "strip"), EVERY_PLAN)
def test_three_sources_find_nothing_in_any_sample(order: str, profile: str, strip: str) -> None:
    """Official schema, an independent library, invariants: no fault in any step of any pad, STAT, correction or hostile text."""
    shown = rendered(Format.FHIR, order, profile, strip)
    assert {sample.result_id: found for sample, payload in shown if (found := asked(payload))} == {}
    assert len(shown) >= 4 + 7


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b'"status":"final",', b'"status":"done",', "status: schema: "),
        (b'"effectiveDateTime":"2026-11-25T08:15:30+00:00"', b'"effectiveDateTime":"2026-11-25T08:15"', "fhirkit: "),
        (b'"type":"transaction",', b'"type":"transaction","colour":"red",', "fhirkit: "),
        (b'"text":"Negative"', b'"text":"a\x0cb"'.replace(b"\x0c", b"\\f"), "schema: "),
        (b'"request":{"method":"POST","url":"Device","ifNoneExist":"identifier=urn%3Apadpost%3Aresult%7Canalyzer.bench-2"}', b'"search":{"mode":"match"}', "invariant bdl-3"),
        (b'"fullUrl":"urn:uuid:91ef5147-a06b-58a6-a3ec-0e1383c4858e"', b'"fullUrl":"urn:uuid:8bd421d3-9c75-52ea-8c81-c5c85fcf7876"', "invariant bdl-7"),
        (b'"referenceRange":[{"text":"Negative"}]', b'"referenceRange":[{"appliesTo":[{"text":"all"}]}]', "invariant obs-3"),
        (b'"value":1.010,"unit":"1","system":"http://unitsofmeasure.org",', b'"value":1.010,"unit":"1",', "qty-3"),
        (b'"device":{"reference":"urn:uuid:8b', b'"device":{"reference":"urn:uuid:9b', "not in Bundle"),
        (b'"device":{"reference":"urn:uuid:8bd421d3-9c75-52ea-8c81-c5c85fcf7876"}', b'"device":{"reference":"urn:uuid:91ef5147-a06b-58a6-a3ec-0e1383c4858e"}', "points to Specimen, wants Device"),
    ],
)  # fmt: skip
def test_each_source_sees(old: bytes, new: bytes, said: str) -> None:
    """The check above is not blind: each of its sources refuses something that we could get wrong."""
    sound = golden("normal.json")
    assert old in sound
    assert bundle_faults(sound) == []
    found = bundle_faults(sound.replace(old, new, 1))
    assert [fault for fault in found if said in fault], found


# --- the coded result, read back


# What FHIR's interpretation says beside the flag of a [Presence] grade (R4, v3-ObservationInterpretation: detection); trace and normal: nothing.
DETECTED = {"negative": ["NEG"], **{grade: ["POS"] for grade in ("1+", "2+", "3+", "4+", "positive")}}


def unescaped(note: str) -> str:
    """Take CommonMark's backslashes away (0.31, sections 2.4 and 6.7)."""
    return re.sub(r"\\([!-/:-@\[-`{-~]|\r\n|\r|\n)", r"\1", note)


def expected_flags(pad: CodedPad, plan: tuple[str, str, str]) -> list[str]:
    """Give the codes of interpretation, from the coded pad alone."""
    form = next(form for system in (*ORDERS[plan[0]], *UnitSystem) for form in pad.forms if form.system is system)
    presence = isinstance(form.value, CodedGrade) and "[Presence]" in form.code.text
    return [
        pad.flag.value,
        *(DETECTED.get(form.value.grade.value, []) if presence and isinstance(form.value, CodedGrade) else []),
    ]


def expected_value(pad: CodedPad, plan: tuple[str, str, str]) -> tuple[dict[str, str], str, dict[str, Any] | str]:
    """Give LOINC coding, value member and value as R4 has them, from the coded pad alone."""
    form = next(form for system in (*ORDERS[plan[0]], *UnitSystem) for form in pad.forms if form.system is system)
    coding = {"system": "http://loinc.org", "code": form.code.code, "display": form.code.text}
    if not isinstance(form.value, Quantity):
        if plan[0] == "text":
            return coding, "valueString", form.value.text
        answers = [
            {"system": URIS[system], "code": code, "display": text} for system, code, text in told(*plan, pad, value=form.value)
        ]
        return coding, "valueCodeableConcept", {**({"coding": answers} if answers else {}), "text": pad.printed}
    unit = {"unit": form.value.unit, "system": "http://unitsofmeasure.org", "code": form.value.unit}
    comparator = {"comparator": form.value.comparator} if form.value.comparator else {}
    return coding, "valueQuantity", {"value": f"{form.value.value:f}", **comparator, **unit}


def addresses(payload: bytes, links: list[dict[str, str]]) -> list[Any]:
    """Give the identifiers of the resources that references point to, by the Bundle's fullUrl."""
    entries = {entry["fullUrl"]: entry["resource"].get("identifier") for entry in json.loads(payload)["entry"]}
    return [entries[link["reference"]] for link in links]


@pytest.mark.parametrize(("order", "profile", "strip"), EVERY_PLAN)
def test_a_json_reader_reads_the_coded_result_back(order: str, profile: str, strip: str) -> None:
    """Every sample of every strip type: patient, times, status and each value say what the coded result holds, hostile text too."""
    for result, payload in rendered(Format.FHIR, order, profile, strip):
        (report,), (specimen,), (device,) = (resources(payload, kind) for kind in ("DiagnosticReport", "Specimen", "Device"))
        values = resources(payload, "Observation")
        assert device["deviceName"] == [{"name": result.analyzer, "type": "user-friendly-name"}]
        assert [each.get("value") for each in specimen["identifier"][1:]] == ([result.specimen_id] if result.specimen_id else [])
        when = (result.collected_at or result.analyzed_at).astimezone(ZONE).isoformat(timespec="seconds")
        for each in (report, *values):
            assert each["subject"]["identifier"] == {"system": "urn:oid:2.999.1", "value": result.patient_id}
            assert each["subject"].get("display", "") == result.patient_name
            assert each["effectiveDateTime"] == when
            assert each["status"] == {"F": "final", "C": "corrected", "W": "entered-in-error"}[result.status.value]
        assert len(values) == len(result.pads)
        for value, pad in zip(values, result.pads, strict=True):
            coding, member, expected = expected_value(pad, (order, profile, strip))
            assert value["code"]["coding"] == [
                coding,
                {"system": "urn:padpost:local", "code": pad.local.code, "display": pad.local.text},
            ]
            assert value[member] == expected
            assert [each["coding"][0]["code"] for each in value["interpretation"]] == expected_flags(pad, (order, profile, strip))
            notes = [unescaped(note["text"]) for note in value.get("note", [])]
            assert notes[len(notes) - len(result.comments) :] == list(result.comments)
            if member in {"valueQuantity", "valueString"}:
                assert notes[0] == f"{stands_before(pad)}{pad.printed}"
            places = {each.pad: number for number, each in enumerate(result.pads)}
            sources = [values[places[name]] for name in pad.computed_from]
            assert addresses(payload, value.get("derivedFrom", [])) == [each["identifier"] for each in sources]


# --- digits


@pytest.mark.parametrize("text", ["1.010", "1.000", "6.5", "0.1", "5.0", "1000", "0.000001", "10.0", "100"])
def test_digits_stand_in_the_bytes_as_the_ladder_has_them(text: str) -> None:
    """1.010 says more than 1.01, and 0.1 has no binary fraction: checked on the raw bytes, before any JSON reader."""
    tables = hand_made()
    ladder = tuple(replace(step, conventional=number(text, "1")) for step in STRIP.pads[2].ladder[:2])
    strip = replace(STRIP, pads=(*STRIP.pads[:2], replace(STRIP.pads[2], ladder=ladder), *STRIP.pads[3:]))
    changed = replace(tables, strip_types={strip.name: strip})
    result = code(checked(NORMAL, strip=strip), changed, result_id="TESTAR41", version=1)
    payload = written(result, tables=changed)
    assert f'"valueQuantity":{{"value":{text},"unit":"1",'.encode() in payload
    assert f'"text":"As printed by the analyzer: {text}"'.encode() in payload


def test_the_library_would_lose_them() -> None:
    """Why the bytes are ours: fhir.resources reads 1.010 and writes 1.01 (decision 0004)."""
    again = Bundle.model_validate_json(written(normal_result())).model_dump_json()
    assert re.findall(r'"value":(1\.01\d*),', again) == ["1.01"]


# --- identities


def test_every_render_gives_the_same_identities() -> None:
    """A repeated send finds what the first one made: identifiers, conditions and fullUrls do not depend on the render."""
    first = entries(written(stat_result(), control_id="TESTAM1"))
    second = entries(written(replace(stat_result(), comments=("changed",)), control_id="TESTAM7"))
    for one, other in zip(first, second, strict=True):
        assert (one["fullUrl"], one["request"]) == (other["fullUrl"], other["request"])
        assert one["resource"]["identifier"] == other["resource"]["identifier"]


def test_identities_derive_from_result_and_pad() -> None:
    """ARCHITECTURE rule 6; fullUrl is UUID version 5 (RFC 9562) of system, type and identifier, so it can be worked out again."""
    names = ["glucose", "nitrite", "specific_gravity", "ph", "ascorbic_acid", "calcium"]
    wanted = [
        ("Device", "analyzer.bench-2"),
        ("Specimen", "TESTAR42.specimen"),
        *(("Observation", f"TESTAR42-{name}") for name in names),
        ("DiagnosticReport", "TESTAR42"),
    ]
    for entry, (kind, value) in zip(entries(written(stat_result())), wanted, strict=True):
        assert entry["resource"]["resourceType"] == kind
        assert entry["resource"]["identifier"][0] == {"system": "urn:padpost:result", "value": value}
        assert unquote(entry["request"]["ifNoneExist"]) == f"identifier=urn:padpost:result|{value}"
        assert entry["fullUrl"] == f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, f'urn:padpost:result|{kind}|{value}')}"


def test_a_later_version_updates_but_never_the_device() -> None:
    """Conditional update for corrections; the analyzer's Device may have been completed by the receiver."""
    changed = [entry["request"] for entry in entries(written(replace(stat_result(), version=2)))]
    assert changed[0]["method"] == "POST"
    assert {request["method"] for request in changed[1:]} == {"PUT"}
    assert changed[-1]["url"] == "DiagnosticReport?identifier=urn%3Apadpost%3Aresult%7CTESTAR42"


def test_a_transaction_server_files_each_thing_once() -> None:
    """Two results, one of them sent twice, then corrected: one Device, two reports, twelve values; the correction replaces in place."""
    stat, normal = stat_result(), normal_result()
    corrected = replace(stat, version=2, status=ResultStatus.CORRECTED)
    with FhirReceiver() as receiver, httpx.Client() as client:
        for result in (stat, normal, stat, corrected):
            answer = client.post(receiver.base_url, content=written(result), headers={"content-type": MEDIA_TYPE})
            assert (answer.status_code, answer.json().get("type")) == (200, "transaction-response"), answer.text
        counts = {kind: len(receiver.of(kind)) for kind in ("Device", "Specimen", "Observation", "DiagnosticReport")}
        assert counts == {"Device": 1, "Specimen": 2, "Observation": 12, "DiagnosticReport": 2}
        assert [report["status"] for report in receiver.of("DiagnosticReport")] == ["corrected", "final"]
        devices = {value["device"]["reference"] for value in receiver.of("Observation")}
        assert len(devices) == 1


# --- what varies with the destination and the result


def test_unknown_collection_time_by_option() -> None:
    """``analysis``: analysis time with a note. ``empty``: no effective time, and the note still tells when the strip was read."""
    (value, *_) = resources(written(normal_result()), "Observation")
    assert value["effectiveDateTime"] == "2026-11-25T08:15:30+00:00"
    assert value["note"] == [{"text": wording.ANALYSIS_TIME_NOTE}]
    empty = written(normal_result(), replace(FHIR, observed_at="empty"))
    (value, *_) = resources(empty, "Observation")
    assert "effectiveDateTime" not in value
    assert value["note"] == [{"text": f"{wording.NO_TIME_NOTE} Analysis time: 2026-11-25T08:15:30+00:00"}]
    assert "effectiveDateTime" not in resources(empty, "DiagnosticReport")[0]
    assert "collection" not in resources(empty, "Specimen")[0]
    assert (bundle_faults(empty), faults(Format.FHIR, empty)) == ([], ())


def test_times_are_in_the_destinations_zone() -> None:
    """The offset travels with every time."""
    summer = replace(normal_result(), analyzed_at=datetime(2026, 7, 1, 23, 59, 59, tzinfo=ZoneInfo("UTC")))
    (report,) = resources(written(summer, replace(FHIR, zone=ZoneInfo("Asia/Kolkata"))), "DiagnosticReport")
    assert (report["effectiveDateTime"], report["issued"]) == ("2026-07-02T05:29:59+05:30", "2026-11-25T13:46:10+05:30")


@pytest.mark.parametrize(
    ("operator", "facility", "expected"),
    [
        ("op7", "LAB7", [{"type": "Practitioner", "display": "op7"}]),
        ("", "LAB7", [{"type": "Organization", "display": "LAB7"}]),
        ("", "", None),
    ],
)
def test_the_performer_is_who_is_known(operator: str, facility: str, expected: list[dict[str, str]] | None) -> None:
    """The operator as printed, else the facility, else nobody: no performer is made up."""
    payload = written(replace(stat_result(), operator=operator), replace(FHIR, sending_facility=facility))
    assert all(value.get("performer") == expected for value in resources(payload, "Observation"))
    assert bundle_faults(payload) == []


def test_a_code_that_is_not_of_an_automated_method_is_marked() -> None:
    """PRODUCT section 6: marked, in ``method``; nothing else has a method."""
    methods = [value.get("method") for value in resources(written(stat_result()), "Observation")]
    assert methods == [None, None, None, None, {"text": wording.METHODS["strip"]}, {"text": wording.METHODS["none"]}]


def test_an_answer_without_a_code_is_text() -> None:
    """The printed text, and the grade's own word as a display without a code; nothing is made up."""
    plain = replace(hand_made(), catalogue=replace(hand_made().catalogue, answers={}))
    payload = written(normal_result(plain), tables=plain)
    assert resources(payload, "Observation")[1]["valueCodeableConcept"] == {
        "coding": [{"display": "negative"}],
        "text": "NEGATIVE",
    }
    assert (bundle_faults(payload), faults(Format.FHIR, payload)) == ([], ())


def test_one_open_side_of_a_range_and_a_range_of_another_unit() -> None:
    """A bound that is not known is left out, and one that is not in the range; a range in another unit than the value is not sent with it."""
    tables = hand_made()
    pad = tables.catalogue.pads["specific_gravity"]
    for changed_pad, expected in (
        (replace(pad, low=None), [{"high": {"value": "1.030", "unit": "1", "system": "http://unitsofmeasure.org", "code": "1"}, "text": "1.005-1.030"}]),
        (replace(pad, low=None, expected="<1.030"), [{"text": "<1.030"}]),  # R4 Range.high is inclusive
        (replace(pad, low=number("9", "g/L"), high=None), None),
    ):  # fmt: skip
        changed = replace(tables, catalogue=replace(tables.catalogue, pads={**tables.catalogue.pads, pad.pad: changed_pad}))
        payload = written(normal_result(changed), tables=changed)
        assert resources(payload, "Observation")[2].get("referenceRange") == expected
        assert bundle_faults(payload) == []


# --- hostile text

# All of Unicode but surrogates, which are no characters, and the control characters that FHIR does not carry.
SAYABLE = st.characters(exclude_categories=["Cs", "Cc"]) | st.sampled_from("\t\r\n\x7f\x85")
MARKS = st.text(st.sampled_from('"\\{}[]:,/<>&u0001bfnrt\r\n\t|^~ '), max_size=40)


def hostile_result(text: str) -> CodedResult:
    """Put ``text`` wherever an analyzer or a person can."""
    result = stat_result()
    pads = tuple(replace(pad, printed=text) for pad in result.pads)
    return replace(
        result,
        patient_id=text,
        patient_name=text,
        specimen_id=text,
        operator=text,
        analyzer=text,
        comments=(text, text),
        pads=pads,
    )


def said(payload: bytes) -> list[str]:
    """Read every place that carries free text back."""
    (device,), (specimen,) = resources(payload, "Device"), resources(payload, "Specimen")
    texts = [device["deviceName"][0]["name"], specimen["identifier"][1]["value"]]
    for value in resources(payload, "Observation"):
        subject = value["subject"]
        texts += [subject["identifier"]["value"], subject["display"], value["performer"][0]["display"]]
        notes = [note["text"] for note in value["note"] if note["text"] != wording.ANALYSIS_TIME_NOTE]
        texts += [unescaped(note.removeprefix(wording.PRINTED)) for note in notes]
        texts += [value["valueCodeableConcept"]["text"]] if "valueCodeableConcept" in value else []
    return texts


@settings(deadline=None)
@given(text=st.text(SAYABLE, max_size=40).map("x".__add__) | MARKS.map("x".__add__))
@example(text='x","status":"entered-in-error')
@example(text="x\\u0001\\b\\f")
@example(text="x\\\\u0001")
@example(text="<b onload='x'>&amp;</b>")
def test_any_text_of_unicode_comes_back(text: str) -> None:
    """JSON metacharacters, HTML, escapes in words: every place holds the text whole, and the Bundle has the members it always has."""
    payload = written(hostile_result(text))
    assert said(payload) == [text] * (2 + 6 * 6)
    plain = written(hostile_result("x"))
    assert shape(json.loads(payload)) == shape(json.loads(plain))
    assert faults(Format.FHIR, payload) == ()


def shape(value: Any) -> Any:
    """Give the names and lists of a JSON value without its leaves."""
    if isinstance(value, dict):
        return {name: shape(inner) for name, inner in value.items()}
    return [shape(inner) for inner in value] if isinstance(value, list) else type(value)


# R4's pattern for a string, [ \r\n\t\S]+, means other things to other regular expressions: Python's \S leaves out every
# blank of Unicode (U+00A0, U+2028 ...), which the prose of R4 allows. The schema is asked without those.
@settings(deadline=None)
@given(text=st.text(SAYABLE.filter(lambda character: not character.isspace() or character in " \r\n\t"), min_size=1, max_size=40))
def test_the_schema_takes_any_text(text: str) -> None:
    """Hostile text is not only harmless to us but R4 too, by the official schema and the independent library."""
    assert bundle_faults(written(hostile_result(f"x{text}"))) == []


@pytest.mark.parametrize("number_of", [*range(9), 11, 12, *range(14, 32)])
@pytest.mark.parametrize("field", ["patient_id", "patient_name", "specimen_id", "operator", "comments", "printed"])
def test_a_control_character_is_rejected_not_sent(number_of: int, field: str) -> None:
    """R4 strings carry none below 32 but tab, line feed and carriage return (datatypes, string); nothing is left out or altered."""
    text = f"a\\{chr(number_of)}b"
    result = hostile_result("x") if field == "printed" else stat_result()
    if field == "printed":
        result = replace(result, pads=(replace(result.pads[2], printed=text),))
    else:
        value: Any = (text,) if field == "comments" else text
        result = replace(result, **{field: value})
    with pytest.raises(RejectError) as found:
        written(result)
    assert found.value.rule == "render.charset"
    assert f"U+{number_of:04X}" in found.value.sentence


def test_the_words_of_an_escape_are_not_a_control_character() -> None:
    r"""A backslash and the letters u0001 are six characters that may be sent."""
    assert said(written(hostile_result("\\u0001 \\b \\f")))[0] == "\\u0001 \\b \\f"


def test_a_lone_surrogate_is_rejected() -> None:
    """It is no character; UTF-8 cannot write it."""
    with pytest.raises(RejectError, match=r"render\.charset"):
        written(replace(stat_result(), comments=("\ud800",)))


def test_si_first_names_the_substance_concentration() -> None:
    """One form per pad: the other forms and their codes are not in the Bundle."""
    payload = written(stat_result(), terms(Format.FHIR, SI_FIRST))
    assert b"59156-0" in payload
    assert b"53328-1" not in payload
    assert b"50555-2" not in payload
