"""What the site wants noted of each analyzer on each day of use."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from zoneinfo import ZoneInfo


class DayItem(StrEnum):
    """What the day log of an analyzer has lines for."""

    CLEANING = "cleaning"
    REFERENCE = "reference"
    TEMPERATURE = "temperature"
    WASTE = "waste"
    PAPER = "paper"
    OPERATOR = "operator"
    SERVICE = "service"


LOW_C, HIGH_C = 15, 30  # 59 to 86 °F: stated for strips, specimens and controls; trade practice, no source


class Undone(StrEnum):
    """What becomes of a patient's strip of a day whose log lacks a line or says that something was not in order."""

    LIST = "list"
    NOTE = "note"
    HOLD = "hold"


@dataclass(frozen=True, kw_only=True, slots=True)
class DayLogRule:
    """What is due each day of use (``due``), within which whole degrees Celsius the room may be, both included, and what becomes of strips.

    A day is one of the calendar in ``zone``, the site's.
    """

    zone: ZoneInfo
    due: tuple[DayItem, ...]
    low_c: int = LOW_C
    high_c: int = HIGH_C
    undone: Undone = Undone.LIST
