"""The peers do the same work as each other, or the ratios would say nothing. Origin: check_same.py of the peers that were given with the task."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B.bundle import Bundle

from tests.speed.feeding import Analyzers
from tests.speed.peers import floor, naive
from tests.speed.peers.common import NAMES
from tests.speed.receivers import Receiver
from tests.speed.runs import at_full_speed, one_at_a_time, peer
from tests.speed.strips import Strips

STRIPS = Strips(datetime(2026, 11, 25, 8, tzinfo=UTC))


def plain(bundle: str) -> Any:
    """Give a Bundle with its UUIDs in order of appearance, numbers as floats, UTC as +00:00, and members by name."""
    seen: dict[str, str] = {}
    text = re.sub(r"urn:uuid:[0-9a-f-]{36}", lambda found: seen.setdefault(found[0], f"u{len(seen)}"), bundle)

    def ordered(value: Any) -> Any:
        if isinstance(value, dict):
            return {name: ordered(value[name]) for name in sorted(value)}
        if isinstance(value, list):
            return [ordered(inner) for inner in value]
        return value.removesuffix("Z") + "+00:00" if isinstance(value, str) and value.endswith("Z") else value

    return ordered(json.loads(text, parse_float=float, parse_int=float))


@pytest.mark.parametrize("number", range(0, 50, 7))
def test_both_make_the_same_messages(number: int) -> None:
    """The floor's templates say byte for byte what hl7apy builds, and a Bundle that fhir.resources takes and would build."""
    strip = dict(zip(NAMES, STRIPS.line(number).decode().rstrip("\r\n").split(","), strict=True))
    assert floor.to_hl7(strip).rstrip("\r") == naive.to_hl7(strip).to_er7().rstrip("\r")
    Bundle.model_validate_json(floor.to_bundle(strip))
    assert plain(floor.to_bundle(strip)) == plain(naive.to_bundle(strip))


@pytest.mark.parametrize(("mode", "count"), [("naive", 10), ("two", 40), ("one", 40), ("group", 330)])
def test_a_peer_carries_every_strip(mode: str, count: int, tmp_path: Path) -> None:
    """What a peer is measured by really arrives, once and in each patient's order; the runs check it themselves."""
    with Receiver() as receiver, peer(tmp_path, mode, receiver) as running, Analyzers(running.ports) as analyzers:
        assert at_full_speed(running, receiver, analyzers, STRIPS, range(count)).strips == count
        slow = one_at_a_time(receiver, analyzers, STRIPS, range(count, count + 5))
        assert len(slow.latencies_s) == 5
        assert slow.seconds > max(slow.latencies_s) > 0
