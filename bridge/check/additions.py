"""Whether what a person was to add to a strip was added in time."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from bridge.added import Addable, AddedFacts, Addition, listed
from bridge.check.rulebook import finding
from bridge.model import Finding

MISSING = "addition.missing"


def added_in_time(added: AddedFacts | None, asked: Collection[Addable], *, analyzer: str) -> tuple[Finding, ...]:
    """Hold a strip whose time to be added to is over, and that still lacks something; nothing while it may wait, and where the site asks for nothing."""
    if added is None or not added.is_overdue:
        return ()
    missing = missing_of(asked, added.values)
    if not missing:
        return ()
    return (finding(MISSING, f"Nobody added {listed(missing)} to this strip of {analyzer} in time."),)


def missing_of(asked: Collection[Addable], additions: Iterable[Addition]) -> tuple[Addable, ...]:
    """Give what is asked for and was not answered."""
    answered = {each.what for each in additions}
    return tuple(what for what in asked if what not in answered)
