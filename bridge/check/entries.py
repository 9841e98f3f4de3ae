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
    what = "read this strip by eye" if read_by is ReadBy.EYE else "typed this in from a slip"
    return (finding(UNCONFIRMED, f"{entered_by.text} {what}, and nobody else has compared it yet.", place=entered_by.place),)
