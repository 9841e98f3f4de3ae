"""Who an operator's number is: the register of one site, as people entered it, and what it says of a strip."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from bridge.model import OperatorFacts, OperatorState

AT_ONCE = timedelta(minutes=2)  # trade practice, no source: a person needs as long from one analyzer to the next


@dataclass(frozen=True, kw_only=True, slots=True)
class Operator:
    """A number at one analyzer and the person whose it is, from a day to a day, both included; ``until`` None: no end is set.

    ``competency_due``: from the day after it the person's training must be shown again. ``shift`` is the laboratory's own word, or "".
    """

    analyzer: str
    number: str
    name: str
    since: date
    until: date | None = None
    competency_due: date | None = None
    shift: str = ""

    def overlaps(self, other: Operator) -> bool:
        """Say whether two entries claim one number on one day."""
        is_same = (self.analyzer, self.number) == (other.analyzer, other.number)
        return is_same and self.since <= (other.until or date.max) and other.since <= (self.until or date.max)


class Register:
    """Every entry in force, by analyzer and number."""

    def __init__(self, operators: Iterable[Operator] = ()) -> None:
        self._entries: dict[tuple[str, str], list[Operator]] = {}
        self._analyzers: set[str] = set()
        for each in operators:
            self._analyzers.add(each.analyzer)
            self._entries.setdefault((each.analyzer, each.number), []).append(each)

    def asks(self, analyzer: str) -> bool:
        """Say whether anybody is entered for an analyzer: where nobody is, its numbers are not judged."""
        return analyzer in self._analyzers

    def says(self, analyzer: str, number: str, *, on: date) -> OperatorFacts:
        """Say whose a number was on a day."""
        if not number:
            return OperatorFacts(state=OperatorState.BLANK)
        entries = self._entries.get((analyzer, number), ())
        if not entries:
            return OperatorFacts(state=OperatorState.UNKNOWN)
        valid = next((each for each in entries if each.since <= on <= (each.until or date.max)), None)
        if valid is None:
            return OperatorFacts(state=OperatorState.EXPIRED, name=entries[-1].name)
        is_due = valid.competency_due is not None and on > valid.competency_due
        return OperatorFacts(state=OperatorState.COMPETENCY_DUE if is_due else OperatorState.KNOWN, name=valid.name)


class Presence:
    """Where each person was last, by live strips."""

    def __init__(self) -> None:
        self._last: dict[str, tuple[str, datetime]] = {}

    def elsewhere(self, name: str, analyzer: str, at: datetime) -> str:
        """Name the other analyzer at which the person was within ``AT_ONCE``, else give ""; keep that the person is here now."""
        person = " ".join(name.split()).casefold()
        other, then = self._last.get(person, (analyzer, at))
        self._last[person] = (analyzer, at)
        return other if other != analyzer and abs(at - then) < AT_ONCE else ""
