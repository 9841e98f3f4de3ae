"""How a Bundle points to the patient and to the order, which it does not carry: by identifier, by address, or by a search.

FHIR R4, references: ``Reference.identifier`` alone is a logical reference; ``Patient/id`` a literal one; in a transaction
``Patient?identifier=system|value`` is a conditional one (http, transaction), which the server resolves or fails the whole transaction.
The identifier goes along in all three, so that a receiver can compare what it was led to.
"""

from __future__ import annotations

import re
from typing import Any

from bridge.errors import RejectError
from bridge.model import CodedResult
from bridge.render.queries import identifier_query
from bridge.tables.types import DestinationTerms, Pointing

ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")  # FHIR R4 datatypes, id
# CodeSystem v2-0203 (HL7 table 0203), as R4's Identifier.type binds it: the number that the placer of an order gave it.
PLACER = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0203", "code": "PLAC", "display": "Placer Identifier"}]}


def patient(result: CodedResult, terms: DestinationTerms) -> dict[str, Any]:
    """Give the reference to the patient, without a name.

    Raises RejectError ``render.pointer`` if there is no patient ID, or none that can be part of an address.
    """
    identifier = {"system": terms.patient_system, "value": result.patient_id}
    return _pointer("Patient", identifier, pointing=terms.patient_pointing, what="patient ID")


def order(result: CodedResult, terms: DestinationTerms) -> dict[str, Any] | None:
    """Give the reference to the order whose number was printed, None where none was. Raises RejectError as ``patient`` does."""
    if not result.order_number:
        return None
    identifier = {"type": PLACER, "system": terms.order_system, "value": result.order_number}
    return _pointer("ServiceRequest", identifier, pointing=terms.order_pointing, what="order number")


def _pointer(kind: str, identifier: dict[str, Any], *, pointing: Pointing, what: str) -> dict[str, Any]:
    value = identifier["value"]
    if not value:
        raise _pointless(f"This strip has no {what}.", f"Give the {what}, then send it again.")
    named = {"type": kind, "identifier": identifier}
    match pointing:
        case Pointing.LOGICAL:
            return named
        case Pointing.LITERAL:
            if not ID.fullmatch(value):
                raise _pointless(
                    f"The {what} of this strip cannot be part of the address {kind}/...: FHIR takes up to 64 letters, digits, hyphens and dots there.",
                    f"Correct the {what}, or have the receiver asked for pointers by identifier.",
                )
            return {"reference": f"{kind}/{value}", **named}
        case Pointing.CONDITIONAL:
            return {"reference": f"{kind}?{identifier_query(identifier['system'], value)}", **named}


def _pointless(sentence: str, remedy: str) -> RejectError:
    return RejectError("render.pointer", sentence, remedy=remedy)
