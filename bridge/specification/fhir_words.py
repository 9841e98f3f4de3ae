"""What a vendor must know of a FHIR destination's shape, its pointers and its options, in words."""

from __future__ import annotations

from bridge.model import Format
from bridge.specification.types import Fact
from bridge.tables.types import DestinationTerms, Orders, Pointing

SHAPES = {
    Format.FHIR: "",
    Format.FHIR_US: ", shaped after the laboratory results of US Core (9.0.0)",
    Format.FHIR_EU: ", shaped after the laboratory results of HL7 Europe (2.0.0)",
}
# What the receiver is asked to do with a patient that it does not have.
UNKNOWN = {
    Pointing.LOGICAL: (
        "The subject is a logical reference, by identifier, which a server may store without looking: the receiver must look. An ID that "
        "it does not have must be answered with 422, which Padpost shows to a person; or a person at the receiver must be told."
    ),
    Pointing.LITERAL: (
        "The subject is an address, Patient/ID, whose id is the patient ID itself: the receiver must look whether it has it. An ID that it "
        "does not have must be answered with 422, which Padpost shows to a person; it must never become a new patient."
    ),
    Pointing.CONDITIONAL: (
        "The subject is a conditional reference, Patient?identifier=system|value, percent-encoded: the receiver must find exactly one "
        "patient. Where it finds none or several the whole transaction must fail, with 404 and an OperationOutcome or with 412, which Padpost "
        "shows to a person; and a server that stores the reference as text must not be used so."
    ),
}
HOW = {
    Pointing.LOGICAL: "by identifier alone (logical reference)",
    Pointing.LITERAL: "by address, {kind}/NUMBER, with the identifier beside it (literal reference)",
    Pointing.CONDITIONAL: "by a search in the transaction, {kind}?identifier=system|value, with the identifier beside it (conditional reference)",
}


def message_words(terms: DestinationTerms) -> tuple[Fact, ...]:
    """Say what a message is, whom it is shaped after and what is claimed."""
    claims = terms.message_profile.split()
    claimed = (
        f"by the laboratory, in meta.profile: {', '.join(claims)}" if claims else "none: Padpost claims no profile by itself"
    )
    return (
        Fact(name="message", says=f"FHIR R4 (4.0.1) transaction Bundle, one for each strip{SHAPES[terms.format]}; no conformance to a profile is claimed by that"),
        Fact(name="profiles claimed", says=claimed),
        Fact(name="character set", says="UTF-8"),
        Fact(name="system of our identifiers", says=terms.result_system),
    )  # fmt: skip


def pointer_words(terms: DestinationTerms) -> tuple[Fact, ...]:
    """Say how messages point to the patient and to the order."""
    return (
        Fact(name="identifier system", says=terms.patient_system),
        Fact(name="pointer to the patient", says=HOW[terms.patient_pointing].format(kind="Patient")),
        Fact(name="identifier system of orders", says=f"{terms.order_system}, type PLAC of table 0203"),
        Fact(
            name="pointer to the order",
            says=f"{HOW[terms.order_pointing].format(kind='ServiceRequest')}, in basedOn, where an order number was printed",
        ),
    )


def structure_words(terms: DestinationTerms) -> str:
    """Say which resources a Bundle holds, in their order."""
    strips = ", Device of the strips where their lot was printed" if terms.format is Format.FHIR_EU else ""
    devices = f"Device{strips}, " if terms.equipment else ""
    report = "one DiagnosticReport for each pad" if terms.orders is Orders.SINGLE else "DiagnosticReport"
    return f"{devices}Specimen, one Observation for each pad, {report}"


def unit_words(terms: DestinationTerms) -> str:
    """Say what stands for the unit of a number."""
    if not terms.unit_texts:
        return "valueQuantity with UCUM unit"
    own = ", ".join(f"{unit} as {text!r}" for unit, text in terms.unit_texts.items())
    return f"valueQuantity: code in UCUM, unit as the laboratory writes it ({own}), else UCUM too"
