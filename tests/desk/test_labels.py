"""What people entered that is never a patient, from a real store. What judging makes of it: tests/facts/test_labels.py."""

from __future__ import annotations

from pathlib import Path

from bridge.desk.labels import CONTROL, OPERATOR, STRIPS, labels_of
from bridge.store.sqlite import SqliteStore
from tests.facts.test_labels import bench_of, enter
from tests.judging_for_tests import NOW


def test_each_label_has_its_words(tmp_path: Path) -> None:
    """HZ-A04: a container of strips, a control's lot and its vial, an operator."""
    store = SqliteStore(tmp_path, now=lambda: NOW)
    enter(store)
    found = dict(labels_of(store, bench_of(store).tables))
    assert found.items() >= {"21000045": STRIPS, "B1-0771": CONTROL, "VIAL-B1": CONTROL, "40711111": OPERATOR}.items()
    store.close()
