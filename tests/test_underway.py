"""Judging ahead of the commits changes nothing of what is judged; it keeps order and loses nothing when a commit fails."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Sequence
from concurrent.futures import Future
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge import underway
from bridge.demo.printers import Play, framed, printed
from bridge.errors import StoreFull
from bridge.judging import Ids, Judging
from bridge.model import Capture, Needs, Way
from bridge.plan_book import PlanBook
from bridge.store.api import Store
from bridge.store.commands import KeepRun, RecordOutcome
from bridge.store.sqlite import SqliteStore
from bridge.underway import MOST, Underway
from tests.judging_for_tests import ORU, Refusing
from tests.tables.shipped_tables import tables

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


def now() -> datetime:
    return NOW


def captures(plays: Sequence[Play]) -> tuple[Capture, ...]:
    """Give one capture a strip, as a line brings them."""
    profile = tables().profiles["brook"]
    payloads = [framed(printed([play], profile, tables()), profile) for play in plays]
    return tuple(Capture(source="line", way=Way.TCP, arrived_at=NOW, payload=payload) for payload in payloads)


def judging(store: Store) -> Judging:
    book = PlanBook([ORU], ["brook"], tables())
    book.passed(ORU.name)
    return Judging(store, tables(), book, Ids(store), now, profiles={"line": "brook"})


def play(number: int, *, minute: int = 0, patient: int = 0, rank: int = 0) -> Play:
    return Play(
        number=number,
        at=NOW - timedelta(hours=5) + timedelta(minutes=minute),
        patient_id=f"4071880{patient}",
        word="N",
        strip_type="sedge-5",
        ranks={"glucose": rank},
    )


def rows(store: SqliteStore) -> list[tuple[object, ...]]:
    """Give everything that judging decided, in order of arrival."""
    strips = sorted(store.strips(), key=lambda row: row.strip_id)
    return [
        (row.capture_id, row.number, row.series, row.outcome, row.patient_id, row.copy_of, [found[0] for found in row.findings])
        for row in strips
    ]


def judged(plays: Sequence[Play]) -> list[tuple[object, ...]]:
    """Judge strips that came together; give what was decided."""
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder), now=now)
        try:
            store.submit(KeepRun(captures=captures(plays), analyzer="bench-a", profile="brook")).result(10)
            assert asyncio.run(judging(store).work_off("bench-a")) == len(plays)
            return rows(store)
        finally:
            store.close()


PLAYS = st.lists(
    st.builds(
        play,
        st.integers(1, 6),
        minute=st.integers(0, 5).map(lambda step: step * 60),
        patient=st.integers(0, 6),
        rank=st.integers(0, 1),
    ),
    min_size=1,
    max_size=2 * MOST,
)


@given(PLAYS)
@settings(max_examples=12, deadline=None)
def test_what_is_judged_ahead_is_judged_as_one_by_one(plays: list[Play]) -> None:
    """Copies, conflicts, re-runs, numbers that fall: with few numbers and patients most strips have to do with an earlier one."""
    ahead = judged(plays)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(underway, "MOST", 1)
        assert judged(plays) == ahead


def test_strips_that_do_not_concern_each_other_share_commits(tmp_path: Path) -> None:
    """That is what it is for: forty strips of forty patients need far fewer commits than forty."""
    store = SqliteStore(tmp_path, now=now)
    sizes: list[int] = []

    class Counting(Refusing):
        """Counts how many outcomes were submitted and not committed yet at each submission."""

        open = 0

        def submit(self, command: object) -> object:  # type: ignore[override]  # counted and passed on
            future = self._store.submit(command)  # type: ignore[arg-type]  # as above
            if isinstance(command, RecordOutcome):
                Counting.open += 1
                sizes.append(Counting.open)
                future.add_done_callback(lambda _: setattr(Counting, "open", Counting.open - 1))
            return future

    plays = [
        Play(number=number, at=NOW - timedelta(minutes=number), patient_id=f"407{number:05d}", word="N", strip_type="sedge-5")
        for number in range(1, 41)
    ]
    try:
        store.submit(KeepRun(captures=captures(plays), analyzer="bench-a", profile="brook")).result(10)
        counting = Counting(store, times=0, error=StoreFull("no room"))
        assert asyncio.run(judging(counting.as_store).work_off("bench-a")) == 40
        assert 1 < max(sizes) <= MOST
    finally:
        store.close()


def test_what_a_failed_commit_takes_with_it_is_judged_again(tmp_path: Path) -> None:
    """The third of ten outcomes finds no room; later ones may have been recorded. All ten stand once in the end."""
    store = SqliteStore(tmp_path, now=now)
    plays = [play(number, minute=number, patient=number) for number in range(1, 8)]
    try:
        store.submit(KeepRun(captures=captures(plays), analyzer="bench-a", profile="brook")).result(10)
        failing = Refusing(store, times=1, error=StoreFull("no room"), kind=RecordOutcome, after=2)
        with pytest.raises(StoreFull):
            asyncio.run(judging(failing.as_store).work_off("bench-a"))
        asyncio.run(judging(store).work_off("bench-a"))
        assert [(row[1], row[3]) for row in sorted(rows(store), key=lambda row: str(row[1]))] == [
            (str(number), "coded") for number in range(1, 8)
        ]
        assert store.analyzers_with_work() == ()
    finally:
        store.close()


def test_the_order_of_submission_is_the_order_of_arrival() -> None:
    """Each recording has submitted its command before the next strip is judged."""
    submitted: list[int] = []

    async def whole() -> None:
        line, gate = Underway(), asyncio.Event()

        async def recording(number: int) -> None:
            submitted.append(number)
            await gate.wait()

        for number in range(MOST - 1):
            needs = Needs(analyzer="a", mode="m", number=str(number), record_digest=str(number), patient_id=str(number))
            await line.add(number, needs, (None, None), recording(number))
            assert submitted == list(range(number + 1))
            assert (line.newest, line.is_empty) == (number, False)
        gate.set()
        await line.committed()
        assert (line.newest, line.is_empty) == (0, True)

    asyncio.run(whole())


def test_a_line_whose_oldest_are_committed_lets_the_newest_submit_too() -> None:
    """Sixteen are over already: nothing is waited for, and the next strip is judged only once this one has submitted its command."""
    submitted: list[int] = []

    async def whole() -> None:
        line = Underway()

        async def recording(number: int) -> None:
            submitted.append(number)

        for number in range(3 * MOST):
            needs = Needs(analyzer="a", mode="m", number=str(number), record_digest=str(number), patient_id=str(number))
            await line.add(number, needs, (None, None), recording(number))
            assert submitted == list(range(number + 1))
        await line.committed()

    asyncio.run(whole())


def test_who_is_told_to_end_waits_for_no_commit(tmp_path: Path) -> None:
    """A disk may hang: what was submitted is done all the same, and a service that stops must not hang with it."""
    store = SqliteStore(tmp_path, now=now)

    class Hanging(Refusing):
        """Takes outcomes and never answers."""

        def submit(self, command: object) -> object:  # type: ignore[override]  # kept for ever
            if isinstance(command, RecordOutcome):
                taken.append(command)
                return Future()
            return self._store.submit(command)  # type: ignore[arg-type]  # passed on

    taken: list[RecordOutcome] = []

    async def whole() -> None:
        hanging = Hanging(store, times=0, error=StoreFull("no room"))
        task = asyncio.create_task(judging(hanging.as_store).work_off("bench-a"))
        while len(taken) < 3:
            await asyncio.sleep(0.001)
        task.cancel()
        async with asyncio.timeout(10):
            await asyncio.gather(task, return_exceptions=True)
        assert task.cancelled()

    try:
        plays = [play(number, minute=number, patient=number) for number in range(1, 4)]
        store.submit(KeepRun(captures=captures(plays), analyzer="bench-a", profile="brook")).result(10)
        asyncio.run(whole())
    finally:
        store.close()
