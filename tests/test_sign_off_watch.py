"""Live destinations stay shut until their tables are signed: real store, queues and file."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from bridge import clock
from bridge.model import Acknowledgement, Answer, CodedResult, Message
from bridge.plan_book import PlanBook, check_plans
from bridge.queue.lanes import DestinationQueue
from bridge.queue.tries import Pace
from bridge.sign_off import add_signature
from bridge.sign_off_watch import LOOK_S, SignOffWatch
from bridge.site import example_terms
from bridge.store.commands import BearMessage
from bridge.store.sqlite import SqliteStore
from bridge.tables.signatures import Signature
from tests.store import strips
from tests.tables.shipped_tables import tables

PACE = Pace(first=timedelta(seconds=1), longest=timedelta(seconds=2), give_up=timedelta(hours=1), lanes=1, in_flight=1)
LIVE = replace(example_terms()[0], name="records", processing_id="P")
UNSIGNED = "The tables in use are not signed."


class Nobody:
    """A receiver that must not be asked: nothing is sent here."""

    async def send(self, message: Message) -> Acknowledgement:
        return Acknowledgement(answer=Answer.REFUSED, code=message.control_id)


async def _bear(result: CodedResult) -> Message:
    raise AssertionError(result.result_id)


class Watched:
    """One live destination whose plans passed or not, and the watch over it."""

    def __init__(self, store: SqliteStore, path: Path, *, passed: bool = True) -> None:
        self.path = path
        self.store = store
        self.queue = DestinationQueue(store, "records", Nobody(), PACE, bear=_bear, now=clock.now, jitter=lambda: 0.5)
        self.queue.shut("Its messages are being checked.")
        self.book = PlanBook([LIVE], ["tern"], tables())
        if passed:
            self.book.passed("records")
            self.queue.open()
        self.watch = SignOffWatch(path, tables().digest, self.book, store, {"records": self.queue})

    def look(self) -> str:
        """Look once; give why the queue is shut."""
        asyncio.run(self.watch.look())
        return self.queue.shut_because

    def sign(self, digest: str = tables().digest) -> None:
        add_signature(self.path, Signature(tables=digest, by="Ana Prado", at=clock.now()), tables())


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store", now=clock.now)
    yield opened
    opened.close()


@pytest.fixture
def watched(store: SqliteStore, tmp_path: Path) -> Watched:
    return Watched(store, tmp_path / "signed_off.yaml")


def test_a_signature_opens_and_its_end_shuts(watched: Watched) -> None:
    """Without a file, with another set's signature, signed, and with the file gone again."""
    assert watched.look().startswith(UNSIGNED)
    assert not watched.book.may_write("records")
    watched.sign("0f" * 32)
    assert watched.look().startswith(UNSIGNED)
    watched.sign()
    assert watched.look() == ""
    assert watched.book.may_write("records")
    watched.path.unlink()
    assert watched.look().startswith(UNSIGNED)
    assert not watched.book.may_write("records")


def test_a_file_that_cannot_be_read_shuts_and_names_its_line(watched: Watched) -> None:
    """The service goes on; the reason says what to mend, and mending it opens."""
    watched.sign()
    assert watched.look() == ""
    good = watched.path.read_text(encoding="utf-8")
    watched.path.write_text(good.replace("by:", "bye:"), encoding="utf-8")
    reason = watched.look()
    assert reason.startswith("The signatures cannot be read, and this receiver is live. Tell your administrator: ")
    assert f"{watched.path}:5: signed_off[0].bye: The key 'bye' is unknown here." in reason
    watched.path.write_text(good, encoding="utf-8")
    assert watched.look() == ""
    watched.path.unlink()
    watched.path.mkdir()
    assert "The file cannot be read: Is a directory." in watched.look()


def test_what_was_coded_by_unsigned_tables_keeps_it_shut(watched: Watched) -> None:
    """Tables that were mended and signed do not mend what the earlier ones coded; "t" is the set of the test's strip. HZ-G07, HZ-H11."""
    watched.sign()
    (delivery,) = strips.post(watched.store, "A1", born=False).delivery_ids
    assert watched.look().startswith("Results wait that were coded with earlier tables, which are not signed: t.")
    assert not watched.book.may_write("records")
    made = strips.message(strips.result("A1"), "X1")
    watched.store.submit(BearMessage(delivery_id=delivery, message=made, at=strips.NOW)).result(10)
    strips.attempt(watched.store, delivery, Answer.ACCEPTED)
    assert watched.look() == ""


def test_a_signature_opens_nothing_whose_plans_did_not_pass(store: SqliteStore, tmp_path: Path) -> None:
    """Both must be in order, whichever comes first; the check of the plans then opens."""
    watched = Watched(store, tmp_path / "signed_off.yaml", passed=False)
    watched.sign()
    assert watched.look() == "Its messages are being checked."
    assert not watched.book.may_write("records")
    asyncio.run(check_plans(watched.book, store, {"records": watched.queue}))
    assert watched.queue.shut_because == ""
    assert watched.book.may_write("records")


def test_plans_that_pass_open_nothing_unsigned(store: SqliteStore, tmp_path: Path) -> None:
    """The other order: the check ends while nobody has signed."""
    watched = Watched(store, tmp_path / "signed_off.yaml", passed=False)
    assert watched.look() == "Its messages are being checked."
    asyncio.run(check_plans(watched.book, store, {"records": watched.queue}))
    assert watched.queue.shut_because.startswith(UNSIGNED)
    assert not watched.book.may_write("records")


def test_a_signature_is_seen_while_it_runs(watched: Watched) -> None:
    """No restart: the loop finds it at its next look."""

    async def live() -> None:
        running = asyncio.create_task(watched.watch.run())
        while not watched.queue.shut_because.startswith(UNSIGNED):
            await asyncio.sleep(0.01)
        watched.sign()
        async with asyncio.timeout(LOOK_S + 30):
            while watched.queue.shut_because:
                await asyncio.sleep(0.01)
        running.cancel()

    asyncio.run(live())


def test_without_a_live_destination_no_file_is_looked_at(store: SqliteStore, tmp_path: Path) -> None:
    """A site that only tests needs none, and one that is spoilt does not disturb it."""
    path = tmp_path / "signed_off.yaml"
    path.write_text("[", encoding="utf-8")
    watch = SignOffWatch(path, tables().digest, PlanBook([], ["tern"], tables()), store, {})
    asyncio.run(watch.look())
    assert watch._fault == ""
