"""What every store must do with the look-back after a failed control: a decision that asks for something does it, once."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from bridge.bench.controls import RunVerdict
from bridge.bench.corrections import Kind
from bridge.bench.look_back import Verdict
from bridge.errors import Overtaken
from bridge.model import Answer, DeliveryState
from bridge.store.api import Store
from bridge.store.commands import LetStand
from bridge.store.rows import LookBackShown
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.correction_contract import bear, change, states
from tests.store.gate_contract import Bench
from tests.store.strips import BO, NOW, WAIT

D = DeliveryState


def doubted(store: Store) -> list[LookBackShown]:
    """Let two results be taken by their receiver, and then a control fail: results R3 and R4."""
    bench = Bench(store)
    bench.control("1")
    bench.control("2")
    for _ in range(2):
        _, recorded = bench.patient()
        s.attempt(store, recorded.delivery_ids[0], Answer.ACCEPTED)
    bench.control("1", RunVerdict.FAILED)
    return list(store.look_backs(is_open=True))


class LookBackContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_a_withdrawal_decides_its_row_and_is_followed_until_it_is_acknowledged(self, opened: Opened) -> None:
        """HZ-E08: one commit decides and withdraws; the row is under way until the receiver has said yes, and the other is still open."""
        first, second = doubted(opened.store)
        assert (first.strip.result_id, first.version, first.correction, first.standing) == ("R3", 1, None, ())
        told = change(opened.store, "R3", Kind.WITHDRAWN, look_back=first.row_id)
        store = opened.restart()
        assert store.look_backs(is_open=True) == (second,)
        (row,) = store.look_backs_under_way()
        assert (row.row_id, row.verdict, row.actor, row.decided_at, row.reason) == (
            first.row_id, Verdict.WITHDRAWN, "Eda", NOW, "seen by the ward",
        )  # fmt: skip
        assert row.correction is not None
        assert (row.correction.kind, row.correction.second, row.version) == (Kind.WITHDRAWN, "Bo", 2)
        assert row.standing == (("records", D.UNBORN),)
        assert row.strip.outcome == "withdrawn"
        assert bear(store) == [("R3", 2, "W")]
        s.attempt(store, told.withdrawals[0], Answer.ACCEPTED)
        assert store.look_backs_under_way() == ()
        (over,) = store.look_backs(is_open=False)
        assert (over.row_id, over.standing) == (first.row_id, (("records", D.ACCEPTED),))
        assert [event.after for event in store.events(f"look_back:{first.row_id}")] == ["to be withdrawn"]

    def test_a_corrected_report_decides_its_row_only_where_it_says_so(self, opened: Opened) -> None:
        """A new specimen number is no answer to a control that failed: the row stays open until a correction names it."""
        store = opened.store
        first, second = doubted(store)
        change(store, "R3", Kind.CORRECTED)
        assert [row.row_id for row in store.look_backs(is_open=True)] == [first.row_id, second.row_id]
        change(store, "R3", Kind.CORRECTED, look_back=first.row_id)
        assert [row.row_id for row in store.look_backs(is_open=True)] == [second.row_id]
        (row,) = store.look_backs_under_way(limit=5)
        assert (row.verdict, row.version, row.standing) == (Verdict.CORRECTED, 3, (("records", D.UNBORN),))
        assert store.look_backs_under_way(limit=0) == ()

    def test_a_withdrawal_from_the_results_own_page_decides_the_row_too(self, opened: Opened) -> None:
        """Nothing is left to decide; another patient's result is still in doubt under its new number."""
        store = opened.store
        first, second = doubted(store)
        change(store, "R3", Kind.WITHDRAWN)
        change(store, "R4", Kind.MOVED, new_id="R9")
        (still,) = store.look_backs(is_open=True)
        assert (still.row_id, still.strip.result_id, still.version) == (second.row_id, "R9", 1)
        assert [row.row_id for row in store.look_backs(is_open=False)] == [first.row_id]

    @pytest.mark.parametrize("kind", [Kind.WITHDRAWN, Kind.CORRECTED])
    def test_nobody_decides_twice(self, opened: Opened, kind: Kind) -> None:
        """Who comes second sees it, and nothing is sent: a row that stands, another strip's row, one that is done already."""
        store = opened.store
        first, second = doubted(store)
        store.submit(LetStand(row_id=first.row_id, actor=BO, reason="negative there", at=NOW)).result(WAIT)
        for row_id in (first.row_id, second.row_id, 99):
            with pytest.raises(Overtaken, match="Somebody has decided about this result already"):
                change(store, "R3", kind, look_back=row_id)
        assert states(store, "R3") == [(1, D.ACCEPTED)]
        assert store.corrections() == ()
        change(store, "R4", kind, look_back=second.row_id)
        with pytest.raises(Overtaken, match="Somebody has decided about this result already"):
            store.submit(LetStand(row_id=second.row_id, actor=BO, reason="no", at=NOW)).result(WAIT)

    def test_what_stands_stands(self, opened: Opened) -> None:
        """A later withdrawal for another reason leaves the decision about the control as it was made."""
        store = opened.store
        first, _ = doubted(store)
        store.submit(LetStand(row_id=first.row_id, actor=BO, reason="negative there", at=NOW)).result(WAIT)
        change(store, "R3", Kind.WITHDRAWN)
        (row,) = store.look_backs(is_open=False)
        assert (row.verdict, row.actor, row.correction) == (Verdict.STANDS, "Bo", None)
        assert store.look_backs_under_way() == ()
