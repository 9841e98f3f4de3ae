"""What the page Try out and the convert command show: outcomes, messages, and where each value comes from."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import hl7
import pytest

from bridge.demo.printers import framed, printed
from bridge.model import Capture, Coded, Format, Rejected, Unreadable, Way
from bridge.settings import shipped_mappings
from bridge.site import example_terms, load_tables
from bridge.tables.specimen_rule import SpecimenRule
from bridge.tables.types import DestinationTerms, Orders, Policy
from bridge.trial import Trial, try_out
from tests.journey.running import play
from tests.tables.shipped_tables import POLICY, ZONE, tables

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
AT = datetime(2026, 11, 25, 9, tzinfo=UTC)
BORDER = re.compile(rb"\x17..\r\n\x02.")  # LIS01-A2: a frame's end and the next one's start may stand inside a value
GOOD, BAD = "40700007", "40700008"


def tried(payload: bytes, profile: str, terms: Sequence[DestinationTerms] = example_terms()) -> tuple[Trial, ...]:
    capture = Capture(source="tests", way=Way.FOLDER, arrived_at=NOW, payload=payload, name="x", live=False)
    return try_out(capture, tables().profiles[profile], terms, tables(), called="TRYOUT")


@pytest.fixture(scope="module")
def payload() -> bytes:
    profile = tables().profiles["brook"]
    strips = [play(n, who, at=AT, strip_type="quill-10", word="N") for n, who in ((1, GOOD), (2, BAD))]
    return framed(printed(strips, profile, tables()), profile)


def test_every_value_is_followed_from_its_bytes_to_its_field(payload: bytes) -> None:
    """The place holds exactly the printed text, and the field it names holds that pad's code (read by python-hl7)."""
    first = tried(payload, "brook")[0]
    assert isinstance(first.outcome, Coded)
    oru, fhir = first.messages
    assert oru.message is not None
    assert fhir.message is not None
    assert len(oru.origins) == len(fhir.origins) == 10
    segments = {str(obx[1]): obx for obx in hl7.parse(oru.message.payload.decode())["OBX"]}
    for origin in oru.origins:
        assert BORDER.sub(b"", payload[origin.place.start : origin.place.end]).decode() == origin.printed
        code = origin.row.rpartition(", ")[2]
        assert (
            origin.row
            == f"catalogue.yaml: pads, {next(p.pad for p in first.outcome.result.pads if p.name == origin.what)}, codes, {code}"
        )
        obx = segments[origin.field.removeprefix("OBX-5 of OBX ")]
        assert str(obx[3][0][0]) == code
    observations = [
        e["resource"] for e in json.loads(fhir.message.payload)["entry"] if e["resource"]["resourceType"] == "Observation"
    ]
    for origin, observation in zip(fhir.origins, observations, strict=True):
        value, place = origin.field.split(" of Observation ")
        assert value in observation
        assert observations[int(place) - 1]["code"]["coding"][0]["code"] == origin.row.rpartition(", ")[2]


def test_what_is_printed_beside_the_pads_is_followed_too(payload: bytes) -> None:
    """Patient, specimen and operator: the bytes hold the text, and the place named holds it in the message, read by python-hl7."""
    oru, fhir = tried(payload, "brook")[0].messages
    assert oru.message is not None
    message = hl7.parse(oru.message.payload.decode())
    found = {origin.what: origin for origin in oru.beside}
    assert found["Patient ID"].row == "profiles/brook.yaml: lis2, patient_id"
    assert (found["Patient ID"].printed, found["Patient ID"].field) == (GOOD, "PID-3")
    for origin in oru.beside:
        assert BORDER.sub(b"", payload[origin.place.start : origin.place.end]).decode() == origin.printed
        segment, _, number = origin.field.partition("-")
        assert origin.printed in str(message.segment(segment)[int(number)]).split("^")
    places = {origin.what: origin.field for origin in fhir.beside}
    assert places["Patient ID"] == "Observation.subject.identifier.value"
    assert places.keys() <= {"Patient ID", "Patient name", "Order number", "Specimen number", "Operator", "Strip lot"}


def test_a_field_is_named_with_its_order_where_each_pad_has_one(payload: bytes) -> None:
    """With single orders every OBX is the first below its OBR, so the OBR is named too."""
    oru = replace(example_terms()[0], orders=Orders.SINGLE)
    capture = Capture(source="tests", way=Way.FOLDER, arrived_at=NOW, payload=payload, name="x", live=False)
    first = try_out(capture, tables().profiles["brook"], (oru,), tables(), called="TRYOUT")[0]
    assert [origin.field for origin in first.messages[0].origins] == [f"OBX-5 of OBX 1 below OBR {n}" for n in range(1, 11)]


