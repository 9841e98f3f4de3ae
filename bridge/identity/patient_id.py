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


SHORTEST = 6  # ours: signs; a shorter number in a sentence is a strip's, a lot's or a clock time
_WORD = re.compile(r"[^\s,;:.!?()\"']+")


def names_patient(text: str, policy: PatientIdPolicy) -> bool:
    """Say whether a sentence holds what looks like a patient ID of this site: of its pattern, at least six signs with a digit among them.

    One that fails its check digit counts: it is a patient's, mistyped. What the site never takes for a patient's does not.
    """
    words = (word for word in _WORD.findall(text) if len(word) >= SHORTEST and any(sign.isdigit() for sign in word))
    return any(id_fault(word, policy) in (None, IdFault.CHECK_DIGIT) for word in words)
