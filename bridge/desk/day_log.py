"""The day log of an analyzer: what a person may note, on which terms, and how a line is corrected."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from bridge.bench.day_log import COLDEST_C, HOTTEST_C, Degrees, Found, KeptLine, LogLine, day_of, in_force, is_a_room, missing
from bridge.desk.typed_time import typed_time
from bridge.desk.who import require_name, require_reason
from bridge.errors import Overtaken, RefusedAction
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.apply_day_log import CORRECTED
from bridge.store.life_commands import NoteDayLog
from bridge.tables.day_log_table import DayItem, Undone
from bridge.tables.types import Tables

CLOCKS_DIFFER = timedelta(minutes=5)  # ours: a browser's clock may be ahead of ours by as much
LONGEST_AGO = timedelta(days=7)  # ours: what somebody remembers of longer ago is no record
NO_TEMPERATURE = "Give the room temperature as a number, such as 22.5, and choose °C or °F."


@dataclass(frozen=True, kw_only=True, slots=True)
class TypedLine:
    """What a person typed of one item. ``typed`` is a temperature or the operator of the day, "" for other items."""

    item: DayItem
    found: Found = Found.RIGHT
    typed: str = ""
    scale: Degrees | None = None
    remark: str = ""


class DayLogDesk:
    """The actions on day logs. ``zone`` is the site's. Raises RefusedAction or Overtaken with a sentence for the technician."""

    def __init__(self, store: Store, tables: Tables, zone: ZoneInfo, now: Callable[[], datetime]) -> None:
        self._store = store
        self._tables = tables
        self._zone = zone
        self._now = now

    def note(self, analyzer: str, typed: Sequence[TypedLine], *, done: str, actor: Actor) -> tuple[int, ...]:
        """Keep lines of one analyzer, done at ``done`` (the site's clock, as 2026-11-25T09:00; "" for now). Give their ids."""
        require_name(actor)
        if not analyzer.strip():
            raise RefusedAction("Choose the analyzer.")
        if not typed:
            raise RefusedAction("Nothing was filled in. Say at least of one line what you found.")
        now = self._now()
        done_at = moment_of(done, self._zone, now)
        lines = tuple(_line(analyzer.strip(), each, done_at) for each in typed)
        command = NoteDayLog(
            lines=lines,
            policy=self._tables.controls.policy,
            actor=actor,
            at=now,
            frees=self._frees(analyzer.strip(), day_of(done_at, self._zone), lines),
        )
        made: tuple[int, ...] = self._store.submit(command).result()
        return made

    def correct(self, line_id: int, typed: TypedLine, *, reason: str, actor: Actor) -> None:
        """Put another line in the place of one; the first stays in the log. Analyzer, item and time are those of the first."""
        require_name(actor)
        require_reason(reason)
        known = self._store.day_log_line(line_id)
        if known is None:
            raise Overtaken(CORRECTED)
        of = known.line
        if typed.item is not of.item:
            raise RefusedAction(
                "A correction is of the same item. Say that this line was entered by mistake, and note the other one."
            )
        line = (
            replace(of, found=Found.MISTAKE, remark="") if typed.found is Found.MISTAKE else _line(of.analyzer, typed, of.done_at)
        )
        command = NoteDayLog(
            lines=(line,),
            policy=self._tables.controls.policy,
            actor=actor,
            at=self._now(),
            corrects=line_id,
            reason=reason.strip(),
        )
        self._store.submit(command).result()

    def _frees(self, analyzer: str, day: date, lines: Iterable[LogLine]) -> tuple[datetime, datetime] | None:
        """Give the day's beginning and end where its log lacks nothing with these lines, and strips are held for what it lacks."""
        rule = self._tables.policy.day_log
        if rule is None or rule.undone is not Undone.HOLD:
            return None
        since, until = day_bounds(day, self._zone)
        known = (each.line for each in lines_of(self._store.day_log(since=since, until=until), analyzer))
        return None if missing([*known, *lines], rule, day) else (since, until)


def day_bounds(day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """Give when a day of the calendar begins and when the next one does (aware, UTC)."""
    begins, ends = (datetime.combine(each, time(), tzinfo=zone).astimezone(UTC) for each in (day, day + timedelta(days=1)))
    return begins, ends


def lines_of(kept: Iterable[KeptLine], analyzer: str) -> tuple[KeptLine, ...]:
    """Give the lines of one analyzer that count, by when they were done."""
    return in_force(each for each in kept if each.line.analyzer == analyzer)


def _line(analyzer: str, typed: TypedLine, done_at: datetime) -> LogLine:
    line = LogLine(
        analyzer=analyzer, item=typed.item, done_at=done_at, found=typed.found, typed=typed.typed.strip(), scale=typed.scale,
        remark=typed.remark.strip(),
    )  # fmt: skip
    if line.found is Found.MISTAKE:
        raise RefusedAction("Only a line that stands in the log can be a mistake.")
    if line.item is DayItem.TEMPERATURE:
        _require_room(line)
    elif line.scale is not None:
        raise RefusedAction("Only a temperature has a scale.")
    if line.item is DayItem.OPERATOR and not line.typed:
        raise RefusedAction("Give the name of the operator of the day.")
    if line.found is Found.WRONG and not line.remark:
        raise RefusedAction("Say in the remark what was not in order, and what you did about it.")
    return line


def _require_room(line: LogLine) -> None:
    degrees = line.celsius
    if degrees is None:
        raise RefusedAction(NO_TEMPERATURE)
    if not is_a_room(degrees):
        other = Degrees.FAHRENHEIT if line.scale is Degrees.CELSIUS else Degrees.CELSIUS
        raise RefusedAction(
            f"{line.typed} {line.scale} is not the temperature of a room ({COLDEST_C} to {HOTTEST_C} °C). Did you mean {line.typed} {other}?"
        )


def moment_of(done: str, zone: ZoneInfo, now: datetime) -> datetime:
    """Give when something was done that a person typed by the site's clock, as 2026-11-25T09:00; "" is now. Raises RefusedAction."""
    if not done.strip():
        return now
    day, _, clock = done.strip().partition("T")
    at = typed_time(day, clock, which="first", zone=zone).astimezone(UTC)
    if at > now + CLOCKS_DIFFER:
        raise RefusedAction("This time is still to come. Give the time when it was done.")
    if at < now - LONGEST_AGO:
        raise RefusedAction(f"This is more than {LONGEST_AGO.days} days ago: it cannot be noted any more.")
    return min(at, now)
