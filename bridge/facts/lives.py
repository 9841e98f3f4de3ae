"""What judging asks of analyzers' lives: kept in memory, read again every few seconds, so that no strip costs a query."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta

from bridge.bench.analyzer_life import Happened, Standing, in_order, owner_of, standing
from bridge.facts.renewed import Renewed
from bridge.life import LifeFacts
from bridge.model import Needs, Reading
from bridge.store.api import Store

KEPT = timedelta(
    days=40
)  # ours: beyond the thirty days after which a strip is too old by default; of before, the last of each kind


class Lives:
    """What happened to analyzers, as this process knows it. May be asked from any thread."""

    def __init__(self, store: Store, now: Callable[[], datetime]) -> None:
        self._store = store
        self._lives = Renewed(self._read, now)

    def facts(self, reading: Reading, needs: Needs, arrived_at: datetime) -> LifeFacts | None:
        """Give how a strip's analyzer stood when it was read: by the printed time, else by its arrival. None where nobody said anything."""
        lives, standing_now = self._lives.value()
        if not lives:
            return None
        serial = reading.serial.text if reading.serial else ""
        owner = owner_of(serial, standing_now)
        elsewhere = owner if owner != needs.analyzer else ""
        happened = lives.get(needs.analyzer)
        if happened is None:
            return LifeFacts(elsewhere=elsewhere) if elsewhere else None
        at = min(needs.printed_at or arrived_at, arrived_at)
        stood = standing(happened, at)
        return LifeFacts(
            out_reason=stood.out_reason if stood.out_since else "",
            self_test_failed=stood.failed_at is not None,
            confirmed=stood.strip_type if stood.on_since else None,
            serial=stood.serial,
            elsewhere=elsewhere,
            run=stood.run_at(at),
            run_until=stood.run_until,
        )

    def _read(self, now: datetime) -> tuple[Mapping[str, tuple[Happened, ...]], Mapping[str, Standing]]:
        """Give what happened to each analyzer, and how each stands now."""
        found: dict[str, list[Happened]] = {}
        for each in in_order(self._store.life_events(since=now - KEPT)):
            found.setdefault(each.analyzer, []).append(each)
        return (
            {name: tuple(each) for name, each in found.items()},
            {name: standing(each, now) for name, each in found.items()},
        )
