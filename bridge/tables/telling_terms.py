"""What the site says of telling somebody of critical results: whom, in which order, and how soon. No result depends on it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class ToTell:
    """Somebody of the site's list: a name, what they are (``role``), and how they are reached, as a person reads it."""

    name: str
    role: str
    contact: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class TellingTerms:
    """Minutes and hours are whole numbers.

    What nobody was told of within ``overdue_minutes`` is overdue, and the next of ``people`` is to be told; so again after as long.
    Where somebody was told of a patient within ``repeat_hours``, a further strip of that patient that meets the same rule is closed as a
    repeat; 0: every one is told.
    """

    overdue_minutes: int = (
        30  # ours: no standard sets a time; half an hour is what many laboratories ask of themselves (common practice, no source)
    )
    people: tuple[ToTell, ...] = ()
    repeat_hours: int = 0
