"""Registered identifiers over the real judging and store: nothing sent, kept, listed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from bridge.lifecycle.states import StopEnd
from bridge.model import Purpose
from bridge.store.commands import CloseStop
from bridge.store.life_commands import EndRegistration
from bridge.store.sqlite import SqliteStore
from tests.bench.judged import Bench
from tests.judging_for_tests import NOW
from tests.store.registered_contract import ROUND, register
from tests.store.strips import BO, WAIT
from tests.tables.shipped_tables import tables

GOOD = "40718823"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give an empty store."""
    opened = SqliteStore(tmp_path, now=lambda: NOW)
    yield opened
    opened.close()


def sent(store: SqliteStore) -> int:
    """Count the messages that were made."""
    return sum(len(store.deliveries(row.result_id)) for row in store.results(limit=100))


@pytest.mark.parametrize("purpose", [Purpose.PROFICIENCY, Purpose.TRAINING, Purpose.COMPARISON])
def test_a_registered_identifier_is_kept_and_never_sent(store: SqliteStore, purpose: Purpose) -> None:
    """Hazard HZ-K07: also where the identifier is built like a patient ID; the same strip without a registration goes."""
    bench = Bench(store, tables())
    assert bench.read(bench.patient(patient_id="40718831")) == ["coded"]
    before = sent(store)
    register(store, replace(ROUND, text=GOOD, purpose=purpose))
    bench.judging.registered.forget()
    assert bench.read(bench.patient(patient_id=GOOD)) == ["non_patient"]
    (strip,) = store.strips(outcome="non_patient")
    assert (strip.purpose, strip.patient_id, strip.result_id) == (purpose, GOOD, "")
    assert len(strip.pads) == 10
    assert (sent(store), store.stops()) == (before, ())


def test_what_is_in_doubt_is_held_and_cannot_be_released(store: SqliteStore) -> None:
    """Hazard HZ-K07: not signed yet, and a pattern that a patient ID of the site meets; once it is ended the strip goes when it is read again."""
    bench = Bench(store, tables())
    unsigned = register(store, replace(ROUND, text=GOOD), signed=False)
    assert bench.read(bench.patient(patient_id=GOOD)) == ["held"]
    (stop,) = store.stops()
    assert (stop.rules, stop.releasable) == (("purpose.registered",), False)
    store.submit(EndRegistration(registration_id=unsigned, actor=BO, reason="a patient's", at=NOW)).result(WAIT)
    bench.judging.registered.forget()
    again = CloseStop(stop_id=stop.stop_id, end=StopEnd.READ_AGAIN, actor=BO, reason="a patient's", at=NOW)
    store.submit(again).result(WAIT)
    bench.work_off()
    assert [strip.outcome for strip in store.strips(limit=1)] == ["coded"]
    register(store, replace(ROUND, text="4071####"))
    bench.judging.registered.forget()
    assert bench.read(bench.patient(patient_id="40718849")) == ["held"]


def test_the_day_is_that_of_the_strip_and_a_corrected_identifier_counts(store: SqliteStore) -> None:
    """A strip of the day after the last is a patient's; one whose ID a person corrects to a registered one is not."""
    bench = Bench(store, tables())
    register(store, replace(ROUND, text=GOOD, until=NOW.date()))
    assert bench.read(bench.patient(patient_id="")) == ["rejected"]
    (stop,) = store.stops()
    correct = CloseStop(stop_id=stop.stop_id, end=StopEnd.ID_CORRECTED, actor=BO, reason="scanned", patient_id=GOOD, at=NOW)
    store.submit(correct).result(WAIT)
    bench.work_off()
    assert [strip.outcome for strip in store.strips(limit=1)] == ["non_patient"]
    bench.minute += int(timedelta(days=1).total_seconds() / 60)
    assert bench.read(bench.patient(patient_id=GOOD)) == ["coded"]
