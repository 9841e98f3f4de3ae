"""What is kept to be said is said once: over kills, servers that are down, quiet hours; and a test says what came of it."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from bridge.deliver.mail import MailClient
from bridge.model import Actor
from bridge.queue.leases import FREE
from bridge.settings import MailWay
from bridge.signal_ways import FIRST_REST, GIVE_UP, LONGEST_REST, Sender, Way, WayTester, next_try, say_test, says_of, told_of
from bridge.signals.hours import EVERY_DAY, Hours
from bridge.signals.kinds import Cause, Kind
from bridge.signals.machine import What
from bridge.signals.told import Audience, Told
from bridge.store.rows import SayState
from bridge.store.sqlite import SqliteStore
from tests.peers.mail_server import Mailbox, mail_server
from tests.store.signal_contract import MAIL, OPENED, keep
from tests.store.strips import NOW, later

UTC_ZONE = ZoneInfo("UTC")


@dataclass
class Kept:
    """A way that keeps what it is told, or says why not."""

    faults: list[str] = field(default_factory=list)
    told: list[Told] = field(default_factory=list)

    async def say(self, told: Told) -> str:
        """Keep it, or give the next fault."""
        self.told.append(told)
        return self.faults.pop(0) if self.faults else ""

    async def close(self) -> None:
        """Do nothing."""


def way(name: str, client: Kept, *, kinds: Sequence[Kind] = (), quiet: Hours | None = None) -> Way:
    """Give a way."""
    return Way(audience=Audience(way=name, kinds=frozenset(kinds), quiet=quiet), client=client)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give an empty store."""
    opened = SqliteStore(tmp_path / "data", now=lambda: NOW)
    yield opened
    opened.close()


def send(store: SqliteStore, *ways: Way, at: datetime = NOW) -> None:
    """Let a process say what is due."""
    asyncio.run(Sender(store, ways, grip=FREE, now=lambda: at).send())


def states(store: SqliteStore, signal_id: int = 1) -> list[tuple[str, SayState, int, str]]:
    """Give what became of what was to be said."""
    return [(row.way, row.state, row.tries, row.fault) for row in store.says_of(signal_id)]


def test_what_is_said_is_said_once(store: SqliteStore) -> None:
    """Whichever process looks next finds it said."""
    mail = Kept()
    keep(store, OPENED, MAIL)
    for _ in range(2):
        send(store, way("mail", mail))
    (told,) = mail.told
    assert (told.identity, told.thread) == (f"{store.epoch}-1", f"{store.epoch}-signal-1")
    assert told.text == "records\n\nSignal 1. Who has it in hand says so on the page Signals."
    assert states(store) == [("mail", SayState.SAID, 1, "")]


def test_what_fails_is_tried_again_and_holds_up_no_other_way(store: SqliteStore) -> None:
    """Under the same identity, after a rest that doubles; of one way nothing more in that round."""
    mail, hook = Kept(faults=["nobody answers"]), Kept()
    keep(store, OPENED, MAIL, replace(MAIL, way="hook"))
    keep(store, replace(OPENED, kind=Kind.WAITING), MAIL)
    ways = (way("mail", mail), way("hook", hook))
    send(store, *ways)
    assert states(store) == [("mail", SayState.DUE, 1, "nobody answers"), ("hook", SayState.SAID, 1, "")]
    assert len(mail.told) == 1
    send(store, *ways, at=NOW + FIRST_REST)
    send(store, *ways, at=NOW + 2 * FIRST_REST)
    assert [told.identity for told in mail.told] == [f"{store.epoch}-{number}" for number in (1, 1, 3)]
    assert states(store)[0] == ("mail", SayState.SAID, 2, "")
    assert states(store, 2) == [("mail", SayState.SAID, 1, "")]


