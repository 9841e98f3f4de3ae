"""Blocks A to F: what is set stands there, what is not is said and named."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.lifecycle.answers import HOOK, HTTP, MLLP
from bridge.model import Answer, Format
from bridge.specification import Agreement, Door
from bridge.specification.parties import agreed, device, direction, identity, link_in, link_out, parties
from bridge.specification.types import Block, Facts, Words
from bridge.tables.types import Pointing
from tests.specification.subjects import AGREED, subject


def said(block: Block) -> dict[str, str]:
    """Give every fact of a block by name."""
    return {fact.name: fact.says for part in block.parts if isinstance(part, Facts) for fact in part.rows}


def test_agreed_says_what_is_not_set() -> None:
    """Blanks are not an answer either."""
    facts, lacking = agreed([("a", "key.a", "text"), ("b", "key.b", "  ")])
    assert [(fact.name, fact.says) for fact in facts] == [("a", "text"), ("b", "not set")]
    assert lacking == ("b (key.b)",)


def test_parties_are_as_written() -> None:
    """Each text under its own name."""
    block = parties(subject())
    assert said(block)["site"] == "Test Clinic"
    assert said(block)["go-live date"] == "agreed go_live"
    assert block.lacking == ()
    assert len(parties(subject(agreement=Agreement())).lacking) == 5


def test_devices_are_as_their_profiles_have_them() -> None:
    """Pads, modes, date form, error texts: from the live tables."""
    facts = said(device(subject(profiles=("tern",))))
    assert facts["strip type pebble-2"] == "Two pads: albumin and creatinine: Creatinine, Albumin"
    assert facts["date and time"] == "DD.MM.YYYY hh:mm; the analyzer's clock stands in Europe/Lisbon"
    assert facts["error texts"] == "Lâmpada, Sem tira, Tira seca"
    assert facts["checksum"] == "none"
    assert said(device(subject(profiles=("brook",))))["checksum"] == "yes, of each frame (LIS01-A2)"
    assert device(subject(profiles=())).lacking == ("a source (sources)",)


def test_links_and_direction() -> None:
    """A source's link is there in its own words; orders and queries are said not to be taken."""
    assert said(link_in(subject(profiles=("tern",)))) == {"kind": "folder"}
    assert link_in(subject(profiles=())).lacking == ("a source (sources)",)
    assert said(direction(subject()))["host query"] == "not answered"


def test_the_header_names_are_asked_of_hl7_alone() -> None:
    """MSH-4 to MSH-6 lack by name where they are empty; FHIR has no such fields."""
    given = subject()
    unset = replace(given, terms=replace(given.terms, sending_facility="", receiving_facility=""))
    assert link_out(unset).lacking == (
        "sending facility, MSH-4 (sending_facility)",
        "receiving facility, MSH-6 (receiving_facility)",
    )
    fhir = subject(Door.FHIR)
    assert link_out(replace(fhir, terms=replace(fhir.terms, sending_facility=""))).lacking == ()
    assert said(link_out(fhir))["address for tests"] == AGREED.test_address


def test_identity_is_the_policys() -> None:
    """What an ID looks like, and under which authority it is sent."""
    assert said(identity(subject()))["authority, PID-3.4"] == "EXAMPLE"
    assert said(identity(subject()))["what an ID looks like"] == "[0-9]{8}"
    assert said(identity(subject(Door.FHIR)))["identifier system"] == "urn:example:patients"
    assert said(identity(subject(Door.FHIR)))["pointer to the patient"] == "by identifier alone (logical reference)"


def test_a_patient_that_is_searched_for_must_be_found_once() -> None:
    """The document asks for what Padpost turns into a stop; an order number goes where one was printed."""
    given = subject(Door.FHIR)
    given = replace(given, terms=replace(given.terms, patient_pointing=Pointing.CONDITIONAL))
    text = " ".join(part.text for part in identity(given).parts if isinstance(part, Words))
    assert "the whole transaction must fail, with 404 and an OperationOutcome or with 412" in text
    assert "an order number only where one was printed" in text


@pytest.mark.parametrize(
    ("door", "words"),
    [
        (Door.MLLP, "must be answered with AE or AR 204"),
        (Door.FHIR, "must be answered with 422"),
        (Door.HOOK, "must be answered with 422: Padpost then shows the strip to a person"),
        (Door.FOLDER, "must tell a person of an ID that it does not have"),
    ],
)
def test_an_unknown_patient_is_answered_so_that_a_person_sees_it(door: Door, words: str) -> None:
    """What the document asks for must be what Padpost turns into a stop: a refusal by lifecycle.answers."""
    assert words in " ".join(part.text for part in identity(subject(door)).parts if isinstance(part, Words))
    assert {
        MLLP["AE", "any"].answer,
        HTTP["404 missing"].answer,
        HTTP["412"].answer,
        MLLP["AR", "204"].answer,
        HTTP["422"].answer,
        HOOK["422"].answer,
    } == {Answer.REFUSED}


@pytest.mark.parametrize(
    ("fmt", "message", "mode"),
    [
        (Format.ORU_R01, "HL7 2.5.1 ORU^R01^ORU_R01, unsolicited result;", "both empty: original mode"),
        (
            Format.ORU_R01_US,
            "HL7 2.5.1 ORU^R01^ORU_R01, shaped after the US",
            "NE and AL: the application's answer alone, on the same connection",
        ),
        (Format.ORU_R30, "HL7 2.5.1 ORU^R30^ORU_R30, point-of-care result", "both empty: original mode"),
        (Format.OUL_R22, "HL7 2.5.1 OUL^R22^OUL_R22, specimen-oriented", "both empty: original mode"),
    ],
)
def test_each_hl7_format_says_what_it_is_and_claims_nothing(fmt: Format, message: str, mode: str) -> None:
    """A guide whose text was not read is named as a shape, and MSH-21 holds only what was agreed."""
    given = subject()
    facts = said(link_out(replace(given, terms=replace(given.terms, format=fmt))))
    assert facts["message"].startswith(message)
    assert facts["message"].endswith("no conformance to a profile is claimed")
    assert facts["acknowledgement mode, MSH-15 and MSH-16"] == mode
    assert facts["message profile, MSH-21"] == "empty: none was agreed"
    assert facts["orders"] == "one for each strip, the panel"


def test_enhanced_mode_is_said() -> None:
    """MSH-15 and MSH-16 as they stand in the message, and what each asks for."""
    given = subject()
    asks = replace(given, terms=replace(given.terms, asks_commit=True, asks_application="ER"))
    assert said(link_out(asks))["acknowledgement mode, MSH-15 and MSH-16"] == (
        "AL and ER: enhanced mode. CA once the message is kept for good; the application's answer on errors only, "
        "on the same connection or on the one that block E names"
    )


def test_controls_are_said_to_come_where_they_do() -> None:
    """Block D agrees with block H."""
    given = subject()
    sends = replace(given, terms=replace(given.terms, format=Format.OUL_R22, non_patient=True))
    place = "controls and other strips of no patient"
    assert (said(direction(given))[place], said(direction(sends))[place][:34]) == (
        "not sent",
        "controls and comparison strips are",
    )
