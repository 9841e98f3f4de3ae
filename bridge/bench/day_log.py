"""The day log of an analyzer: what was cleaned, looked at and measured, by whom and when, and what of a day is missing.

A line is never changed: a correction is another line that names it, and the first one stays.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from fractions import Fraction
from zoneinfo import ZoneInfo

from bridge.tables.day_log_table import DayItem, DayLogRule

ITEM_WORDS: Mapping[DayItem, str] = {
    DayItem.CLEANING: "daily cleaning",
    DayItem.REFERENCE: "white reference",
    DayItem.TEMPERATURE: "room temperature",
    DayItem.WASTE: "waste",
    DayItem.PAPER: "paper",
    DayItem.OPERATOR: "operator of the day",
    DayItem.SERVICE: "maintenance or repair",
}
TELLS = timedelta(hours=24)  # ours: a room is measured once a day; what was measured before says nothing of now


class Found(StrEnum):
    """What a line says."""

    RIGHT = "in order"
    WRONG = "not in order"
    MISTAKE = "entered by mistake"


class Degrees(StrEnum):
    """The scale in which a temperature was typed."""

    CELSIUS = "°C"
    FAHRENHEIT = "°F"


@dataclass(frozen=True, kw_only=True, slots=True)
class LogLine:
    """One line of an analyzer's day log. ``done_at`` (aware) is when it was done, which decides its day.

    ``typed`` is the temperature exactly as typed, in ``scale``, or who the operator of the day is; "" for other lines. A line that is
    ``MISTAKE`` is a correction which says that the line it names counts for nothing.
    """

    analyzer: str
    item: DayItem
    done_at: datetime
    found: Found = Found.RIGHT
    typed: str = ""
    scale: Degrees | None = None
    remark: str = ""

    @property
    def celsius(self) -> Fraction | None:
        """Give the temperature in degrees Celsius, exactly; None for a line without one."""
        return celsius(self.typed, self.scale) if self.scale is not None else None


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptLine:
    """A line as it stands in the log. ``corrects`` names the line that it takes the place of, with the ``reason``."""

    line_id: int
    line: LogLine
    entered_by: str
    verified: str
    entered_at: datetime
    corrects: int | None = None
    reason: str = ""


# --- temperature -------------------------------------------------------------------------------

_NUMBER = re.compile(r"-?\d{1,3}([.,]\d{1,2})?", re.ASCII)
COLDEST_C, HOTTEST_C = (
    0,
    50,
)  # ours: no room in which people read strips; beyond it the wrong scale was chosen, or a digit is wrong


def celsius(typed: str, scale: Degrees) -> Fraction | None:
    """Give a typed temperature in degrees Celsius, exactly; None where it is no number.

    t/°C = (t/°F - 32)/1.8: NIST Special Publication 811 (2008), appendix B.8.
    """
    if not _NUMBER.fullmatch(typed):
        return None
    value = Fraction(typed.replace(",", "."))
    return value if scale is Degrees.CELSIUS else (value - 32) * 5 / 9


def is_a_room(degrees_c: Fraction) -> bool:
    """Say whether a room can be that warm at all."""
    return COLDEST_C <= degrees_c <= HOTTEST_C


def is_out(degrees_c: Fraction, *, low_c: int, high_c: int) -> bool:
    """Say whether a temperature lies outside the limits, which are both within."""
    return not low_c <= degrees_c <= high_c


def in_tenths(degrees: Fraction) -> Decimal:
    """Give degrees to one place of decimals, halves away from zero: for people, never to judge by."""
    return (Decimal(degrees.numerator) / Decimal(degrees.denominator)).quantize(Decimal("0.1"), rounding=ROUND_HALF_UP)


def in_fahrenheit(degrees_c: Fraction) -> Fraction:
    """Give degrees Celsius in degrees Fahrenheit, exactly."""
    return degrees_c * 9 / 5 + 32


# --- what a day lacks ----------------------------------------------------------------------------


def in_force(kept: Iterable[KeptLine]) -> tuple[KeptLine, ...]:
    """Give the lines that count, by when they were done: none that was corrected, and none that was a mistake."""
    lines = tuple(kept)
    corrected = {each.corrects for each in lines}
    counting = (each for each in lines if each.line_id not in corrected and each.line.found is not Found.MISTAKE)
    return tuple(sorted(counting, key=lambda each: (each.line.done_at, each.line_id)))


def day_of(at: datetime, zone: ZoneInfo) -> date:
    """Give the day of the calendar in which a moment lies."""
    return at.astimezone(zone).date()


def missing(lines: Iterable[LogLine], rule: DayLogRule, day: date) -> tuple[DayItem, ...]:
    """Give what was due on a day and has no line, in the order of the rule; ``lines`` are those of one analyzer that count."""
    noted = {each.item for each in lines if day_of(each.done_at, rule.zone) == day}
    return tuple(item for item in rule.due if item not in noted)


def wrong(lines: Sequence[LogLine], at: datetime, zone: ZoneInfo) -> tuple[DayItem, ...]:
    """Give what was not in order at a moment, by the last line of its day before it; ``lines`` as ``in_force`` orders them."""
    last: dict[DayItem, Found] = {}
    for each in lines:
        if each.done_at <= at and day_of(each.done_at, zone) == day_of(at, zone):
            last[each.item] = each.found
    return tuple(item for item, found in last.items() if found is Found.WRONG)


def room_at(lines: Sequence[LogLine], at: datetime) -> LogLine | None:
    """Give the last temperature that was measured before a moment, and no longer than ``TELLS``; ``lines`` as above."""
    measured = (each for each in reversed(lines) if each.item is DayItem.TEMPERATURE and each.done_at <= at)
    newest = next(measured, None)
    return newest if newest is not None and at - newest.done_at <= TELLS else None