def test_a_control_shows_its_message_for_who_asks_for_controls(payload: bytes) -> None:
    """One message, for the one destination that would get it, each value followed to its field; for the others none."""
    profile = tables().profiles["brook"]
    qc = replace(example_terms()[0], name="qc", format=Format.OUL_R22, non_patient=True)
    strips = [play(n, "CTRL-LOW", at=AT, strip_type="quill-10", word=word) for n, word in ((1, "C"), (2, "X"))]
    control, proficiency = tried(framed(printed(strips, profile, tables()), profile), "brook", (*example_terms(), qc))
    assert (control.word, proficiency.word) == ("non_patient", "non_patient")
    (only,) = control.messages
    assert only.destination == "qc"
    assert only.message is not None
    assert only.message.lane == "analyzer:tryout"
    assert b"CTRL-LOW" not in only.message.payload
    assert len(only.origins) == 10
    assert all(origin.field for origin in only.origins)
    assert proficiency.messages == ()
    assert [len(each.messages) for each in tried(payload, "brook", (*example_terms(), qc))] == [3, 3]


def test_a_computed_ratio_points_to_the_first_of_its_pads() -> None:
    """It was printed nowhere: its place is albumin's, and its text names both values."""
    sheet = tables().profiles["wren"].example.payload
    (first, _) = tried(sheet, "wren")
    origins = {origin.what: origin for origin in first.messages[0].origins}
    ratio = origins["Albumin/creatinine ratio"]
    assert (sheet[ratio.place.start : ratio.place.end], ratio.printed) == (b"85", "Albumin 85, Creatinine 110")
    assert ratio.place == origins["Albumin"].place
    assert ratio.field == "OBX-5 of OBX 15"


def test_a_strip_that_stops_gives_its_findings_and_no_message(payload: bytes) -> None:
    """Its patient ID has no check digit rule here, so a pad's value is damaged instead."""
    profile = tables().profiles["brook"]
    strip = printed([play(1, GOOD, at=AT, strip_type="quill-10", word="N")], profile, tables()).replace(
        b"^^^KETO|NEG", b"^^^KETO|PERHAPS"
    )
    (only,) = tried(framed(strip, profile), "brook")
    assert isinstance(only.outcome, Rejected)
    assert [finding.rule for finding in only.findings] == ["pad.unknown_value"]
    assert only.messages == ()


def test_bytes_of_another_analyzer_are_unreadable_and_said() -> None:
    """The commonest use of a try-out: to see which profile it is."""
    (only,) = tried(b"\x00\x01\x02", "tern")
    assert isinstance(only.reading, Unreadable)
    assert only.findings[0].rule.startswith("read.")
    assert only.messages == ()


def test_its_identifiers_cannot_be_taken_for_real_ones(payload: bytes) -> None:
    """A store's identifiers begin with its five-character epoch; these begin with what made them."""
    for trial in tried(payload, "brook"):
        for message in trial.messages:
            assert message.message is not None
            assert message.message.control_id.startswith("TRYOUTM")


@pytest.mark.parametrize(
    ("sent", "expects", "word"),
    [
        ("P", "P", "coded"),
        ("T", "P", "rejected"),
        ("T", "T", "coded"),
        ("P", "T", "rejected"),
        ("D", "T", "rejected"),
        ("Q", "P", "rejected"),
    ],
)
def test_a_transmission_is_judged_by_what_the_site_expects(sent: str, expects: str, word: str) -> None:
    """On a test site a test is what is expected, and a live record is not: trying out says what sending would. LIS02-A2 H.12, from memory."""
    profile = tables().profiles["brook"]
    text = printed([play(1, GOOD, at=AT, strip_type="quill-10", word="N")], profile, tables())
    payload = framed(text.replace(b"|P|LIS2-A2|", f"|{sent}|LIS2-A2|".encode()), profile)
    capture = Capture(source="tests", way=Way.FOLDER, arrived_at=NOW, payload=payload, name="x", live=False)
    (trial,) = try_out(capture, profile, (), tables(), called="TRYOUT", expects=expects)
    assert trial.word == word
    assert [finding.rule for finding in trial.findings] == ([] if word == "coded" else ["message.processing_id"])


