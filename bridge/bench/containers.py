"""Which container of strips a strip is from, and for how long its strips may be used.

The analyzer prints a lot at best, never a container: a strip is from the container of its lot that was opened last before it was read.
Days are the site's: a container that was opened in the course of a day has been open since its morning, and a last day ends at midnight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from bridge.model import Container


class ContainerEnd(StrEnum):
    """Why a container is out of use. One that was entered by mistake never counted for anything."""

    USED_UP = "used up or given up"
    MISTAKE = "entered by mistake"


def is_of(container: Container, strip_lot: str) -> bool:
    """Say whether a strip may be from a container: its lot is the printed one; of an analyzer that prints no lot (""), any."""
    return not strip_lot or container.strip_lot == strip_lot


def container_of(containers: Sequence[Container], strip_lot: str, read_at: datetime, zone: ZoneInfo) -> Container | None:
    """Give the container that a strip is from; None where none of its lot was in use when it was read.

    ``containers``: those of its analyzer and strip type, in the order of opening. One that was opened later on the same day counts where no
    other does: people write down the day, and an analyzer's clock may be some minutes slow.
    """
    later = None
    for each in reversed(containers):  # the newest ones decide, however many years of them there are
        if not is_of(each, strip_lot) or (each.closed_at is not None and each.closed_at < read_at):
            continue
        if each.opened_at <= read_at:
            return each
        if each.opened_at.astimezone(zone).date() == read_at.astimezone(zone).date():
            later = each
    return later


def last_day(container: Container, zone: ZoneInfo, open_days: int | None) -> date:
    """Give the last day on which strips of a container may be used: the label's, or that of ``open_days`` after its opening."""
    if open_days is None:
        return container.expires
    return min(container.expires, container.opened_at.astimezone(zone).date() + timedelta(days=open_days))


@dataclass(frozen=True, kw_only=True, slots=True)
class Span:
    """From when to when strips come from a container: up to, not with, ``until``; None: still."""

    since: datetime
    until: datetime | None

    def takes_in(self, at: datetime) -> bool:
        """Say whether a strip that was read then is from the container."""
        return self.since <= at and (self.until is None or at < self.until)


def spans(containers: Sequence[Container]) -> dict[int, Span]:
    """Give the span of each container of one analyzer, strip type and lot, by its id; ``containers`` in the order of opening."""
    found: dict[int, Span] = {}
    for place, each in enumerate(containers):
        following = containers[place + 1].opened_at if place + 1 < len(containers) else None
        ends = [end for end in (following, each.closed_at) if end is not None]
        found[each.container_id] = Span(since=each.opened_at, until=min(ends) if ends else None)
    return found
