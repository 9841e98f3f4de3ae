"""The life of a real analyzer over a real store: said at the desk, judged from memory, seen within seconds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from types import MappingProxyType

import pytest

from bridge.bench.analyzer_life import Happened, LifeEvent
from bridge.lifecycle.states import StopEnd
from bridge.model import Purpose
from bridge.store.commands import CloseStop
from bridge.store.sqlite import SqliteStore
from bridge.tables.types import Tables
from tests.bench.judged import SUND, Bench
from tests.judging_for_tests import NOW
from tests.store.life_contract import said
from tests.store.strips import WAIT
from tests.tables.shipped_tables import tables

OUT = Happened(analyzer="bench-a", what=LifeEvent.OUT, at=NOW, reason="lamp")


def with_serial(power_on: str = "nothing") -> Tables:
    """Give the shipped tables with a profile that reads the header's serial number: the printer writes ANALYZER there."""
    made = tables()
    brook = made.profiles["brook"]
    assert brook.lis2 is not None
    fields = MappingProxyType({**brook.lis2.fields, "serial": "H.5"})
    profile = replace(brook, lis2=replace(brook.lis2, fields=fields))
    return replace(
        made, profiles=MappingProxyType({**made.profiles, "brook": profile}), policy=replace(made.policy, power_on=power_on)
    )


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give an empty store."""
    opened = SqliteStore(tmp_path, now=lambda: NOW)
    yield opened
    opened.close()


def rules(store: SqliteStore) -> list[str]:
    """Give the rules of the newest strip's findings."""
    return [rule for rule, _, _ in store.strips(limit=1)[0].findings]


def test_strips_of_an_analyzer_that_is_out_are_kept_and_held(store: SqliteStore) -> None:
    """Read before it was taken out they go, whenever they arrive; once it has returned they go again."""
    bench = Bench(store, with_serial())
    assert bench.read(bench.patient()) == ["coded"]
    said(store, replace(OUT, at=bench.at))
    earlier = bench.patient(at=(bench.at - timedelta(minutes=2)).astimezone(tables().profiles["brook"].zone))
    assert bench.read(earlier) == ["coded"]
    assert [bench.read(bench.patient()) for _ in range(2)] == [["held"], ["held"]]
    assert rules(store) == ["analyzer.out_of_service"]
    assert bench.read(bench.control("2")) == ["non_patient"]  # controls show whether it is sound again
    said(store, replace(OUT, what=LifeEvent.BACK, at=bench.at, reason=""))
    assert bench.read(bench.patient()) == ["coded"]


def test_another_device_is_held_until_a_person_says_that_it_stands_there(store: SqliteStore) -> None:
    """Hazard HZ-D13: swapped unseen, one device at two places, a loaner that was said: by the serial number that the strip carries."""
    bench = Bench(store, with_serial())
    said(store, replace(OUT, what=LifeEvent.SERIAL, text="0007"))
    assert bench.read(bench.patient()) == ["held"]
    assert rules(store) == ["analyzer.serial"]
    said(store, replace(OUT, what=LifeEvent.REPLACED, text="ANALYZER", at=bench.at, reason="loan"))
    assert bench.read(bench.patient()) == ["coded"]
    said(store, replace(OUT, analyzer="bench-b", what=LifeEvent.SERIAL, text="ANALYZER", at=bench.at))
    said(store, replace(OUT, what=LifeEvent.REPLACED, text="", at=bench.at, reason="own one back"))
    bench.minute += 1
    assert bench.read(bench.patient()) == ["held"]
    assert "is that of bench-b" in store.stops()[-1].sentence or "is that of bench-b" in store.stops()[0].sentence


@pytest.mark.parametrize(("power_on", "outcome"), [("nothing", "coded"), ("note", "coded"), ("hold", "held")])
def test_a_strip_type_is_confirmed_after_power_on(store: SqliteStore, power_on: str, outcome: str) -> None:
    """As the site says; what was held for it goes once it is confirmed, and nothing is asked before anybody says that it was switched on."""
    bench = Bench(store, with_serial(power_on))
    assert bench.read(bench.patient()) == ["coded"]
    said(store, replace(OUT, what=LifeEvent.POWER_ON, at=bench.at, reason=""))
    bench.minute += 1
    assert bench.read(bench.patient()) == [outcome]
    assert rules(store) == ([] if power_on == "nothing" else ["analyzer.strip_type"])
    said(store, replace(OUT, what=LifeEvent.STRIP_TYPE, text="quill-10", at=bench.at - timedelta(minutes=1), reason=""))
    bench.minute += 1
    bench.work_off()
    assert store.stops() == ()
    assert bench.read(bench.patient()) == ["coded"]
    assert rules(store) == []


def test_a_self_test_that_failed_holds_until_one_passes(store: SqliteStore) -> None:
    """Strips between the two were read by an analyzer that found itself unsound."""
    bench = Bench(store, with_serial())
    said(store, replace(OUT, what=LifeEvent.FAILED))
    assert bench.read(bench.patient()) == ["held"]
    assert rules(store) == ["analyzer.self_test"]
    said(store, replace(OUT, what=LifeEvent.PASSED, at=bench.at, reason=""))
    assert bench.read(bench.patient()) == ["coded"]


def test_what_an_analyzer_is_declared_to_run_goes_to_no_record(store: SqliteStore) -> None:
    """HZ-K07: a strip without a patient's ID is a training strip, one with a patient's waits for a person; before, and after its end, patients go."""
    made = with_serial()
    ids = replace(made.policy.patient_id, pattern="[0-9]{8}")
    bench = Bench(store, replace(made, policy=replace(made.policy, patient_id=ids)))
    assert bench.read(bench.patient()) == ["coded"]
    said(
        store,
        Happened(analyzer="bench-a", what=LifeEvent.TRAINING, at=bench.at, text=(bench.at + timedelta(minutes=6)).isoformat()),
    )
    assert bench.read(bench.patient(patient_id="")) == ["non_patient"]
    assert bench.read(bench.patient(patient_id="COURSE-1")) == ["non_patient"]
    assert store.strips(limit=1)[0].purpose is Purpose.TRAINING
    assert bench.read(bench.patient()) == ["held"]
    assert rules(store) == ["purpose.declared"]
    assert bench.sent == ["1"]
    bench.minute += 6
    assert bench.read(bench.patient()) == ["coded"]


def test_a_patients_strip_goes_once_it_is_said_that_patients_were_run_again(store: SqliteStore) -> None:
    """HZ-K07: said with its time, and the strip read again: it was a patient's, and goes to its record."""
    made = with_serial()
    bench = Bench(
        store, replace(made, policy=replace(made.policy, patient_id=replace(made.policy.patient_id, pattern="[0-9]{8}")))
    )
    said(
        store,
        Happened(analyzer="bench-a", what=LifeEvent.TRAINING, at=bench.at, text=(bench.at + timedelta(hours=2)).isoformat()),
    )
    bench.minute += 1
    over = bench.at
    assert bench.read(bench.patient()) == ["held"]
    said(store, Happened(analyzer="bench-a", what=LifeEvent.PATIENTS, at=over))
    bench.minute += 1  # what was said counts within seconds
    (stop,) = store.stops()
    store.submit(CloseStop(stop_id=stop.stop_id, end=StopEnd.READ_AGAIN, actor=SUND, reason="a patient's", at=bench.at)).result(
        WAIT
    )
    bench.work_off()
    assert bench.sent == ["1"]
