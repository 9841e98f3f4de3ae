"""AuditEvents by the official schema, an independent R4 library and the R4B models; codes as the R4 definition's own value sets have them."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import fhirkit
import pytest
from fhir.resources.R4B.auditevent import AuditEvent
from hypothesis import given
from hypothesis import strategies as st

from bridge.cli.audit_event import audit_event
from bridge.store.rows import AuditRow, EventRow
from tests.render.fhir_check import _validator

AT = datetime(2026, 11, 25, 10, 0, 0, 123456, tzinfo=UTC)


def row(what: str, subject: str, *, before: str = "", after: str = "", reason: str = "", actor: str = "Bo") -> AuditRow:
    event = EventRow(
        at=AT, actor=actor, verified="password", what=what, subject=subject, before=before, after=after, reason=reason
    )
    return AuditRow(event_id=7, event=event)


def faults(of: AuditRow) -> list[str]:
    """Give what three sources outside the project find wrong with it."""
    text = json.dumps(audit_event(of, site="Test Clinic"))
    AuditEvent.model_validate_json(text)
    found = [f"fhirkit: {issue}" for issue in fhirkit.validate(text) if issue.severity == "error"]
    return found + [fault.message for fault in _validator("AuditEvent").iter_errors(json.loads(text))]


# DICOM PS3.16 CID 400 and the value sets audit-event-action and audit-event-outcome of FHIR R4 (4.0.1)
@pytest.mark.parametrize(
    ("of", "code", "action", "outcome"),
    [
        (row("seen", "strip:4", after="result", reason="from 192.0.2.7"), "110110", "R", "0"),
        (row("seen", "list", after="search", reason="from 2001:db8::7"), "110112", "E", "0"),
        (row("seen", "list", after="export of a lot", reason="from 192.0.2.7"), "110106", "R", "0"),
        (row("asked", "stop:4", after="/rejected/{stop_id}/discard", reason="from 192.0.2.7, answered 303"), "110110", "E", "0"),
        (row("asked", "stop:4", after="/rejected/{stop_id}/{action}", reason="from 192.0.2.7, answered 409"), "110110", "E", "4"),
        (row("asked", "page", after="/controls/gate", reason="from 192.0.2.7, answered 503"), "110100", "E", "8"),
        (row("stop.closed", "stop:4", before="open", after="discarded", reason="spilt"), "110110", "U", "0"),
        (row("capture.kept", "capture:4", after="folder", actor="padpost"), "110107", "C", "0"),
        (row("capture.entered", "capture:4", after="eyes"), "110110", "C", "0"),
        (row("delivery.accept", "delivery:4", before="sending", after="accepted", actor="padpost"), "110106", "E", "0"),
        (row("events.purged", "store", reason="1795600800000000", actor="padpost"), "110100", "D", "0"),
        (row("operator.entered", "operator:4", after="entered"), "110100", "E", "0"),
    ],
)
def test_each_sort_of_event_is_a_sound_resource(of: AuditRow, code: str, action: str, outcome: str) -> None:
    """Who, what, of what, when, from where and how it ended; the R4 checks find nothing wrong."""
    made = audit_event(of, site="Test Clinic")
    assert (made["type"]["code"], made["action"], made["outcome"]) == (code, action, outcome)
    assert made["recorded"] == "2026-11-25T10:00:00.123456Z"
    assert faults(of) == []


def test_an_address_is_a_network_and_a_reason_is_a_purpose() -> None:
    """Each stands in its own place, and before and after are details of the thing."""
    seen = audit_event(row("seen", "strip:4", after="result", reason="from 192.0.2.7"), site="Test Clinic")
    assert seen["agent"] == [
        {"name": "Bo", "requestor": True, "role": [{"text": "password"}], "network": {"address": "192.0.2.7", "type": "2"}}
    ]
    assert "purposeOfEvent" not in seen
    done = audit_event(row("stop.closed", "stop:4", before="open", after="discarded", reason="spilt"), site="Test Clinic")
    assert done["purposeOfEvent"] == [{"text": "spilt"}]
    assert done["entity"][0]["what"] == {"identifier": {"value": "stop:4"}}
    assert done["entity"][0]["detail"] == [
        {"type": "before", "valueString": "open"},
        {"type": "after", "valueString": "discarded"},
    ]


WORDS = st.text(st.characters(min_codepoint=33, max_codepoint=0x2FFF, exclude_categories=["Cs", "Cc", "Zs", "Cn"]), max_size=20)


@given(actor=WORDS, reason=WORDS, before=WORDS, after=WORDS, subject=WORDS)
def test_whatever_people_write_stays_a_sound_resource(actor: str, reason: str, before: str, after: str, subject: str) -> None:
    """By the official schema."""
    text = json.dumps(
        audit_event(row("stop.closed", subject, before=before, after=after, reason=reason, actor=actor), site="Test Clinic")
    )
    assert [fault.message for fault in _validator("AuditEvent").iter_errors(json.loads(text))] == []
