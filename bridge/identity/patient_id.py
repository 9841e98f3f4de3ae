"""Whether a text may be a patient ID at this site. Nothing is trimmed, padded or guessed."""

from __future__ import annotations

import re
from enum import StrEnum

from bridge.identity.check_digits import CHECK_DIGITS
from bridge.tables.types import PatientIdPolicy


class IdFault(StrEnum):
    """Why a text is no patient ID here; the first that applies, in this order."""

    MISSING = "missing"
    DENIED = "denied"
    MALFORMED = "malformed"
    CHECK_DIGIT = "check digit"


def id_fault(patient_id: str, policy: PatientIdPolicy, *, also_denied: frozenset[str] = frozenset()) -> IdFault | None:
    """Give what is wrong with ``patient_id`` exactly as it stands; None if it may be a patient's.

    ``also_denied`` are texts of the same strip that are never its patient: its lot, its operator. An unknown
    name of a check digit raises KeyError; the settings allow none.
    """
    if not patient_id.strip():
        return IdFault.MISSING
    if patient_id in policy.denied | also_denied or any(re.fullmatch(denied, patient_id) for denied in policy.denied_patterns):
        return IdFault.DENIED
    if not re.fullmatch(policy.pattern, patient_id):
        return IdFault.MALFORMED
    if policy.check_digit and not CHECK_DIGITS[policy.check_digit](patient_id):
        return IdFault.CHECK_DIGIT
    return None
