"""A chart of an analyzer's clock as the places of its marks: made here, drawn by the template as SVG."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

from bridge.bench.clock import Offset
from bridge.check.clock import size_words
from bridge.pages.language import _
from bridge.tables.types import ClockRule

STRIP_PX = 8  # ours: between two strips; forty are as wide as a phone
MINUTE_PX = 2  # ours: the usual limits are seen at a glance
FARTHEST = 30  # ours: minutes; what is further off is drawn at the edge as a triangle, and said in words
FEWEST_DRAWN = 5  # ours: fewer are dots that show no course; the sentence says all that they do
MOST_DRAWN = 120  # ours: a few busy days
SOON = timedelta(seconds=90)  # ours: less is no minute


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """One strip: where it stands in pixels from the top left, its shape, and what it says. A circle is within the site's limit."""

    x: int
    y: int
    shape: str
    words: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockDrawing:
    """A chart: its size, the heights of the line of no offset and of the limits, its marks, and all of it in a sentence."""

    width: int
    height: int
    middle: int
    limits: tuple[int, ...]
    marks: tuple[Mark, ...]
    sentence: str


def clock_drawing(offsets: Sequence[Offset], rule: ClockRule, zone: ZoneInfo) -> ClockDrawing:
    """Draw the last offsets, oldest first: on the line right, above it the clock is behind (or the strip waited), below it ahead."""
    drawn = offsets[-MOST_DRAWN:]
    middle = MINUTE_PX * FARTHEST + STRIP_PX
    limit = MINUTE_PX * rule.hold_minutes
    return ClockDrawing(
        width=STRIP_PX * (len(drawn) + 1),
        height=2 * middle,
        middle=middle,
        limits=(middle - limit, middle + limit) if rule.hold_minutes <= FARTHEST else (),
        marks=tuple(_mark(place, offset, middle, rule, zone) for place, offset in enumerate(drawn, start=1)),
        sentence=_sentence(drawn, rule),
    )


def _mark(place: int, offset: Offset, middle: int, rule: ClockRule, zone: ZoneInfo) -> Mark:
    minutes = offset.by.total_seconds() / 60
    edge = max(-FARTHEST, min(FARTHEST, minutes))
    shape = "triangle" if edge != minutes else "circle" if abs(minutes) <= rule.hold_minutes else "square"
    words = f"{offset.at.astimezone(zone):%Y-%m-%d %H:%M}: {by_words(offset.by)}"
    return Mark(x=STRIP_PX * place, y=middle - round(MINUTE_PX * edge), shape=shape, words=words)


def by_words(offset: timedelta) -> str:
    """Say an offset; less than a minute and a half is none."""
    if abs(offset) < SOON:
        return _("right")
    length = size_words(offset)
    return _("{length} behind", length=length) if offset > timedelta() else _("{length} ahead", length=length)


def _sentence(drawn: Sequence[Offset], rule: ClockRule) -> str:
    beyond = sum(abs(each.by) > timedelta(minutes=rule.hold_minutes) for each in drawn)
    last = (
        _("The last strip that was sent as it was read")
        if len(drawn) == 1
        else _("The last {count} strips that were sent as they were read", count=len(drawn))
    )
    return _("{last}: {beyond} more than {minutes} min off", last=last, beyond=beyond, minutes=rule.hold_minutes)
