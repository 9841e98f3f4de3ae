"""What a coded strip waits for that a person adds; nothing where the site asks for nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from bridge.added import Addable
from bridge.check.additions import MISSING, missing_of
from bridge.model import Coded, Outcome, Priority
from bridge.store.addition_commands import AddedWrite
from bridge.store.commands import NewDelivery
from bridge.tables.types import Tables


def added_write(outcome: Outcome | None, tables: Tables, now: datetime) -> AddedWrite | None:
    """Give what a strip that was judged ``now`` does to additions; None where that is nothing.

    The wait counts from when the result could go. An urgent strip that may not wait goes at once, and nothing in front of it waits either.
    """
    if not isinstance(outcome, Coded):
        return None
    result, terms = outcome.result, tables.additions.terms.get(outcome.result.analyzer)
    is_urgent = result.priority is Priority.STAT
    if terms is None:
        return AddedWrite(asks=(), due_at=now, holds=False, hurries=True) if is_urgent else None
    wait, asks = terms.wait(result.priority), still_asked(outcome, tables)
    if not asks or not wait:
        return AddedWrite(asks=(), due_at=now, holds=False, hurries=True) if is_urgent else None
    return AddedWrite(asks=asks, due_at=now + wait, holds=terms.holds, hurries=is_urgent)


def still_asked(outcome: Coded, tables: Tables) -> tuple[Addable, ...]:
    """Give what is asked for and nobody has answered; nothing where a person let the strip go without."""
    if any(each.rule == MISSING for each in outcome.findings):
        return ()
    asked = tables.additions.asked(outcome.result.analyzer, {pad.pad for pad in outcome.result.pads})
    return missing_of(asked, outcome.result.additions)


def without_messages(deliveries: Sequence[NewDelivery]) -> tuple[NewDelivery, ...]:
    """Give the deliveries unborn: what their messages will say is not known yet. They were made once, so that what cannot be said stops the strip now."""
    return tuple(replace(each, message=None) for each in deliveries)