def test_a_kill_between_sending_and_noting_sends_the_same_again(store: SqliteStore) -> None:
    """At least once: who gets it twice can tell by its identity."""

    class Dies(Kept):
        async def say(self, told: Told) -> str:
            await super().say(told)
            raise KeyboardInterrupt  # the process is gone before it can note anything

    died, mail = Dies(), Kept()
    keep(store, OPENED, MAIL)
    with pytest.raises(KeyboardInterrupt):
        send(store, way("mail", died))
    send(store, way("mail", mail))
    assert died.told == mail.told
    assert states(store) == [("mail", SayState.SAID, 1, "")]


def test_a_way_that_is_no_more_is_given_up(store: SqliteStore) -> None:
    """It is told on the page, and not tried for ever."""
    keep(store, OPENED, MAIL)
    send(store)
    assert states(store) == [("mail", SayState.GIVEN_UP, 1, "The site's file has no such way any more.")]


def test_rests_double_to_a_quarter_of_an_hour_and_end_after_a_day(store: SqliteStore) -> None:
    """A mail server that is mended is used within minutes; what nobody took for a day was said again meanwhile."""
    keep(store, OPENED, MAIL)
    (row,) = store.due_says(now=NOW, limit=1)
    rests = [next_try(replace(row, tries=tries), now=NOW) for tries in (0, 1, 4, 5, 90)]
    assert rests == [NOW + rest for rest in (FIRST_REST, 2 * FIRST_REST, 16 * FIRST_REST, LONGEST_REST, LONGEST_REST)]
    assert next_try(row, now=NOW + GIVE_UP) is None
    assert told_of(row, "EPOCH").identity == "EPOCH-1"


def test_each_way_hears_of_its_kinds_after_its_quiet_hours() -> None:
    """What is urgent goes at once, all else at the end of the quiet hours."""
    night = Hours(days=EVERY_DAY, start=NOW.time(), end=later(60).time())
    ways = (way("mail", Kept(), quiet=night), way("hook", Kept(), kinds=[Kind.STAT]))
    said = says_of(OPENED, What.OPENED, ways, now=NOW, zone=UTC_ZONE)
    assert [(each.way, each.due_at, each.headline) for each in said] == [("mail", later(60), "A receiver takes nothing")]
    assert said[0].text.startswith(f"- records, since {NOW:%Y-%m-%d %H:%M}\n\nToday says why.")
    stuck = replace(OPENED, kind=Kind.STAT, causes=(Cause(kind=Kind.STAT, subject="stop:12", since=NOW),))
    assert [(each.way, each.due_at) for each in says_of(stuck, What.OPENED, ways, now=NOW, zone=UTC_ZONE)] == [
        ("mail", NOW),
        ("hook", NOW),
    ]


def test_a_test_goes_by_every_way_and_says_what_came_of_it(store: SqliteStore) -> None:
    """By a real mail server and a way that is down; kept with who asked for it."""
    given = {
        "kind": "mail",
        "name": "mail",
        "host": "127.0.0.1",
        "security": "none",
        "sender": "p@lab.example",
        "to": ["a@lab.example"],
    }
    down = Kept(faults=["nobody answers"])
    with mail_server(Mailbox()) as mailbox:
        client = MailClient(MailWay.model_validate({**given, "port": mailbox.port}), site="Test Clinic")
        ways = (Way(audience=Audience(way="mail"), client=client), way("hook", down))
        tester = WayTester(store, ways, name=lambda: "n1", now=lambda: NOW)
        found = asyncio.run(tester.test(Actor(name="Ana", verified="unverified")))
    assert found == (("mail", ""), ("hook", "nobody answers"))
    assert mailbox.taken[0]["subject"] == "Test Clinic: Test: this is a test of a way, nothing is wrong"
    assert [(row.way, row.what, row.state, row.actor) for row in store.newest_says(limit=9)] == [
        ("hook", "test", SayState.GIVEN_UP, "Ana"),
        ("mail", "test", SayState.SAID, "Ana"),
    ]
    assert asyncio.run(say_test((), name=lambda: "n2", now=lambda: NOW)) == ()
    assert timedelta(0) < FIRST_REST < LONGEST_REST < GIVE_UP
