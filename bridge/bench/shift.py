"""Whether every strip of a run may bear its neighbour's patient: a number or a strip that went missing inside it shifts a list of IDs by one.

A run is what one analyzer reads without a pause. How long a pause is, the site's policy says.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from bridge.model import RunState, SeriesState, StripKey

# What may have gone before a strip in its run, in words of a sentence
ONE_MISSING = "{first} was read and never arrived"
SOME_MISSING = "{first} to {last} were read and never arrived"
AN_ERROR = "the strip before ended in an error"
CAUSES = (ONE_MISSING, SOME_MISSING, AN_ERROR)


@dataclass(frozen=True, kw_only=True, slots=True)
class RunTerms:
    """The site's word: strips within ``pause`` of each other are one run; a jump over more than ``jump_limit`` numbers was no run of missing strips."""

    pause: timedelta
    jump_limit: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Read:
    """When a strip was read, as far as it is known: printed, and arrived. Both aware."""

    printed_at: datetime | None
    arrived_at: datetime


def broken_by(key: StripKey, read: Read, state: RunState | None, newest: SeriesState | None, terms: RunTerms) -> str:
    """Say what went before a strip inside its run, in words of a sentence; "" where nothing did.

    ``state`` is how the run stands after the strip before, None where none is known; ``newest`` the newest series of the strip's mode.
    """
    if state is None or is_late(read, state):
        return ""
    passed_over = _passed_over(key, newest)
    # the missing strips took their time too; a number that was set by hand did not
    steps = len(passed_over) + 1 if len(passed_over) <= terms.jump_limit else 1
    if _between(read, state) > terms.pause * steps:
        return ""
    if state.broken_by:
        return state.broken_by
    if passed_over:
        first, last = passed_over.start, passed_over.stop - 1
        return (ONE_MISSING if first == last else SOME_MISSING).format(first=first, last=last)
    return AN_ERROR if state.has_fault else ""


def is_late(read: Read, state: RunState) -> bool:
    """Say whether a strip was read before the last one: it comes from the analyzer's memory and tells nothing of the run."""
    return read.printed_at is not None and state.printed_at is not None and read.printed_at < state.printed_at


def _passed_over(key: StripKey, newest: SeriesState | None) -> range:
    if newest is None or not key.series or key.series != newest.series or not key.number.isdigit():
        return range(0)
    return range(newest.last_number + 1, max(newest.last_number + 1, int(key.number)))


def _between(read: Read, state: RunState) -> timedelta:
    if read.printed_at is not None and state.printed_at is not None:
        return read.printed_at.astimezone(UTC) - state.printed_at.astimezone(UTC)
    return read.arrived_at - state.arrived_at
