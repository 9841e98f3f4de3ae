"""Every captured transmission of fixtures/captures/ and every profile's worked example, from bytes to checked messages.

What becomes a result is rendered in both formats and every order of value forms, and shown to our rules, to hl7apy or
fhir.resources, and as a Bundle to the three sources of fhir_check.py; python-hl7 reads the printed texts back.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bridge import pipeline
from bridge.check import Moment
from bridge.model import Capture, Coded, CodedResult, Facts, Format, Reading, Unreadable, Way
from bridge.render import compile_plan
from bridge.render.conformance import faults
from bridge.render.oracles import oracle_faults
from bridge.render.wording import PREFACES
from bridge.tables.types import Framing, Profile
from tests.render.every_sample import ORDERS, terms_for
from tests.render.fhir_check import bundle_faults
from tests.render.results_for_tests import MADE_AT
from tests.render.second_decoder import components
from tests.render.tables_for_tests import BASIC, HL7, shipped

CAPTURES = Path(__file__).parents[2] / "fixtures" / "captures"
ARRIVED = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)

# (what, its profile, what becomes of each strip): a strip type where it is coded, else the outcome or the rule that stopped it
EXPECTED = (
    ("alder_slips.prn", "alder", ["larch-9", "read.layout", "read.torn", "Rejected", "read.control"]),
    ("brook_torn.lis01", "brook", ["sedge-5", "read.torn"]),
    ("brook_two_strips.lis01", "brook", ["sedge-5", "Rejected"]),
    ("brook_two_strips.lis02", "brook", ["sedge-5", "Rejected"]),
    ("brook_unknown_record.lis02", "brook", ["sedge-5", "read.record"]),
    ("moss_slips.prn", "moss", ["Held", "read.torn"]),
    ("tern_bad_rows.csv", "tern", ["NonPatient", "read.layout", "read.undecodable", "Held", "read.torn"]),
    ("tern_no_header.csv", "tern", ["read.header"]),
    ("example", "alder", ["larch-9", "Rejected"]),
    ("example", "brook", ["sedge-5"]),
    ("example", "brook-file", ["sedge-5", "quill-10", "Rejected", "read.torn"]),
    ("dipper_oul.hl7", "dipper", ["sedge-5", "read.status", "NonPatient"]),
    ("dipper_batch.hl7", "dipper", ["read.message"]),
    ("dipper_bare.hl7", "dipper", ["sedge-5", "read.torn"]),
    ("lark_bad.json", "lark", ["sedge-5", "read.layout", "read.control"]),
    ("example", "dipper", ["sedge-5", "Rejected"]),
    ("example", "fjord", ["Held", "Rejected"]),
    ("example", "heron", ["sorrel-14", "quill-10"]),
    ("example", "lark", ["sedge-5", "Rejected"]),
    ("example", "moss", ["Held"]),
    ("example", "tern", ["NonPatient", "plover-12", "Held"]),
    ("example", "wren", ["sorrel-14", "Rejected"]),
)


def profile_of(what: str, profile: str) -> Profile:
    """Give the profile; a ``.lis02`` file is a message's text without its frames."""
    made = shipped().profiles[profile]
    return replace(made, framing=Framing.NONE) if what.endswith(".lis02") else made


def strips(what: str, profile: str) -> list[Coded | str]:
    """Judge every strip of a capture as if it were the first that ever came."""
    made = profile_of(what, profile)
    payload = made.example.payload if what == "example" else (CAPTURES / what).read_bytes()
    capture = Capture(source="files", way=Way.FOLDER, arrived_at=ARRIVED, payload=payload, live=False)
    return [judged(strip) for strip in pipeline.understand(capture, made, analyzer="bench-2")]


def judged(strip: Reading | Unreadable) -> Coded | str:
    if isinstance(strip, Unreadable):
        return strip.finding.rule
    moment = Moment(arrived_at=ARRIVED, live=False, now=ARRIVED)
    outcome = pipeline.judge(strip, Facts(), shipped(), moment=moment, result_id=f"FIXR{strip.index}")
    return outcome if isinstance(outcome, Coded) else type(outcome).__name__


def test_no_fixture_is_left_out() -> None:
    """A new capture or profile must be entered above."""
    assert {what for what, _, _ in EXPECTED} - {"example"} == {path.name for path in CAPTURES.iterdir() if path.suffix != ".md"}
    assert {profile for what, profile, _ in EXPECTED if what == "example"} == set(shipped().profiles)


@pytest.mark.parametrize(("what", "profile", "expected"), EXPECTED)
def test_each_strip_becomes_what_it_should(what: str, profile: str, expected: list[str]) -> None:
    """The messages below are of these strips; the others must not have one."""
    assert [each.result.strip_type if isinstance(each, Coded) else each for each in strips(what, profile)] == expected


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize(("what", "profile"), [row[:2] for row in EXPECTED if any("-" in name for name in row[2])])
def test_the_messages_of_real_captures_are_sound(what: str, profile: str, order: str) -> None:
    """From the bytes of a transmission to messages that every source accepts, and that say what the slip said."""
    results = [each for each in strips(what, profile) if isinstance(each, Coded)]
    assert results
    for coded in results:
        segments, bundle = (payload(fmt, order, coded.result) for fmt in BASIC)
        for fmt in HL7:
            message = payload(fmt, order, coded.result)
            assert (faults(fmt, message), oracle_faults(fmt, message)) == ((), ())
        assert (faults(Format.FHIR, bundle), oracle_faults(Format.FHIR, bundle), bundle_faults(bundle)) == ((), (), [])
        said = [obx[5][8] for obx in components(segments, "OBX") if obx[2] == ["CWE"]]
        said += [nte[3][0] for nte in components(segments, "NTE")]
        bare = {text.removeprefix(preface) for text in said for preface in PREFACES}
        assert {pad.printed for pad in coded.result.pads} <= bare
        printed = {pad.printed for pad in coded.result.pads if not pad.computed_from}
        assert printed == {pad.value.text for pad in coded.checked.reading.pads}


def payload(fmt: Format, order: str, result: CodedResult) -> bytes:
    """Render one result for one destination."""
    plan = compile_plan(terms_for(fmt, order), result.profile, result.strip_type, shipped())
    return plan.render(result, control_id="FIXM1", made_at=MADE_AT).payload
