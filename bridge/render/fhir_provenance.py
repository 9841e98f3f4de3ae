"""Who changed a result, for a receiver: R4 Provenance of a corrected or withdrawn version.

Only R4 elements. US Core's Provenance asks for the author and the transmitter; the bridge is the transmitter.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bridge.model import Change, CodedResult, ResultStatus
from bridge.render.fhir_json import members_text, value_text
from bridge.render.queries import tag_query
from bridge.tables.types import DestinationTerms

# R4 Provenance.activity: v3-DataOperation. UPDATE revises a record, NULLIFY says that it was made by mistake.
_OPERATIONS = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
ACTIVITIES = {
    ResultStatus.FINAL: {"system": _OPERATIONS, "code": "UPDATE", "display": "revise"},
    ResultStatus.CORRECTED: {"system": _OPERATIONS, "code": "UPDATE", "display": "revise"},
    ResultStatus.WITHDRAWN: {"system": _OPERATIONS, "code": "NULLIFY", "display": "nullify"},
}
_PARTICIPANTS = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
AUTHOR = {"system": _PARTICIPANTS, "code": "author", "display": "Author"}
# US Core 9.0.0, us-core-provenance: the slice ProvenanceTransmitter has this code of the guide's own system
TRANSMITTER = {
    "system": "http://hl7.org/fhir/us/core/CodeSystem/us-core-provenance-participant-type",
    "code": "transmitter",
    "display": "Transmitter",
}


def provenance_name(result: CodedResult) -> str:
    """Give what names the provenance of one version, whichever way it goes."""
    return f"{result.result_id}.v{result.version}"


def provenance_entry(
    result: CodedResult, change: Change, terms: DestinationTerms, *, address: str, targets: Sequence[dict[str, str]], made: str
) -> str:
    """Give the Bundle's entry; ``targets`` are references to what the version changes, ``made`` when its message was made.

    R4 Provenance has no identifier: a tag of ours keeps a message that goes again from making a second one.
    """
    tag = {"system": terms.result_system, "code": provenance_name(result)}
    members: dict[str, Any] = {
        "meta": {"tag": [tag]},
        "target": list(targets),
        "occurredDateTime": change.at.astimezone(terms.zone).isoformat(timespec="seconds"),
        "recorded": made,
        "activity": {"coding": [ACTIVITIES[result.status]]},
        "agent": [
            {"type": {"coding": [AUTHOR]}, "who": {"type": "Practitioner", "display": change.by}},
            {"type": {"coding": [TRANSMITTER]}, "who": {"type": "Device", "display": terms.sending_application}},
        ],
    }
    request = {"method": "POST", "url": "Provenance", "ifNoneExist": tag_query(tag["system"], tag["code"])}
    resource = f'{{"resourceType":"Provenance",{members_text(members)}}}'
    return f'{{"fullUrl":"{address}","resource":{resource},"request":{value_text(request)}}}'
