"""Our own rules on everything that we can send, and which rules a format gets."""

from __future__ import annotations

import base64
import json
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.model import Format
from bridge.render.conformance import faults
from tests.render.every_sample import EVERY_PLAN, rendered
from tests.render.tables_for_tests import HL7

GOLDEN = Path(__file__).parent / "golden"


@pytest.mark.parametrize("fmt", Format)
@pytest.mark.parametrize(("order", "profile", "strip"), EVERY_PLAN)
def test_our_rules_find_nothing_in_any_sample(fmt: Format, order: str, profile: str, strip: str) -> None:
    """A destination opens only if its samples pass, so a false alarm here would shut it on every site."""
    shown = rendered(fmt, order, profile, strip)
    assert {sample.result_id: found for sample, payload in shown if (found := faults(fmt, payload))} == {}


def test_each_format_has_its_rules() -> None:
    """A message of one format is no message of the other."""
    segments = (GOLDEN / "normal.hl7").read_bytes().replace(b"\n", b"\r")
    bundle = (GOLDEN / "normal.json").read_bytes()
    assert faults(Format.ORU_R01, segments) == ()
    assert faults(Format.FHIR, bundle) == ()
    assert faults(Format.ORU_R01, bundle) == ("MSH-18 is '', which is not a character set we send (table 0211)",)
    (found,) = faults(Format.FHIR, segments)
    assert found.startswith("this is not JSON: ")


def test_every_plan_is_counted() -> None:
    """Count what "every" means here: three orders of forms and three further forms of grades, nineteen (profile, strip type; SNOMED CT eighteen), each format. A new strip type raises it."""
    formats = (*HL7, Format.FHIR)
    messages = {fmt: [payload for plan in EVERY_PLAN for _, payload in rendered(fmt, *plan)] for fmt in formats}
    assert len(EVERY_PLAN) * len(formats) == 565
    assert [len(messages[fmt]) for fmt in formats] == [3081, 3081, 3081, 3646, 2968]
    assert [len(set(messages[fmt])) for fmt in formats] == [2015, 2015, 2015, 2400, 1962]


def test_the_child_process_answers_for_a_sound_and_an_unsound_plan() -> None:
    """The real child: what passes has an empty fault, what fails is named, and a wrong date does not end the child."""
    sound = (GOLDEN / "normal.hl7").read_bytes().replace(b"\n", b"\r")
    bundle = (GOLDEN / "normal.json").read_bytes()
    asked = [
        ("a", Format.ORU_R01, [sound]),
        ("b", Format.ORU_R01, [sound, sound.replace(b"|20261125081610+0000||ORU", b"|soon||ORU")]),
        ("c", Format.FHIR, [bundle]),
        ("d", Format.FHIR, [bundle.replace(b'"status":"final",', b"", 1)]),
    ]
    lines = [
        json.dumps({"digest": digest, "format": fmt, "payloads": [base64.b64encode(each).decode() for each in payloads]})
        for digest, fmt, payloads in asked
    ]
    child = subprocess.run(
        [sys.executable, "-m", "bridge.cli.plan_oracle"],
        input="\n".join(lines),
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    answers = {answer["digest"]: answer["fault"] for answer in map(json.loads, child.stdout.splitlines())}
    assert (answers["a"], answers["c"]) == ("", "")
    assert answers["b"] == "hl7apy cannot parse it: soon is not an HL7 valid date value"
    assert answers["d"].startswith("fhir.resources at entry.2.resource")
