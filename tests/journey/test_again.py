"""A capture of several strips read again, on a whole bridge."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.lifecycle.states import StopGroup
from tests.journey.running import Running, play, running
from tests.journey.test_bridge import ANA, GOOD, OTHER, desk, stops


@pytest.fixture
def bridge(tmp_path: Path) -> Iterator[Running]:
    with running(tmp_path) as subject:
        yield subject


def test_what_went_is_not_sent_again_when_its_neighbour_is_read_again(bridge: Running) -> None:
    """Reading an unreadable strip again reads the whole file: the strips of it that were filed stay as they are."""
    whole = bridge.tern(play(1, GOOD), play(2, OTHER))
    lines = whole.splitlines(keepends=True)
    bridge.drop("a.txt", b"".join([*lines[:-1], lines[-1].replace(OTHER.encode(), b'"' + OTHER.encode())]))
    (stop_id,) = bridge.wait(lambda: stops(bridge, StopGroup.REJECTED))
    bridge.wait(lambda: bridge.records.filed_reports() == 1)
    bridge.wait(lambda: len(bridge.records.results) == 1)
    bridge.wait(
        lambda: {state for row in bridge.store.results() for _, state in row.states} == {"accepted"}
    )  # its answers are in too
    assert [strip.outcome for strip in reversed(bridge.store.strips())] == ["coded", "unreadable"]
    before = bridge.store.results()
    desk(bridge).read_again(stop_id, reason="profile mended", actor=ANA)
    bridge.wait(lambda: [s for s in stops(bridge, StopGroup.REJECTED) if s != stop_id])
    assert bridge.store.results() == before
    assert len(bridge.store.deliveries(before[0].result_id)) == 2
    assert [strip.outcome for strip in bridge.store.capture_strips(1)] == ["coded", "unreadable"]
    assert [strip.outcome for strip in bridge.store.strips(outcome="superseded")] == ["superseded"]
    assert bridge.records.filed_reports() == len(bridge.records.results) == 1
