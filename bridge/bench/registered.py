"""Identifiers of strips that are no patient's: proficiency (external quality), lot comparison and training, as people registered them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from bridge.life import RegisteredAs
from bridge.model import Purpose

PURPOSES = (Purpose.PROFICIENCY, Purpose.COMPARISON, Purpose.TRAINING)
LEAST_SIGNS = 3  # ours: a pattern with fewer signs of its own could take patients' identifiers in
_SIGNS = {"#": "[0-9]", "?": ".", "*": ".*"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Registration:
    """An identifier, or a pattern of some, from a day to a day, both included.

    In ``text`` ``#`` is one digit, ``?`` one sign and ``*`` any signs or none; without one of them it is the identifier itself.
    ``scheme`` is whose round or course it is, in the laboratory's own words.
    """

    text: str
    purpose: Purpose
    scheme: str
    since: date
    until: date

    @property
    def is_pattern(self) -> bool:
        """Say whether it is a pattern."""
        return any(sign in self.text for sign in _SIGNS)

    def takes(self, identifier: str, on: date) -> bool:
        """Say whether an identifier of a strip that was read on that day is registered here, sign by sign."""
        if not identifier or not self.since <= on <= self.until:
            return False
        if not self.is_pattern:
            return identifier == self.text
        return re.fullmatch("".join(_SIGNS.get(sign, re.escape(sign)) for sign in self.text), identifier, re.DOTALL) is not None


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptRegistration:
    """A registration with who entered it, who signed it ("" while nobody did) and who ended it ("" while it is in force)."""

    registration_id: int
    registration: Registration
    entered_by: str
    entered_at: datetime
    signed_by: str = ""
    signed_at: datetime | None = None
    ended_by: str = ""
    ended_at: datetime | None = None
    reason: str = ""


def fault_of(text: str) -> str:
    """Say in words what is wrong with the text of a registration; "" if nothing is."""
    if not text or not text.isprintable() or text != text.strip():
        return "Give the identifier as it stands on the label, without blanks around it."
    if text.count("*") > 1:
        return "Use one * at most."
    if any(sign in text for sign in _SIGNS) and sum(sign not in _SIGNS for sign in text) < LEAST_SIGNS:
        return f"A pattern needs {LEAST_SIGNS} signs of its own at least: else it could take patients' identifiers in."
    return ""


def registered_as(kept: Iterable[KeptRegistration], patient_id: str, specimen_id: str, on: date) -> RegisteredAs | None:
    """Give what a strip's identifiers are registered as; None where they are not. An identifier itself goes before a pattern."""
    standing = sorted((each for each in kept if not each.ended_by), key=lambda each: each.registration.is_pattern)
    for text, is_specimen in ((patient_id, False), (specimen_id, True)):
        for each in standing:
            of = each.registration
            if of.takes(text, on):
                return RegisteredAs(
                    purpose=of.purpose.value, scheme=of.scheme, text=text, is_pattern=of.is_pattern, is_specimen=is_specimen,
                    is_signed=bool(each.signed_by),
                )  # fmt: skip
    return None
