"""What a record says of the patient's birth and sex: evidence for reference ranges, never for matching.

What is not understood is noted and counts as not known: it stops nothing, and nobody's age or sex is guessed.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from bridge.check.local_time import local_time
from bridge.check.rulebook import finding
from bridge.check.understanding import text_of
from bridge.coding.bands import completed_years
from bridge.model import Finding, Printed, Sex

OLDEST_YEARS = 130  # ours: beyond every documented age (122 years, from memory), so a date before it is a wrong one


def born_of(printed: Printed | None, form: str, *, on: date) -> date | None:
    """Give the day of birth, printed in the strptime format ``form``; None where none is printed or it cannot be one on the day ``on``."""
    text = text_of(printed)
    if not form or not text:
        return None
    try:
        born = local_time(text, form).date()
    except ValueError:
        return None
    return born if 0 <= completed_years(born, on) <= OLDEST_YEARS else None


def sex_of(printed: Printed | None, words: Mapping[str, Sex | None]) -> Sex | None:
    """Give the sex that the printed word stands for; None where it stands for none."""
    return words.get(text_of(printed))


def birth_date_readable(printed: Printed | None, form: str, *, on: date) -> tuple[Finding, ...]:
    """Note a printed birth date that is no date, or not one of somebody who lives on the day ``on``."""
    text = text_of(printed)
    if printed is None or not form or not text or born_of(printed, form, on=on) is not None:
        return ()
    return (finding("birth_date.unreadable", f"“{text}” is not a birth date that can be.", place=printed.place),)


def sex_known(printed: Printed | None, words: Mapping[str, Sex | None]) -> tuple[Finding, ...]:
    """Note a printed word for the sex that the profile does not have."""
    text = text_of(printed)
    if printed is None or not words or not text or text in words:
        return ()
    return (finding("sex.unknown", f"The word “{text}” for the patient's sex is not known.", place=printed.place),)
