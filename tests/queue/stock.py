"""Fills a real store with deliveries, so that a queue has something to send; and waits for what it makes of them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from bridge import clock
from bridge.model import (
    Capture,
    CheckedReading,
    Code,
    Coded,
    CodedResult,
    DeliveryState,
    Message,
    Place,
    Priority,
    Purpose,
    Reading,
    ResultStatus,
    StripContent,
    StripKey,
    Way,
)
from bridge.queue.offers import Offer
from bridge.store.api import Store
from bridge.store.commands import KeepCapture, NewDelivery, RecordOutcome
from bridge.store.rows import DeliveryRow, DestinationRow

READ_AT = datetime(2026, 11, 25, 7, 0, tzinfo=UTC)
PLACE = Place(start=0, end=1)


def result(result_id: str, patient_id: str, priority: Priority) -> CodedResult:
    """Give a result without pads: a queue never looks inside."""
    return CodedResult(
        result_id=result_id,
        version=1,
        status=ResultStatus.FINAL,
        profile="p",
        analyzer="a",
        patient_id=patient_id,
        patient_name="",
        specimen_id="",
        operator="",
        strip_type="s",
        strip_lot="",
        priority=priority,
        number=result_id,
        panel=Code(code="24356-8", text="Urinalysis", system="LN"),
        analyzed_at=READ_AT,
        collected_at=None,
        pads=(),
        comments=(),
        tables_digest="t",
    )


def put(store: Store, message: Message, *, born: bool = True) -> int:
    """Record a strip whose result has one delivery, ``message``, or an unborn one in its lane. Gives the delivery's id."""
    return store.submit(outcome_of(store, message, born=born)).result(10).delivery_ids[0]  # type: ignore[no-any-return]  # a future of anything


def outcome_of(store: Store, message: Message, *, born: bool = True, offer: Offer | None = None) -> RecordOutcome:
    """Keep a strip; give the command that records it with one delivery, which begins with it where there is an ``offer``."""
    reading = Reading(index=0, place=PLACE, analyzer="a", profile="p", record_digest=message.result_id)
    checked = CheckedReading(
        reading=reading,
        key=StripKey(analyzer="a", mode="", series="", number=message.result_id),
        content=StripContent(patient_id=message.lane, operator="", strip_type="s", strip_lot="", pads=()),
        purpose=Purpose.PATIENT,
        priority=message.priority,
        patient_id=message.lane,
        corrected_by=None,
        patient_name="",
        specimen_id="",
        operator="",
        strip_type="s",
        strip_lot="",
        analyzed_at=READ_AT,
        pads=(),
    )
    capture = Capture(source="s", way=Way.FOLDER, arrived_at=clock.now(), payload=message.result_id.encode())
    capture_id = store.submit(KeepCapture(capture=capture, analyzer="a", profile="p")).result(10)
    intake = store.next_intake("a")
    assert intake is not None
    delivery = NewDelivery(
        destination=message.destination,
        lane=message.lane,
        priority=message.priority,
        message=message if born else None,
        begins=offer is not None,
        lease=offer.lease if offer else None,
    )
    return RecordOutcome(
        intake_id=intake.intake_id,
        capture_id=capture_id,
        reading=reading,
        outcome=Coded(checked=checked, result=result(message.result_id, message.lane, message.priority)),
        deliveries=(delivery,),
        tables_digest="t",
        at=clock.now(),
        ends_intake=True,
    )


def row(store: Store, message: Message) -> DeliveryRow:
    """Give the one delivery of the message's result."""
    (found,) = store.deliveries(message.result_id)
    return found


def states(store: Store, *messages: Message) -> list[DeliveryState]:
    """Give where each message's delivery stands."""
    return [row(store, message).state for message in messages]


def door(store: Store) -> DestinationRow:
    """Give the destination's row."""
    (found,) = store.destinations()
    return found


async def until(claim: Callable[[], bool], *, limit: timedelta = timedelta(seconds=10)) -> None:
    """Wait until ``claim`` holds. Raises AssertionError if it does not within ``limit``."""
    end = clock.monotonic() + limit.total_seconds()
    while not claim():
        assert clock.monotonic() < end, "it never came true"
        await asyncio.sleep(0.005)
