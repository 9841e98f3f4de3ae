"""A signal comes back from its columns as it was."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from bridge.signals.kinds import Cause, Kind
from bridge.signals.machine import Signal, SignalState
from bridge.store.codec import when
from bridge.store.signal_codec import content_of, signal_of

AT = st.integers(0, 10**15).map(lambda micros: datetime(2000, 1, 1, tzinfo=UTC) + timedelta(microseconds=micros))
CAUSES = st.lists(st.tuples(st.text(st.characters(exclude_categories=["Cs"])), AT, st.integers(1, 10**6)), max_size=5)


@given(st.sampled_from(Kind), st.sampled_from(SignalState), CAUSES, AT, st.none() | AT)
def test_a_signal_comes_back(
    kind: Kind, state: SignalState, found: list[tuple[str, datetime, int]], at: datetime, said: datetime | None
) -> None:
    """Every field, to the microsecond, whatever a name holds."""
    signal = Signal(
        kind=kind,
        state=state,
        causes=tuple(Cause(kind=kind, subject=subject, since=since, count=count) for subject, since, count in found),
        since=at,
        opened_at=at,
        known=tuple(sorted({subject for subject, _, _ in found})),
        said_at=said,
        acknowledged_by="Ana",
        acknowledged_at=said,
        signal_id=7,
        version=3,
    )
    row = (7, str(kind), str(state), content_of(signal), when(at), when(at), when(said), "Ana", when(said), 3)
    assert signal_of(row) == signal
