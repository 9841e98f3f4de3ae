"""What judging and the page of registered identifiers ask."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

from bridge.bench.registered import KeptRegistration, Registration
from bridge.model import Purpose
from bridge.store.codec import moment, moment_or_none
from bridge.store.database import Db

_ROW = "SELECT id, text, purpose, scheme, since, until, entered_by, entered_at, signed_by, signed_at, ended_by, ended_at, reason FROM registered_ids"


class RegisteredReads:
    """The reads of registered identifiers; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def registrations(self, *, is_in_force: bool = False) -> tuple[KeptRegistration, ...]:
        """Give every registration, or those that nobody has ended, in the order of entry."""
        where = " WHERE ended_by = ''" if is_in_force else ""
        return tuple(map(_kept, self._db().execute(f"{_ROW}{where} ORDER BY id").fetchall()))


def _kept(row: Any) -> KeptRegistration:
    registration = Registration(
        text=row[1], purpose=Purpose(row[2]), scheme=row[3], since=date.fromisoformat(row[4]), until=date.fromisoformat(row[5])
    )
    return KeptRegistration(
        registration_id=row[0], registration=registration, entered_by=row[6], entered_at=moment(row[7]), signed_by=row[8],
        signed_at=moment_or_none(row[9]), ended_by=row[10], ended_at=moment_or_none(row[11]), reason=row[12],
    )  # fmt: skip
