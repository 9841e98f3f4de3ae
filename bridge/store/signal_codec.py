"""How a signal becomes columns and comes back the same; both stores of SQL and their tests share it."""

from __future__ import annotations

from typing import Any

import orjson

from bridge.signals.kinds import Cause, Kind
from bridge.signals.machine import Signal, SignalState
from bridge.store.codec import json_text, moment, moment_or_none, when

COLUMNS = "id, kind, state, content, since, opened_at, said_at, acknowledged_by, acknowledged_at, version"


def content_of(signal: Signal) -> str:
    """Give what a signal is of, and which subjects people know of, as JSON."""
    return json_text([[[each.subject, when(each.since), each.count] for each in signal.causes], signal.known])


def signal_of(row: tuple[Any, ...]) -> Signal:
    """Give the signal of a row of ``COLUMNS``."""
    kind = Kind(row[1])
    causes, known = orjson.loads(row[3])
    return Signal(
        signal_id=row[0],
        kind=kind,
        state=SignalState(row[2]),
        causes=tuple(Cause(kind=kind, subject=subject, since=moment(since), count=count) for subject, since, count in causes),
        known=tuple(known),
        since=moment(row[4]),
        opened_at=moment(row[5]),
        said_at=moment_or_none(row[6]),
        acknowledged_by=row[7],
        acknowledged_at=moment_or_none(row[8]),
        version=row[9],
    )
