"""Labels of the bench that were scanned in a patient's place: on a real line, over a real store, with what people entered there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from bridge.bench.containers import ContainerEnd
from bridge.desk.actions import Desk
from bridge.desk.labels import CONTROL, OPERATOR, STRIPS
from bridge.store.commands import CloseContainer, EnterOperator, OpenContainer
from bridge.store.sqlite import SqliteStore
from tests.bench.judged import SUND, Bench, with_policy
from tests.judging_for_tests import NOW
from tests.store.operator_contract import ANA
from tests.store.strips import WAIT
from tests.tables.shipped_tables import ZONE

LABELS = {"21000045": STRIPS, "B1-0771": CONTROL, "VIAL-B1": CONTROL, "40711111": OPERATOR}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give an empty store."""
    opened = SqliteStore(tmp_path, now=lambda: NOW)
    yield opened
    opened.close()


def bench_of(store: SqliteStore) -> Bench:
    """Give a bench whose patient IDs may look like anything, so that only what people entered tells; controls are the file's."""
    made = with_policy()
    ids = replace(made.policy.patient_id, pattern=r"[A-Z0-9-]{1,20}")
    controls = replace(made.controls, policy=None)
    return Bench(store, replace(made, policy=replace(made.policy, patient_id=ids), controls=controls))


def enter(store: SqliteStore) -> int:
    """Enter an operator and a container; give the container's id. They stand at other analyzers than the strips': a label travels."""
    store.submit(EnterOperator(operator=replace(ANA, number="40711111"), actor=SUND, at=NOW)).result(WAIT)
    return enter_container(store)


def enter_container(store: SqliteStore) -> int:
    """Enter the container; give its id."""
    opened = OpenContainer(
        analyzer="bench-b",
        strip_type="plover-12",
        strip_lot="21000045",
        expires=date(2027, 3, 31),
        opened_at=NOW,
        policy=None,
        actor=SUND,
        at=NOW,
    )
    made: int = store.submit(opened).result(WAIT)
    return made


def newest(store: SqliteStore) -> list[tuple[str, str]]:
    """Give the findings of the newest strip that are about its patient."""
    return [(rule, severity) for rule, severity, _ in store.strips(limit=1)[0].findings if rule.startswith("patient.")]


def test_every_label_that_people_entered_is_held_in_a_patients_place(store: SqliteStore) -> None:
    """HZ-A04, and the first half of HZ-E06: a container, a control lot, its vial and an operator, each held in words; a sign more is a patient's."""
    bench = bench_of(store)
    enter(store)
    for text, what in LABELS.items():
        assert bench.read(bench.patient(patient_id=text)) == ["held"]
        (stop,) = [each for each in store.stops() if text in each.sentence]
        assert (stop.rule, stop.sentence) == ("patient.registered", f"{text} is entered here as {what}.")
        assert bench.read(bench.patient(patient_id=f"{text}7")) == ["coded"]
        assert newest(store) == []


def test_what_is_entered_counts_within_seconds_and_what_was_a_mistake_does_not(store: SqliteStore) -> None:
    """HZ-A04: nothing is entered at first, then it is; a container that was entered by mistake is none, one that is used up still has its label."""
    bench = bench_of(store)
    assert bench.read(bench.patient(patient_id="21000045")) == ["coded"]
    container = enter(store)
    assert bench.read(bench.patient(patient_id="21000045")) == ["held"]
    end = CloseContainer(container_id=container, how=ContainerEnd.MISTAKE, actor=SUND, reason="typed wrong", at=NOW)
    store.submit(end).result(WAIT)
    assert bench.read(bench.patient(patient_id="21000045", ranks={"glucose": 2})) == ["coded"]
    used_up = enter_container(store)
    store.submit(replace(end, container_id=used_up, how=ContainerEnd.USED_UP, reason="empty")).result(WAIT)
    assert bench.read(bench.patient(patient_id="21000045", ranks={"glucose": 3})) == ["held"]


def test_a_person_corrects_it_or_says_that_it_is_right(store: SqliteStore) -> None:
    """HZ-A04: the corrected ID is looked at too; a patient whose ID happens to be an operator's number is not stuck."""
    bench = bench_of(store)
    enter(store)
    desk = Desk(store, bench.tables.policy, lambda: bench.at, zone=ZONE)
    bench.read(bench.patient(patient_id="21000045"))
    for corrected in ("B1-0771", "40711111"):
        (stop,) = store.stops()
        desk.correct_patient_id(
            stop.stop_id, first=corrected, second=corrected, second_identifier=stop.number, reason="wrong label", actor=SUND
        )
        bench.work_off()
        (stop,) = store.stops()
        assert stop.sentence == f"{corrected} is entered here as {LABELS[corrected]}."
    desk.release(stop.stop_id, reason="the wristband says so", actor=SUND)
    bench.work_off()
    assert store.stops() == ()
    assert [(strip.outcome, strip.patient_id) for strip in store.strips(limit=1)] == [("coded", "40711111")]
    assert ("patient.registered", "note") in newest(store)