def test_a_control_that_is_sent_as_quality_control_is_one() -> None:
    """Header and number say the same; a patient's number under such a header is stopped (above)."""
    profile = tables().profiles["brook"]
    text = printed([play(1, "", at=AT, strip_type="quill-10", word="C")], profile, tables())
    payload = framed(text.replace(b"|P|LIS2-A2|", b"|Q|LIS2-A2|"), profile)
    (trial,) = tried(payload, "brook", ())
    assert trial.word == "non_patient"


# --- when the specimen was collected

SPM = "SPM|1|U26-0419||UR|||||||P"  # of dipper's example, whose strip was read at 09:14:12 on the wall in Lisbon, which is UTC in November


def with_collection(folder: Path, printed: str, policy: Policy = POLICY) -> tuple[Trial, ...]:
    """Try dipper's example with a collection time in SPM-17 (HL7 v2.5.1 section 7.4.3.17: a range, of which the first part is the start)."""
    text = (shipped_mappings() / "profiles/dipper.yaml").read_text(encoding="utf-8")
    for old, new in (
        (f"{SPM}\\r", f"{SPM}||||||{printed}\\r"),
        ('    specimen_id: "SPM-2.1"\n', '    specimen_id: "SPM-2.1"\n    collected: "SPM-17.1"\n'),
        ('birth_format: "%Y%m%d"\n', 'birth_format: "%Y%m%d"\ncollected_format: "%Y%m%d%H%M"\n'),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)
    path = folder / "profiles/dipper.yaml"
    path.parent.mkdir(parents=True)
    path.write_text(text, encoding="utf-8")
    own = load_tables(shipped_mappings(), folder, policy, zone=ZONE)
    profile = own.profiles["dipper"]
    example = Capture(source="tests", way=Way.FOLDER, arrived_at=NOW, payload=profile.example.payload, live=False)
    return try_out(example, profile, example_terms(), own, called="TRYOUT")


def test_the_collection_time_goes_from_the_record_to_every_receiver(tmp_path: Path) -> None:
    """HZ-B02: OBR-7 of a laboratory's result is when the specimen was collected (HL7 v2.5.1 section 4.5.3.7); SPM-17 and FHIR say it too."""
    first = with_collection(tmp_path, "202611250820")[0]
    assert isinstance(first.outcome, Coded)
    assert first.outcome.result.collected_at == datetime(2026, 11, 25, 8, 20, tzinfo=UTC)
    oru, fhir = (each.message for each in first.messages)
    assert oru is not None
    assert fhir is not None
    message = hl7.parse(oru.payload.decode())
    assert str(message["OBR"][0][7]).startswith("202611250820")
    assert str(message["SPM"][0][17]).startswith("202611250820")
    (specimen,) = (
        each["resource"] for each in json.loads(fhir.payload)["entry"] if each["resource"]["resourceType"] == "Specimen"
    )
    assert specimen["collection"] == {"collectedDateTime": "2026-11-25T08:20:00+00:00"}


@pytest.mark.parametrize(
    ("printed", "rules", "word"),
    [
        ("202611250714", [], "coded"),  # two hours, and the seconds of a minute that is not over
        ("202611250713", ["specimen.too_old"], "held"),
        ("202611250929", [], "coded"),
        ("202611250930", ["specimen.collected_later"], "held"),
        ("2026112507", ["specimen.collected_unreadable"], "coded"),
        ("", ["specimen.age_unknown"], "coded"),
    ],
)
def test_the_age_of_a_specimen_is_asked_where_the_site_says_so(tmp_path: Path, printed: str, rules: list[str], word: str) -> None:
    """HZ-B01, HZ-B02, from bytes: what is too old or cannot be is held, what is not known goes with a note and no collection time."""
    asks = replace(POLICY, specimen=SpecimenRule(limit_minutes=121))
    first = with_collection(tmp_path, printed, asks)[0]
    assert (first.word, [each.rule for each in first.findings if each.rule.startswith("specimen.")]) == (word, rules)
    if rules and isinstance(first.outcome, Coded):
        assert first.outcome.result.collected_at is None


def test_a_site_that_asks_for_no_age_keeps_the_set_that_it_signed() -> None:
    """Neither the new setting nor the new key of a profile is part of the digest while it says nothing."""
    plain = json.loads(tables().canonical)
    assert "specimen" not in plain["policy"]
    assert not [name for name, profile in plain["profiles"].items() if "collected_format" in profile]
    asks = replace(POLICY, specimen=SpecimenRule(limit_minutes=120))
    assert load_tables(shipped_mappings(), None, asks, zone=ZONE).digest != tables().digest
