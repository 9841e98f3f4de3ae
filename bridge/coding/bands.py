"""Which expectation holds for a person: age in completed years, and the band that fits most closely."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from bridge.model import Sex
from bridge.tables.flag_table import Band


@dataclass(frozen=True, kw_only=True, slots=True)
class Person:
    """What is known of whose urine it is, and ``on`` which day: collection if known, else analysis."""

    sex: Sex | None
    born: date | None
    on: date

    @property
    def age(self) -> int | None:
        """Give the age in completed years; None if it is not known."""
        return None if self.born is None else completed_years(self.born, self.on)


def completed_years(born: date, on: date) -> int:
    """Give how many birthdays have come since the day of birth; negative before it.

    Who was born on 29 February completes a year on 1 March where the year has no such day (common practice, no source: laws differ).
    """
    return on.year - born.year - ((on.month, on.day) < (born.month, born.day))


def band_for(bands: Iterable[Band], person: Person) -> tuple[Band | None, bool]:
    """Give the narrowest band that surely fits, None for the expectation for everyone; and whether nothing closer could fit.

    Of two bands that fit one person, one lies inside the other: the tables refuse any others.
    """
    best: Band | None = None
    is_certain = True
    for band in bands:
        fits = band.fits(person.sex, person.age)
        is_certain = is_certain and fits is not None
        if fits and (best is None or band.is_inside(best)):
            best = band
    return best, is_certain
