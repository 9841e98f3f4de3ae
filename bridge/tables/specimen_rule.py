"""How old a specimen may be when its strip is read, as the site says it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta


@dataclass(frozen=True, kw_only=True, slots=True)
class SpecimenRule:
    """Whole minutes from collection to the reading of the strip: ``limit_minutes``, or what ``by_strip_type`` says of a strip type.

    An older one's strip is held where the rule ``stops``, else it goes with a note.
    """

    limit_minutes: int
    stops: bool = True
    by_strip_type: Mapping[str, int] = field(default_factory=dict)

    def limit(self, strip_type: str) -> timedelta:
        """Give the limit for a strip type; that of all for one that is not known."""
        return timedelta(minutes=self.by_strip_type.get(strip_type, self.limit_minutes))
