"""Rules of the patient's identity: an ID that was not given, or not right, is never guessed."""

from __future__ import annotations

from bridge.check.rulebook import finding
from bridge.identity.patient_id import IdFault, id_fault
from bridge.model import Finding, Printed
from bridge.tables.types import PatientIdPolicy

_SAYS: dict[IdFault, tuple[str, str]] = {
    IdFault.MISSING: ("patient.missing", "The strip has no patient ID."),
    IdFault.DENIED: ("patient.denied", "{id} is not a patient's ID: it is a lot, an operator, a control or a placeholder."),
    IdFault.MALFORMED: ("patient.malformed", "{id} is not built like a patient ID of this site."),
    IdFault.CHECK_DIGIT: ("patient.check_digit", "Patient ID {id} fails its check digit."),
}


def patient_identity(
    patient_id: str, policy: PatientIdPolicy, *, place: Printed | None, strip_lot: str, operator: str
) -> tuple[Finding, ...]:
    """Hold the patient ID, printed or corrected, against the site's policy and the strip's own lot and operator."""
    fault = id_fault(patient_id, policy, also_denied=frozenset({strip_lot, operator}) - {""})
    if fault is None:
        return ()
    rule, sentence = _SAYS[fault]
    return (finding(rule, sentence.replace("{id}", patient_id), place=place.place if place else None),)


def not_registered(known_as: str, patient_id: str, *, place: Printed | None) -> tuple[Finding, ...]:
    """Hold a strip whose patient ID is the text of another label that people entered here; ``known_as`` says in words of which, "" of none."""
    if not known_as:
        return ()
    return (finding("patient.registered", f"{patient_id} is entered here as {known_as}.", place=place.place if place else None),)
