"""Strips whose identifier is registered as no patient's: they never go to a record, and what is in doubt waits for a person."""

from __future__ import annotations

from bridge.check.rulebook import finding
from bridge.life import RegisteredAs
from bridge.model import Finding, Purpose

RULE = "purpose.registered"


def purpose_of(printed: Purpose, registered: RegisteredAs | None, *, patient_id: str, is_patients: bool) -> Purpose:
    """Give what a strip was read for. What the analyzer itself says of another purpose stands; ``is_patients``: the ID is built like a patient's."""
    if registered is None or printed is not Purpose.PATIENT or _doubt(registered, patient_id, is_patients=is_patients):
        return printed
    return Purpose(registered.purpose)


def not_registered(registered: RegisteredAs | None, *, patient_id: str, is_patients: bool) -> tuple[Finding, ...]:
    """Hold a strip that counts as a patient's though an identifier of it is registered: nobody may send it as it is."""
    if registered is None:
        return ()
    doubt = _doubt(registered, patient_id, is_patients=is_patients)
    return (
        (finding(RULE, f"{registered.text} is registered for {registered.purpose} ({registered.scheme}), and {doubt}."),)
        if doubt
        else ()
    )


def _doubt(registered: RegisteredAs, patient_id: str, *, is_patients: bool) -> str:
    """Say in words why a registration does not decide by itself; "" where it does."""
    if not registered.is_signed:
        return "nobody has signed that yet"
    if registered.is_specimen and patient_id:
        return "the strip has a patient ID beside it"
    if registered.is_pattern and is_patients:
        return "it is built like a patient ID of this site"
    return ""
