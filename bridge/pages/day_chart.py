"""The chart of a day's course as the places of its bars: made here, drawn by the template as SVG, and in words for who sees none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.bench.timeline import Hour
from bridge.pages.language import _
from bridge.pages.words import counted

HOUR_PX = 40  # ours: a shift of eight hours is as wide as a phone
HIGH_PX = 96  # ours: the tallest bar
HEAD_PX = 20  # above it stands its number
FOOT_PX = 20  # below stands the hour


@dataclass(frozen=True, kw_only=True, slots=True)
class Bar:
    """An hour: its place from the left, the height of all strips and of the stopped ones among them, in pixels, and what stands above and below."""

    x: int
    height: int
    stopped: int
    count: str
    hour: str


@dataclass(frozen=True, kw_only=True, slots=True)
class DayDrawing:
    """The chart: its size, the height of the ground, its bars, and all of it in a sentence."""

    width: int
    height: int
    ground: int
    bars: tuple[Bar, ...]
    sentence: str


def day_drawing(hours: Sequence[Hour]) -> DayDrawing | None:
    """Draw the hours; None where there are none."""
    if not hours:
        return None
    most = max(hour.strips for hour in hours)
    ground = HEAD_PX + HIGH_PX
    busiest = next(hour for hour in hours if hour.strips == most)
    total, stopped = sum(hour.strips for hour in hours), sum(hour.stopped for hour in hours)
    return DayDrawing(
        width=HOUR_PX * len(hours),
        height=ground + FOOT_PX,
        ground=ground,
        bars=tuple(_bar(place, hour, most) for place, hour in enumerate(hours)),
        sentence=_(
            "{strips} today, {stopped} of them stopped; most from {time}, {most}",
            strips=counted(total, "strip"),
            stopped=stopped,
            time=f"{busiest.start:%H:%M}",
            most=most,
        ),
    )


def _bar(place: int, hour: Hour, most: int) -> Bar:
    return Bar(
        x=HOUR_PX * place,
        height=_tall(hour.strips, most),
        stopped=_tall(hour.stopped, most),
        count=str(hour.strips) if hour.strips else "",
        hour=f"{hour.start:%H}",
    )


def _tall(count: int, most: int) -> int:
    """Give a height; what is there at all is seen."""
    return max(2, round(HIGH_PX * count / most)) if count else 0
