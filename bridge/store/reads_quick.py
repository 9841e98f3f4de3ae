"""What switching at a shared bench asks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from bridge.accounts.quick import Bench, Quick
from bridge.store.codec import moment, moment_or_none
from bridge.store.database import Db

_BENCH = "id, name, digest, made_by, made_at, open_until, opened_by, ended_by, ended_at"


class QuickReads:
    """The reads of benches; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def benches(self) -> tuple[Bench, ...]:
        """Give every bench, ended ones too, in the order in which they were made."""
        return tuple(map(_bench, self._db().execute(f"SELECT {_BENCH} FROM benches ORDER BY id").fetchall()))

    def bench(self, digest: str) -> Bench | None:
        """Give the bench of a browser."""
        row = self._db().execute(f"SELECT {_BENCH} FROM benches WHERE digest = ?", (digest,)).fetchone()
        return _bench(row) if row else None

    def quick(self, account_id: int) -> Quick | None:
        """Give what an account switches by; None where it never chose."""
        row = self._db().execute("SELECT account_id, pin, badge FROM quick_ways WHERE account_id = ?", (account_id,)).fetchone()
        return Quick(account_id=row[0], pin=row[1], badge=row[2]) if row else None

    def quick_by_badge(self, badge: str) -> Quick | None:
        """Give what the account of a badge switches by."""
        row = (
            self._db()
            .execute("SELECT account_id, pin, badge FROM quick_ways WHERE badge = ? AND badge <> ''", (badge,))
            .fetchone()
        )
        return Quick(account_id=row[0], pin=row[1], badge=row[2]) if row else None


def _bench(row: Any) -> Bench:
    return Bench(
        bench_id=row[0], name=row[1], digest=row[2], made_by=row[3], made_at=moment(row[4]), open_until=moment_or_none(row[5]),
        opened_by=row[6], ended_by=row[7], ended_at=moment_or_none(row[8]),
    )  # fmt: skip
