"""Corrective actions and signatures of a month: what is asked of a person, and what is kept."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from bridge.bench.month import Review, content_of, digest_of, month_of, review_of, window_of
from bridge.desk.months import STATEMENT, MonthDesk
from bridge.errors import RefusedAction
from bridge.model import Actor
from bridge.store.sqlite import SqliteStore
from tests.bench.judged import SUND, Bench, with_policy
from tests.judging_for_tests import NOW

NOVEMBER = date(2026, 11, 1)
DECEMBER = datetime(2026, 12, 2, 8, 0, tzinfo=UTC)
NOBODY = Actor(name=" ", verified="unverified")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """Give an analyzer with a gate, at which a control failed."""
    store = SqliteStore(tmp_path, now=lambda: NOW)
    bench = Bench(store, with_policy())
    bench.read(bench.control("1"))
    bench.read(bench.control("2", blood=0))
    yield bench
    store.close()


def reviewed(bench: Bench, *, now: datetime = DECEMBER) -> Review:
    """Give the month as it stands."""
    table = bench.tables.controls
    assert table.policy is not None
    month = month_of("bench-a", "quill-10", NOVEMBER, table.policy)
    return review_of(month, bench.store.month_facts(month, window_of(month)), table.policy, table.drift, now=now)


def test_an_action_is_kept_beside_its_failure(bench: Bench) -> None:
    """With a name; its blanks go."""
    desk = MonthDesk(bench.store, lambda: DECEMBER)
    (failure,) = reviewed(bench).failures
    assert not failure.is_explained
    for actor, text, words in ((NOBODY, "new vial", "Say who you are"), (SUND, " ", "Write what was done about this failure")):
        with pytest.raises(RefusedAction, match=words):
            desk.note_action(failure.line_id, text=text, actor=actor)
    desk.note_action(failure.line_id, text=" new vial ", actor=Actor(name=" A. Sund ", verified="unverified"))
    (failure,) = reviewed(bench).failures
    assert [(each.text, each.by, each.at) for each in failure.actions] == [("new vial", SUND, DECEMBER)]
    assert failure.is_explained
    with pytest.raises(RefusedAction, match="no such control that failed"):
        desk.note_action(failure.line_id - 1, text="x", actor=SUND)


def test_a_month_is_signed_as_it_stands(bench: Bench) -> None:
    """What is left asks for a remark; the text, its digest and the statement are kept."""
    desk, review = MonthDesk(bench.store, lambda: DECEMBER), reviewed(bench)
    with pytest.raises(RefusedAction, match="Say who you are"):
        desk.sign(review, remark="r", actor=NOBODY)
    with pytest.raises(
        RefusedAction, match=r"Not everything of this month is settled: 1 failure nobody wrote anything of; .* write in a remark"
    ):
        desk.sign(review, remark=" ", actor=SUND)
    assert bench.store.month_signatures(since=NOVEMBER, until=NOVEMBER) == ()
    assert desk.sign(review, remark=" analyzer sold ", actor=SUND) == 1
    (signed,) = bench.store.month_signatures(since=NOVEMBER, until=NOVEMBER)
    assert (signed.analyzer, signed.strip_type, signed.by, signed.at, signed.remark) == (
        "bench-a", "quill-10", "A. Sund", DECEMBER, "analyzer sold",
    )  # fmt: skip
    assert (signed.content, signed.digest, signed.statement) == (content_of(review), digest_of(content_of(review)), STATEMENT)


def test_a_month_that_is_not_over_is_not_signed(bench: Bench) -> None:
    """It ends with its last control day, at the site's hour on the first."""
    last, over = datetime(2026, 12, 1, 5, 59, tzinfo=UTC), datetime(2026, 12, 1, 6, 0, tzinfo=UTC)
    with pytest.raises(RefusedAction, match="This month is not over"):
        MonthDesk(bench.store, lambda: last).sign(reviewed(bench, now=last), remark="r", actor=SUND)
    assert MonthDesk(bench.store, lambda: over).sign(reviewed(bench, now=over), remark="r", actor=SUND) == 1
