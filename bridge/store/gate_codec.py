"""How a gate becomes a column and comes back the same."""

from __future__ import annotations

import orjson

from bridge.bench.gate import Gate
from bridge.model import GateState
from bridge.store.codec import moment_or_none, when


def gate_text(gate: Gate) -> str:
    """Write a gate."""
    plain = {
        "state": gate.state,
        "as_of": when(gate.as_of),
        "passed": sorted(gate.passed),
        "last_set": gate.last_set,
        "strips": gate.strips,
        "due_at": when(gate.due_at),
        "since": when(gate.since),
    }
    return orjson.dumps(plain).decode()


def gate_of(text: str) -> Gate:
    """Read what ``gate_text`` wrote."""
    plain = orjson.loads(text)
    last_set = plain["last_set"]
    return Gate(
        state=GateState(plain["state"]),
        as_of=moment_or_none(plain["as_of"]),
        passed=frozenset(plain["passed"]),
        last_set=(last_set[0], last_set[1]) if last_set else None,
        strips=plain["strips"],
        due_at=moment_or_none(plain["due_at"]),
        since=moment_or_none(plain.get("since")),  # a gate that was last moved before it was kept has none
    )
