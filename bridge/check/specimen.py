"""When the specimen was collected, and how old it was when its strip was read. A collection time that nobody gave stays empty."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from bridge.check.rulebook import finding
from bridge.check.when import printed_instant
from bridge.model import Finding, Printed, Severity
from bridge.tables.specimen_rule import SpecimenRule
from bridge.tables.types import Profile

_MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, kw_only=True, slots=True)
class Collected:
    """The collection time as printed, None where none is, and as understood: ``at`` is aware, in the analyzer's zone; ``age`` is from then to the reading.

    ``is_later``: the specimen was collected after its strip was read, by more than two clocks may differ.
    """

    printed: Printed | None = None
    at: datetime | None = None
    age: timedelta | None = None
    is_later: bool = False

    @property
    def sent_at(self) -> datetime | None:
        """Give the time that goes with the result: none that cannot be."""
        return None if self.is_later else self.at


NOT_TOLD = Collected()


def collected(printed: Printed | None, profile: Profile, *, read_at: datetime, tolerance: timedelta) -> Collected:
    """Read the printed collection time by the profile. ``read_at`` (aware) is when the strip was read.

    Of an hour that the clocks showed twice the earlier counts: the specimen may be that old.
    """
    if printed is None or not printed.text or not profile.collected_format:
        return NOT_TOLD
    at = printed_instant(printed.text, profile.collected_format, profile.zone)
    if at is None:
        return Collected(printed=printed)
    age = read_at.astimezone(UTC) - at.astimezone(UTC)
    return Collected(printed=printed, at=at, age=age, is_later=-age > tolerance)


def specimen_right(given: Collected, rule: SpecimenRule | None, strip_type: str) -> tuple[Finding, ...]:
    """Find a collection time that cannot be, and a specimen that was too old or of unknown age. ``rule`` None: nobody asks for its age."""
    place = given.printed.place if given.printed else None
    if given.printed is not None and given.at is None:
        said = f"“{given.printed.text}” is no time of collection that can be read."
        return (finding("specimen.collected_unreadable", said, place=place),)
    if given.is_later:
        said = "The specimen was collected after its strip was read, by the times that are given."
        return (finding("specimen.collected_later", said, place=place),)
    if rule is None:
        return ()
    if given.age is None:
        return (finding("specimen.age_unknown", "Nobody said when the specimen was collected."),)
    limit = rule.limit(strip_type)
    if given.age <= limit:
        return ()
    said = f"The specimen was {_minutes(given.age)} minutes old when its strip was read; the limit here is {_minutes(limit)}."
    found = finding("specimen.too_old", said, place=place)
    return (found if rule.stops else replace(found, severity=Severity.NOTE, releasable=False),)


def _minutes(span: timedelta) -> int:
    return -(-span // _MINUTE)  # rounded up: a minute that has begun is over the limit
