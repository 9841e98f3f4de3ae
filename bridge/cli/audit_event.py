"""One event of the audit trail as an AuditEvent of FHIR R4 (hl7.org/fhir/R4/auditevent.html)."""

from __future__ import annotations

import re
from datetime import UTC
from typing import Any

from bridge.store.apply_audit import ASKED, SEEN
from bridge.store.rows import AuditRow, EventRow

DCM = "http://dicom.nema.org/resources/ontology/DCM"
SOURCE_TYPE = "http://terminology.hl7.org/CodeSystem/security-source-type"
ENTITY_TYPE = "http://terminology.hl7.org/CodeSystem/audit-entity-type"
# What happened, as the value set audit-event-type of R4 takes it from DICOM (PS3.16, CID 400 "Audit Event ID")
ACTIVITY = ("110100", "Application Activity")
EXPORT = ("110106", "Export")
IMPORT = ("110107", "Import")
QUERY = ("110112", "Query")
RECORD = ("110110", "Patient Record")
# How, as the value set audit-event-action of R4 has it
CREATE, READ, UPDATE, DELETE, EXECUTE = "C", "R", "U", "D", "E"
OK, MINOR, SERIOUS = "0", "4", "8"  # value set audit-event-outcome of R4
IP_ADDRESS = "2"  # value set network-type of R4
_FROM = re.compile(r"from ([0-9a-fA-F.:]{2,45})(?:, answered ([0-9]{3}))?")  # as pages/sights.py writes it
_OF_RECORDS = frozenset({"strip", "stop", "result", "list", "telling"})


def audit_event(row: AuditRow, *, site: str) -> dict[str, Any]:
    """Give the resource as plain values; ``site`` names the installation. What was shown or changed is named by our own number alone."""
    event = row.event
    code, action = _happened(event)
    found = _FROM.fullmatch(event.reason)
    agent: dict[str, Any] = {"name": event.actor or "unknown", "requestor": True}
    if event.verified:
        agent["role"] = [{"text": event.verified}]
    if found:
        agent["network"] = {"address": found[1], "type": IP_ADDRESS}
    resource: dict[str, Any] = {
        "resourceType": "AuditEvent",
        "id": f"event-{row.event_id}",
        "type": {"system": DCM, "code": code[0], "display": code[1]},
        "subtype": [{"display": event.what}],
        "action": action,
        "recorded": event.at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z"),
        "outcome": _outcome(int(found[2])) if found and found[2] else OK,
    }
    if event.reason and not found:
        resource["purposeOfEvent"] = [{"text": event.reason}]
    return {
        **resource,
        "agent": [agent],
        "source": {
            "site": site,
            "observer": {"display": "Padpost"},
            "type": [{"system": SOURCE_TYPE, "code": "4", "display": "Application Server"}],
        },
        "entity": [_entity(event)],
    }


def _happened(event: EventRow) -> tuple[tuple[str, str], str]:
    """Give what happened, and how."""
    if event.what == SEEN:
        if event.after == "search":
            return QUERY, EXECUTE
        return (EXPORT if event.after.startswith("export") else RECORD), READ
    sort = event.subject.partition(":")[0]
    if event.what == "capture.kept":
        return IMPORT, CREATE
    if event.what == "capture.entered":
        return RECORD, CREATE
    if event.what == "events.purged":
        return ACTIVITY, DELETE
    if sort == "delivery":
        return EXPORT, EXECUTE
    if event.what == ASKED:
        return (RECORD if sort in _OF_RECORDS else ACTIVITY), EXECUTE
    return (RECORD, UPDATE) if sort in _OF_RECORDS else (ACTIVITY, EXECUTE)


def _outcome(status: int) -> str:
    """Give how a request was answered: done; refused; not done for a fault of ours (RFC 9110 section 15)."""
    if status >= 500:
        return SERIOUS
    return MINOR if status >= 400 else OK


def _entity(event: EventRow) -> dict[str, Any]:
    entity: dict[str, Any] = {
        "what": {"identifier": {"value": event.subject or "unknown"}},
        "type": {"system": ENTITY_TYPE, "code": "2", "display": "System Object"},
    }
    states = [{"type": name, "valueString": value} for name, value in (("before", event.before), ("after", event.after)) if value]
    return {**entity, "detail": states} if states else entity
