"""What judging asks of the day log: kept in memory, read again every few seconds, so that no strip costs a query."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from decimal import Decimal

from bridge.bench.day_log import ITEM_WORDS, LogLine, day_of, in_force, missing, room_at, wrong
from bridge.facts.renewed import Renewed
from bridge.life import DayLogFacts
from bridge.model import Needs
from bridge.store.api import Store
from bridge.tables.day_log_table import DayItem
from bridge.tables.types import Tables

KEPT = timedelta(
    days=8
)  # ours: a strip that is sent again from an analyzer's memory is rarely older; of older days nothing is said


class DayLogs:
    """The lines of the last days as this process knows them. May be asked from any thread."""

    def __init__(self, store: Store, tables: Tables, now: Callable[[], datetime]) -> None:
        self._store = store
        self._rule = tables.policy.day_log
        self._now = now
        self._lines = Renewed(self._read, now)

    def facts(self, needs: Needs, arrived_at: datetime) -> DayLogFacts | None:
        """Give what the log says of a strip: of the time that is printed, else of its arrival. None where it can say nothing."""
        at = min(needs.printed_at or arrived_at, arrived_at)
        lines = self._lines.value().get(needs.analyzer, ())
        rule = self._rule
        if rule is None or at < self._now() - KEPT:
            return DayLogFacts(room_c=self._degrees(lines, at)) if lines else None
        return DayLogFacts(
            missing=_words(missing(lines, rule, day_of(at, rule.zone))),
            wrong=_words(wrong(lines, at, rule.zone)),
            room_c=self._degrees(lines, at),
        )

    def temperature_c(self, analyzer: str, at: datetime) -> Decimal | None:
        """Give the room temperature at an analyzer as it was last measured before ``at``, within 24 hours; None where nobody did."""
        return self._degrees(self._lines.value().get(analyzer, ()), at)

    @staticmethod
    def _degrees(lines: tuple[LogLine, ...], at: datetime) -> Decimal | None:
        line = room_at(lines, at)
        degrees = line.celsius if line is not None else None
        return None if degrees is None else Decimal(degrees.numerator) / Decimal(degrees.denominator)

    def _read(self, now: datetime) -> Mapping[str, tuple[LogLine, ...]]:
        found: dict[str, list[LogLine]] = {}
        for kept in in_force(self._store.day_log(since=now - KEPT - timedelta(days=1))):
            found.setdefault(kept.line.analyzer, []).append(kept.line)
        return {name: tuple(lines) for name, lines in found.items()}


def _words(items: tuple[DayItem, ...]) -> tuple[str, ...]:
    return tuple(ITEM_WORDS[item] for item in items)
