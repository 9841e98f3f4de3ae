"""A gate comes back from its column as it was."""

from __future__ import annotations

from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.gate import Gate
from bridge.model import GateState
from bridge.store.gate_codec import gate_of, gate_text

MOMENTS = st.none() | st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))


@given(
    st.builds(
        Gate,
        state=st.sampled_from(GateState),
        as_of=MOMENTS,
        passed=st.frozensets(st.text(max_size=5)),
        last_set=st.none() | st.tuples(st.integers(1, 2**53), st.integers(0, 9999)),
        strips=st.integers(0, 10**6),
        due_at=MOMENTS,
        since=MOMENTS,
    )
)
def test_there_and_back(gate: Gate) -> None:
    """Whatever happened to it."""
    assert gate_of(gate_text(gate)) == gate
