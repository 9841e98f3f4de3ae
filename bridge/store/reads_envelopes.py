"""What the page of envelopes and the signals ask."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from bridge.accounts.envelope import Envelope
from bridge.store.codec import moment, moment_or_none
from bridge.store.database import Db

_COLUMNS = "id, digest, sealed_by, sealed_at, opened_by, opened_at, opened_why, looked_by, looked_at, looked_why"
NEWEST = f"SELECT {_COLUMNS} FROM envelopes ORDER BY id DESC LIMIT 1"
ONE = f"SELECT {_COLUMNS} FROM envelopes WHERE id = ?"
_ALL = f"SELECT {_COLUMNS} FROM envelopes ORDER BY id DESC LIMIT ?"
_ASKING = f"SELECT {_COLUMNS} FROM envelopes WHERE opened_at IS NOT NULL AND looked_at IS NULL ORDER BY id"


class EnvelopeReads:
    """The reads of envelopes; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def envelopes(self, *, limit: int) -> tuple[Envelope, ...]:
        """Give envelopes, the newest first."""
        return tuple(map(envelope_of, self._db().execute(_ALL, (limit,)).fetchall()))

    def envelopes_opened(self) -> tuple[Envelope, ...]:
        """Give those whose opening nobody has looked into, in the order in which they were sealed."""
        return tuple(map(envelope_of, self._db().execute(_ASKING).fetchall()))


def envelope_of(row: Any) -> Envelope:
    """Give an envelope of its row."""
    return Envelope(
        envelope_id=row[0], digest=row[1], sealed_by=row[2], sealed_at=moment(row[3]), opened_by=row[4], opened_at=moment_or_none(row[5]),
        opened_why=row[6], looked_by=row[7], looked_at=moment_or_none(row[8]), looked_why=row[9],
    )  # fmt: skip
