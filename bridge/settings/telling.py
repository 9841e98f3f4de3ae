"""Whom somebody tells of a critical result, in which order, and how soon."""

from __future__ import annotations

from pydantic import Field

from bridge.settings.shapes import Shape


class ToTell(Shape):
    """Somebody who is to be told: a name or a place, what they are, and how they are reached. Padpost calls nobody: the page shows it."""

    name: str = Field(min_length=1, max_length=100)
    role: str = Field(min_length=1, max_length=100)
    contact: str = Field(default="", max_length=100)


class Telling(Shape):
    """The task of telling somebody of a critical result. It opens only where the laboratory has signed and switched on a critical rule.

    What nobody was told of within ``overdue_minutes`` is overdue: it stands first on Today, and the next of ``people`` is to be told; so again
    after as long. ``repeat_hours``: a further strip of a patient of whom somebody was told within so long, by the same rule, is closed as a repeat;
    0: every one is told. A strip that is stopped is never taken for a repeat.
    """

    overdue_minutes: int = Field(default=30, ge=1, le=1_440)
    people: tuple[ToTell, ...] = ()
    repeat_hours: int = Field(default=0, ge=0, le=168)
