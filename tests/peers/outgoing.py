"""Small messages to send in tests: just enough HL7 or FHIR for an independent receiver to take them."""

from __future__ import annotations

import json
import uuid
from typing import Any

from bridge.model import Format, Message, Priority


def oru(control_id: str, *, lane: str = "P1", priority: Priority = Priority.ROUTINE, comment: str = "") -> Message:
    """Give a small ORU^R01."""
    segments = [
        f"MSH|^~\\&|PADPOST|BENCH|RECORD|WARD|20261125070000+0000||ORU^R01^ORU_R01|{control_id}|P|2.5.1|||||||UNICODE UTF-8",
        f"PID|1||{lane}^^^CLINIC^MR||^^^^^^U",
        "OBR|1||R1^PADPOST|24356-8^Urinalysis^LN|||20261125070000+0000",
        "OBX|1|ST|5804-0^Protein^LN||1+|||A|||F",
        f"NTE|1||{comment}",
    ]
    return _message(control_id, Format.ORU_R01, ("\r".join(segments) + "\r").encode(), lane, priority)


def bundle(
    control_id: str, *, lane: str = "P1", device: str = "dev-1", gravity: str = "1.010", priority: Priority = Priority.ROUTINE
) -> Message:
    """Give a small transaction: a device, and one observation with a decimal as text."""
    device_url, value_url = (f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, name)}" for name in (device, control_id))
    entries: list[dict[str, Any]] = [
        {
            "fullUrl": device_url,
            "resource": {"resourceType": "Device", "identifier": [{"system": "urn:t:device", "value": device}]},
            "request": {"method": "POST", "url": "Device", "ifNoneExist": f"identifier=urn:t:device%7C{device}"},
        },
        {
            "fullUrl": value_url,
            "resource": {
                "resourceType": "Observation",
                "identifier": [{"system": "urn:t:result", "value": control_id}],
                "status": "final",
                "device": {"reference": device_url},
                "valueQuantity": {"value": "GRAVITY", "unit": "{ratio}"},
            },
            "request": {"method": "POST", "url": "Observation", "ifNoneExist": f"identifier=urn:t:result%7C{control_id}"},
        },
    ]
    text = json.dumps({"resourceType": "Bundle", "type": "transaction", "entry": entries}).replace('"GRAVITY"', gravity)
    return _message(control_id, Format.FHIR, text.encode(), lane, priority)


def _message(control_id: str, form: Format, payload: bytes, lane: str, priority: Priority) -> Message:
    return Message(
        destination="record",
        format=form,
        control_id=control_id,
        payload=payload,
        result_id=control_id.replace("M", "R"),
        version=1,
        lane=lane,
        priority=priority,
    )
