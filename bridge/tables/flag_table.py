"""What the site says of flags: whom a reference expectation is for, and which combinations it calls critical.

Compiled from mappings/flags.yaml by ``flags.py``. Looked up for one person: who fits a band is said here, which band wins in coding.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from bridge.model import Grade, Quantity, Sex


@dataclass(frozen=True, kw_only=True, slots=True)
class Band:
    """What is expected of one pad in people of one sex (None: any) and of an age in completed years.

    ``from_age`` is inclusive, ``to_age`` exclusive, None without end. ``low`` and ``high`` replace the catalogue's range where one
    of them is given; ``abnormal_from`` adds to what the ladder calls abnormal.
    """

    pad: str
    sex: Sex | None
    from_age: int
    to_age: int | None
    expected: str
    low: Quantity | None = None
    high: Quantity | None = None
    abnormal_from: Grade | None = None

    @property
    def people(self) -> str:
        """Give in words whom the band is for: "F, from 12 to under 50 years"."""
        who = self.sex.value if self.sex else "any sex"
        if self.to_age is None:
            return f"{who}, from {self.from_age} years" if self.from_age else f"{who}, any age"
        return f"{who}, from {self.from_age} to under {self.to_age} years"

    def fits(self, sex: Sex | None, age: int | None) -> bool | None:
        """Say whether a person is one of these people; None where what is not known (None) decides."""
        by_sex = True if self.sex is None else None if sex is None else sex is self.sex
        ageless = self.from_age == 0 and self.to_age is None
        by_age = True if ageless else None if age is None else self.has_age(age)
        if by_sex is False or by_age is False:
            return False
        return None if by_sex is None or by_age is None else True

    def has_age(self, age: int) -> bool:
        """Say whether an age lies in the band: from_age does, to_age does not."""
        return self.from_age <= age and (self.to_age is None or age < self.to_age)

    def shares_people(self, other: Band) -> bool:
        """Say whether somebody could be in both."""
        first, second = sorted((self, other), key=lambda band: band.from_age)
        return (self.sex is None or other.sex is None or self.sex is other.sex) and first.has_age(second.from_age)

    def is_inside(self, other: Band) -> bool:
        """Say whether everybody of this band is in ``other`` too, and not the other way round."""
        same = (self.sex, self.from_age, self.to_age) == (other.sex, other.from_age, other.to_age)
        ends = other.to_age is None or (self.to_age is not None and self.to_age <= other.to_age)
        return not same and (other.sex is None or self.sex is other.sex) and self.from_age >= other.from_age and ends


@dataclass(frozen=True, kw_only=True, slots=True)
class Condition:
    """What one pad must show: at least a grade, or a number at least or at most as large. Exactly one of the three is set."""

    pad: str
    grade: Grade | None = None
    at_least: Quantity | None = None
    at_most: Quantity | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class CriticalRule:
    """A combination that the site calls critical and has switched on. ``rule`` is its id; ``text`` is for a technician."""

    rule: str
    when: tuple[Condition, ...]
    text: str


@dataclass(frozen=True, kw_only=True, slots=True)
class FlagTable:
    """The site's bands by pad, and the critical rules that are on; none of either as shipped. ``off`` are those that are not on."""

    bands: Mapping[str, tuple[Band, ...]] = field(default_factory=dict)
    critical: tuple[CriticalRule, ...] = ()
    off: tuple[CriticalRule, ...] = ()
