"""Containers in the file: what is done whole or not at all, and in whose words. The contract: lot_contract.py."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from bridge.bench.gate import GateKey
from bridge.check.containers import NEW_LOT, UNKNOWN
from bridge.errors import RefusedAction
from bridge.store.apply_container import ONLY_NEW_LOT, ONLY_UNKNOWN, keys_of, other_day
from bridge.store.codec import json_of
from bridge.store.commands import OpenContainer
from bridge.store.sqlite import SqliteStore
from tests.store.lot_contract import Bench
from tests.store.strips import EDA, NOW


def test_the_rules_that_a_person_mends_here_are_the_rulebooks() -> None:
    """The store stands below the checks and names the rule itself: both must say the same."""
    assert (json_of(ONLY_UNKNOWN), json_of(ONLY_NEW_LOT)) == ([UNKNOWN], [NEW_LOT])


def test_a_container_concerns_the_gate_of_its_lot_and_that_of_no_lot() -> None:
    """An analyzer that prints no lot keeps its strips under none."""
    command = OpenContainer(
        analyzer="a", strip_type="t", strip_lot="L1", expires=date(2027, 1, 1), opened_at=NOW, policy=None, actor=EDA, at=NOW
    )
    assert keys_of(command) == (
        GateKey(analyzer="a", strip_type="t", strip_lot="L1"),
        GateKey(analyzer="a", strip_type="t", strip_lot=""),
    )


def test_a_refused_container_leaves_nothing(tmp_path: Path) -> None:
    """Neither a row nor an event, and the gate stands as it stood."""
    store = SqliteStore(tmp_path, now=lambda: NOW)
    bench = Bench(store)
    bench.opens()
    before = store.gates(), store.containers()
    with pytest.raises(RefusedAction) as caught:
        bench.opens(expires=date(2028, 1, 31))
    assert str(caught.value) == other_day("L1", "2027-03-31")
    assert (store.gates(), store.containers()) == before
    assert store.events("container:2") == ()
    store.close()
