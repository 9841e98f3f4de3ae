"""Whether a second person has looked at what somebody entered in a form."""

from __future__ import annotations

from bridge.check.rulebook import finding
from bridge.model import Finding, Printed, ReadBy

UNCONFIRMED = "entry.unconfirmed"


def seen_by_two(entered_by: Printed | None, read_by: ReadBy, *, is_one_enough: bool) -> tuple[Finding, ...]:
    """Hold what one person entered until another has compared it; nothing where an analyzer sent it.

    ``is_one_enough``: the site's policy asks for no second person where strips are read by eye here. What was typed off a slip always needs one.
    """
    if entered_by is None or (read_by is ReadBy.EYE and is_one_enough):
        return ()
    who, place = entered_by.text, entered_by.place
    if read_by is ReadBy.EYE:
        return (finding(UNCONFIRMED, f"{who} read this strip by eye, and nobody else has compared it yet.", place=place),)
    return (finding(UNCONFIRMED, f"{who} typed this in from a slip, and nobody else has compared it yet.", place=place),)
