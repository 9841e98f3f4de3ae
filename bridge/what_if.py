"""What would become of a stopped strip if a person decided so: read and judged by the same code as at the bench, and nothing is stored."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import replace
from datetime import datetime
from typing import Any, cast

from bridge.desk.foresight import Foreseen, Foresight
from bridge.errors import RefusedAction, StoreFailed
from bridge.judging import Ids, Judging, Writers
from bridge.lifecycle.states import StopEnd
from bridge.model import Message, Outcome, PriorResult, Reading, Unreadable
from bridge.store.api import Store
from bridge.store.commands import CloseStop, NewDelivery
from bridge.store.rows import IntakeRow, ReadingFacts, StopRow
from bridge.tables.types import Tables
from bridge.trial import outcome_word

GIVEN_LATER = "PREVIEW"  # ours: stands in place of the identifiers that a result and a message are given when they are made


class WhatIf:
    """Foresees. Each question has a judging of its own, so that it shares nothing with the one at work."""

    def __init__(
        self, store: Store, tables: Tables, writers: Writers, now: Callable[[], datetime], *, profiles: Mapping[str, str]
    ) -> None:
        """Take the parts of judging; ``profiles`` names the profile that each source has now."""
        self._store = store
        self._tables = tables
        self._writers = writers
        self._now = now
        self._profiles = profiles

    def __call__(self, stop: StopRow, command: CloseStop) -> Foresight:
        """Say what would become of the strip behind ``stop`` if ``command`` were done. Raises RefusedAction where nothing can be foreseen.

        Off the event loop alone: it runs one of its own.
        """
        if why := self._store.why_not(command):
            raise RefusedAction(why)
        if command.end is StopEnd.DISCARDED:
            return Foresight(outcome="discarded", findings=(), messages=())
        if command.end is StopEnd.SENT_AGAIN:
            return self._again(stop)
        assert stop.capture_id is not None  # or it would be refused
        assert stop.index is not None
        imagined = cast("Store", _Imagined(self._store, command, self._set_aside(stop)))
        judging = Judging(imagined, self._tables, self._writers, _Placeholders(imagined), self._now, profiles=self._profiles)
        kept = self._store.capture(stop.capture_id)
        is_whole = command.end is StopEnd.READ_AGAIN and self._is_unreadable(stop)  # as CloseStop has it
        intake = IntakeRow(
            intake_id=0, capture_id=stop.capture_id, analyzer=kept.analyzer, profile=kept.profile,
            only_index=None if is_whole else stop.index, next_index=0 if is_whole else stop.index, because=command.end,
        )  # fmt: skip
        first, *others = [_told(*judged) for judged in asyncio.run(judging.rehearse(intake))] or [_NOTHING]
        return replace(first, others=tuple(others))

    def _is_unreadable(self, stop: StopRow) -> bool:
        strip = self._store.strip(stop.strip_id) if stop.strip_id is not None else None
        return strip is not None and strip.outcome == "unreadable"

    def _set_aside(self, stop: StopRow) -> PriorResult | None:
        """Give the result that a turned-away message is of: judged again, it goes on as the next version."""
        if stop.delivery_id is None:
            return None
        strip = self._store.strip(stop.strip_id) if stop.strip_id is not None else None
        detail = self._store.result(strip.result_id) if strip is not None and strip.result_id else None
        return (
            PriorResult(result_id=strip.result_id, version=detail.version) if strip is not None and detail is not None else None
        )

    def _again(self, stop: StopRow) -> Foresight:
        """Give the message that was turned away: the same bytes would go again."""
        strip = self._store.strip(stop.strip_id) if stop.strip_id is not None else None
        detail = self._store.result(strip.result_id) if strip is not None and strip.result_id else None
        found: list[Message | None] = [
            message if message.payload else None
            for delivery, message, _ in (detail.deliveries if detail else ())
            if delivery.delivery_id == stop.delivery_id
        ]
        messages = tuple(Foreseen(destination=stop.destination, message=each) for each in found)
        return Foresight(outcome="coded", findings=(), messages=messages)


class _Imagined:
    """The store as it would be once a person had decided; it answers, and takes nothing."""

    def __init__(self, store: Store, command: CloseStop, set_aside: PriorResult | None) -> None:
        self._store = store
        self._command = command
        self._set_aside = set_aside

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)

    def submit(self, _: object) -> Future[Any]:
        """Take nothing."""
        raise StoreFailed("What is only foreseen is not kept. This is a defect of Padpost.")

    def reading_facts(self, capture_id: int, index: int, *, record_digest: str) -> ReadingFacts:
        """Give what is known of a reading with the decision beside it, as the store does once it is kept."""
        found = self._store.reading_facts(capture_id, index, record_digest=record_digest)
        command, decisions = self._command, found.decisions
        if command.patient_id:
            decisions = replace(decisions, patient_id=command.patient_id, corrected_by=command.actor)
        if command.analyzed_at:
            decisions = replace(decisions, analyzed_at=command.analyzed_at, timed_by=command.actor)
        if command.accept_rules:
            accepted_by = {**decisions.accepted_by, **dict.fromkeys(command.accept_rules, command.actor)}
            decisions = replace(decisions, accepted_by=accepted_by)
        return replace(found, decisions=decisions, prior=found.prior or self._set_aside)


class _Placeholders(Ids):
    """Gives no identifier that could be taken for one of the store's, and reserves none."""

    async def result(self) -> str:
        """Give the place of a result's identifier."""
        return f"{GIVEN_LATER}-R"

    async def control(self) -> str:
        """Give the place of a message's control ID."""
        return f"{GIVEN_LATER}-M"


_NOTHING = Foresight(outcome="", findings=(), messages=())


def _told(reading: Reading | Unreadable, outcome: Outcome | None, deliveries: Sequence[NewDelivery]) -> Foresight:
    findings = (reading.finding,) if isinstance(reading, Unreadable) else outcome.findings if outcome else ()
    return Foresight(outcome=outcome_word(outcome), findings=tuple(findings), messages=tuple(map(_foreseen, deliveries)))


def _foreseen(new: NewDelivery) -> Foreseen:
    return Foreseen(destination=new.destination, message=new.message)
