"""Look-backs decided before Padpost acted on them: what nobody has done yet, and what does it. The contract: look_back_contract.py."""

from __future__ import annotations

import pytest

from bridge.bench.corrections import Kind
from bridge.model import Answer
from bridge.store.commands import PurgeCaptures
from bridge.store.database import SqliteDb
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.correction_contract import bear, change
from tests.store.look_back_contract import doubted
from tests.store.strips import NOW


@pytest.mark.parametrize(("kind", "verdict"), [(Kind.WITHDRAWN, "to be withdrawn"), (Kind.CORRECTED, "to be corrected")])
def test_what_was_decided_and_never_done_stays_in_sight_until_it_is(
    store: SqliteStore, file: SqliteDb, kind: Kind, verdict: str
) -> None:
    """HZ-E08: it is done from the result's own page; who decided, and why, stays as it was written."""
    first, _ = doubted(store)
    decided = "UPDATE look_backs SET verdict = ?, actor = 'Ada', decided_at = '2026-11-25T10:00:00.000000Z', reason = 'seen' WHERE id = ?"
    file.execute(decided, (verdict, first.row_id))
    (row,) = store.look_backs_under_way()
    assert (row.row_id, row.correction, row.standing) == (first.row_id, None, ())
    change(store, "R3", Kind.CORRECTED if kind is Kind.WITHDRAWN else Kind.MOVED, new_id="R9")
    assert store.look_backs_under_way()[0].correction is None  # another change is not what was decided
    change(store, "R3" if kind is Kind.WITHDRAWN else "R9", kind)
    (row,) = store.look_backs_under_way()
    assert row.correction is not None
    assert (row.correction.kind, row.actor, row.reason) == (kind, "Ada", "seen")


def test_the_purge_takes_the_reason(store: SqliteStore) -> None:
    """It is free text and may name a patient; who decided what, and when, stays."""
    first, _ = doubted(store)
    told = change(store, "R3", Kind.WITHDRAWN, look_back=first.row_id)
    bear(store)
    s.attempt(store, told.withdrawals[0], Answer.ACCEPTED)
    store.submit(PurgeCaptures(capture_ids=(first.strip.capture_id,), results=True, at=NOW)).result(s.WAIT)
    (row,) = store.look_backs(is_open=False)
    assert (row.actor, row.decided_at, row.reason, row.version) == ("Eda", NOW, "", 2)
