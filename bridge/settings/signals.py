"""What is signalled, how soon, and how patient signals are."""

from __future__ import annotations

from datetime import time
from typing import Literal

from pydantic import Field, model_validator

from bridge.settings.shapes import Shape

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Opening(Shape):
    """When the laboratory reads strips: from one time to another on these days, by the site's clock. An end that is not later is the next day's."""

    days: tuple[Day, ...] = Field(default=DAYS, min_length=1)
    start: time
    end: time


class Signals(Shape):
    """What becomes a signal, after how many minutes.

    ``receiver_minutes``: a receiver takes nothing. ``waiting_minutes``: the oldest message of a receiver waits. ``stat_minutes``: a STAT strip
    has not gone. ``rejected_minutes``: a rejected message waits for a person. ``controls_minutes``: patients' strips wait for controls.
    ``silent_minutes``: an analyzer that was ever heard sends nothing while ``opening`` says that the laboratory is open; without ``opening``
    none is held to be silent.

    ``settle_s``: a cause must stand as long before it is told; ``ease_minutes``: be gone as long before its signal ends. An open signal is said
    again every ``repeat_minutes`` (0: never); an acknowledgement holds for ``acknowledged_hours``, after which what still stands is open again.
    """

    opening: tuple[Opening, ...] = ()
    receiver_minutes: int = Field(default=5, ge=1, le=1_440)
    waiting_minutes: int = Field(default=60, ge=1, le=10_080)
    stat_minutes: int = Field(default=10, ge=1, le=1_440)
    rejected_minutes: int = Field(default=240, ge=1, le=10_080)
    controls_minutes: int = Field(default=30, ge=1, le=1_440)
    silent_minutes: int = Field(default=120, ge=5, le=1_440)
    settle_s: int = Field(default=60, ge=0, le=3_600)
    ease_minutes: int = Field(default=5, ge=0, le=120)
    repeat_minutes: int = Field(default=60, ge=0, le=1_440)
    acknowledged_hours: int = Field(default=4, ge=1, le=24)

    @model_validator(mode="after")
    def _repeats_not_at_once(self) -> Signals:
        if 0 < self.repeat_minutes < 5:
            raise ValueError("repeat_minutes below 5 teaches people to look away; write 5 or more, or 0 for never")
        return self
