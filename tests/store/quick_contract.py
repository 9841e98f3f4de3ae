"""What every store must keep of shared benches and what people switch by there (HZ-J04)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from bridge.accounts.quick import Bench, Quick
from bridge.errors import Overtaken, RefusedAction
from bridge.store.account_commands import KeepAccount
from bridge.store.api import Store
from bridge.store.quick_commands import EndBench, KeepQuick, MarkBench, OpenBench
from tests.store.account_contract import add
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, later

BENCH = Bench(bench_id=1, name="Bench 1", digest="b1", made_by="Bo", made_at=NOW)


def keep(store: Store, quick: Quick) -> None:
    """Keep what an account switches by."""
    store.submit(KeepQuick(quick=quick, what="account.quick_chosen", actor=BO, at=NOW)).result(WAIT)


class QuickContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_a_bench_is_marked_opened_and_ended_and_each_is_an_event(self, opened: Opened) -> None:
        """It outlives a restart; once it is ended nobody opens it."""
        store = opened.store
        number = store.submit(MarkBench(bench=replace(BENCH, bench_id=9), actor=replace(BO, name="Bo"), at=NOW)).result(WAIT)
        store.submit(OpenBench(bench_id=number, until=later(60), actor=EDA, at=later(1))).result(WAIT)
        store = opened.restart()
        open_now = replace(BENCH, bench_id=number, made_by=BO.name, open_until=later(60), opened_by=EDA.name)
        assert (store.benches(), store.bench("b1"), store.bench("b2")) == ((open_now,), open_now, None)
        end = EndBench(bench_id=number, actor=EDA, reason="moved", at=later(2))
        store.submit(end).result(WAIT)
        for again in (end, OpenBench(bench_id=number, until=later(60), actor=EDA, at=later(3))):
            with pytest.raises(Overtaken, match=r"^Eda was first\. This bench is ended already"):
                store.submit(again).result(WAIT)
        assert store.bench("b1") == replace(open_now, ended_by=EDA.name, ended_at=later(2))
        told = [(each.what, each.after, each.reason) for each in store.events(f"bench:{number}")]
        assert told == [("bench.marked", "Bench 1", ""), ("bench.opened", "", ""), ("bench.ended", "", "moved")]

    def test_a_badge_is_one_persons_and_no_secret_is_in_the_history(self, opened: Opened) -> None:
        """What one chose last counts; another's badge is refused; "" is nobody's badge."""
        ana = add(opened.store)
        ben = add(opened.store, replace(ana, account_id=0, name="Ben Reis"))
        keep(opened.store, Quick(account_id=ana.account_id, pin="hash", badge="badge of Ana"))
        keep(opened.store, Quick(account_id=ben.account_id, pin="hash of Ben"))
        with pytest.raises(RefusedAction, match="another account's"):
            keep(opened.store, Quick(account_id=ben.account_id, badge="badge of Ana"))
        keep(opened.store, Quick(account_id=ana.account_id, badge="badge of Ana"))
        store = opened.restart()
        ana_now = Quick(account_id=ana.account_id, badge="badge of Ana")
        assert (store.quick(ana.account_id), store.quick_by_badge("badge of Ana")) == (ana_now, ana_now)
        assert (store.quick(99), store.quick_by_badge(""), store.quick_by_badge("none")) == (None, None, None)
        last = store.events(f"account:{ana.account_id}")[-1]
        assert (last.what, last.before, last.after, last.reason) == ("account.quick_chosen", "", "", "")

    def test_where_the_password_is_taken_away_the_pin_and_badge_go_too(self, opened: Opened) -> None:
        """Else whoever found a badge comes in while its person waits for a new code."""
        ana = add(opened.store)
        keep(opened.store, Quick(account_id=ana.account_id, pin="hash", badge="badge"))
        gone = KeepAccount(account=replace(ana, secret="", code_digest="c"), what="account.code", actor=BO, at=NOW)
        opened.store.submit(gone).result(WAIT)
        assert (opened.store.quick(ana.account_id), opened.store.quick_by_badge("badge")) == (None, None)
        with pytest.raises(Overtaken, match="signed out"):  # chosen just before, kept just behind
            keep(opened.store, Quick(account_id=ana.account_id, pin="hash"))
        keep(opened.store, Quick(account_id=ana.account_id))
        assert opened.store.quick(ana.account_id) == Quick(account_id=ana.account_id)
