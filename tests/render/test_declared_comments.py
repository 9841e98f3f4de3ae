"""Comments that a site's own rules put on a report, from the bytes of a strip to both messages: signed, or not at all."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

from bridge import pipeline
from bridge.check import Moment
from bridge.demo.printers import Play, framed, printed
from bridge.model import Capture, Coded, Facts, Format, Reading, Way
from bridge.render import compile_plan
from bridge.tables.holds import with_holds
from bridge.tables.holds_document import HoldsDocument
from bridge.tables.types import Tables
from tests.judging_for_tests import NOW
from tests.render.every_sample import terms_for
from tests.render.results_for_tests import MADE_AT
from tests.render.second_decoder import components
from tests.tables.shipped_tables import ZONE, tables

SIGNED = "Dr Q. Example, 2026-11-25"
HIDDEN = "Ascorbic acid was found: negative blood and glucose may be falsely negative."
REFLEX = "Leukocytes were found: microscopy is suggested by our procedure 14. No test was added."


def rule(name: str, report: str, *pads: dict[str, Any]) -> dict[str, Any]:
    """Give a row of a site's holds.yaml that puts a comment on the report."""
    words = {"message": "Said on the report.", "remedy": "Nothing to do.", "source": "our procedure 14"}
    return {
        "id": f"plausible.{name}",
        "when": {"pads": list(pads)},
        "severity": "note",
        "report": report,
        "signed": SIGNED,
        **words,
    }


def site() -> Tables:
    """Give the shipped tables with two signed rules of a site's own."""
    hidden = rule(
        "hidden", HIDDEN, {"pad": "ascorbic_acid", "shows": "found"}, {"any_of": ["blood", "glucose"], "shows": "negative"}
    )
    reflex = rule("reflex", REFLEX, {"pad": "leukocytes", "at_least": "1+"})
    return with_holds(tables(), HoldsDocument.model_validate({"rules": [hidden, reflex], "policies": []}))


def said(made: Tables, **ranks: int) -> tuple[list[str], list[str]]:
    """Give the notes of the HL7 message (NTE-3, read by python-hl7) and of the FHIR Observations, each once, for a strip with these steps."""
    profile = made.profiles["tern"]
    play = Play(
        number=7,
        at=NOW.astimezone(ZONE) - timedelta(minutes=1),
        word="Rotina",
        strip_type="plover-12",
        patient_id="40718801",
        lot="31P04",
        ranks={"ph": 2, "specific_gravity": 3, **ranks},
    )
    capture = Capture(source="files", way=Way.FOLDER, arrived_at=NOW, payload=framed(printed([play], profile, made), profile))
    (reading,) = pipeline.understand(capture, profile, analyzer="bench-b")
    assert isinstance(reading, Reading)
    outcome = pipeline.judge(reading, Facts(), made, moment=Moment(arrived_at=NOW, live=False, now=NOW), result_id="TESTBR1")
    assert isinstance(outcome, Coded), outcome
    sent = {
        fmt: compile_plan(terms_for(fmt, "text"), "tern", "plover-12", made)
        .render(outcome.result, control_id="TESTBM1", made_at=MADE_AT)
        .payload
        for fmt in (Format.ORU_R01, Format.FHIR)
    }
    notes = [nte[3][0] for nte in components(sent[Format.ORU_R01], "NTE")]
    resources = [each["resource"] for each in json.loads(sent[Format.FHIR])["entry"]]
    bundle = [note["text"] for each in resources for note in each.get("note", ())]
    ours = (HIDDEN, REFLEX)
    return [each for each in ours if each in notes], [each for each in ours if each in bundle]


def test_a_signed_comment_stands_in_both_messages() -> None:
    """HZ-B05: ascorbic acid beside a negative blood pad; HZ-I08: a suggested next step, which adds no test by itself."""
    assert said(site(), ascorbic_acid=2) == ([HIDDEN], [HIDDEN])
    assert said(site(), leukocytes=2, blood=2, glucose=2) == ([REFLEX], [REFLEX])
    assert said(site(), ascorbic_acid=1, leukocytes=3) == ([HIDDEN, REFLEX], [HIDDEN, REFLEX])


def test_without_its_finding_or_its_rule_nothing_is_said() -> None:
    """HZ-I08: near misses, and the shipped table, in which nothing goes out with a result."""
    assert said(site(), ascorbic_acid=2, blood=2, glucose=2, leukocytes=1) == ([], [])
    assert said(tables(), ascorbic_acid=2, leukocytes=3) == ([], [])
