"""What a destination needs is looked at from the start: real files, a real store and queue, a real FHIR server."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest

from bridge import clock
from bridge.deliver.capability import asked_differences
from bridge.plan_book import PlanBook
from bridge.queue.lanes import DestinationQueue
from bridge.settings import FhirDestination
from bridge.site import example_terms
from bridge.store.sqlite import SqliteStore
from bridge.ways_out_watch import ASK_AGAIN, ASK_LATER, LOOK_S, CapabilityWatch, SetupWatch
from tests.credentials.papers import papers
from tests.peers.fhir_receiver import FhirReceiver
from tests.tables.shipped_tables import tables
from tests.test_sign_off_watch import PACE, Nobody, _bear

NOW = datetime(2026, 11, 26, 9, tzinfo=UTC)
TERMS = example_terms()[1]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store", now=clock.now)
    yield opened
    opened.close()


class Watched:
    """One destination whose plans passed, and the watch over what it needs."""

    def __init__(self, store: SqliteStore, **more: object) -> None:
        name = TERMS.name
        given = {"kind": "fhir", "name": name, "base_url": "https://fhir.example/r4", "result_system": "urn:t:result"}
        self.queue = DestinationQueue(store, name, Nobody(), PACE, bear=_bear, now=clock.now, jitter=lambda: 0.5)
        self.book = PlanBook([TERMS], ["tern"], tables())
        self.book.passed(name)
        self.watch = SetupWatch(
            [FhirDestination.model_validate({**given, **more})], self.book, {name: self.queue}, now=lambda: NOW
        )

    def look(self) -> str:
        """Look once; give why the queue is shut."""
        asyncio.run(self.watch.look())
        return self.queue.shut_because

    @property
    def notes(self) -> tuple[str, ...]:
        return self.watch.notes[TERMS.name]


def test_a_missing_secret_shuts_at_the_start_and_opens_once_it_is_there(
    store: SqliteStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No result waits for a first send to find it out; nothing is restarted."""
    watched = Watched(store, bearer={"env": "PADPOST_TEST_TOKEN"})
    assert watched.look() == (
        "It cannot be reached as configured: bearer.env: The secret PADPOST_TEST_TOKEN is not set. "
        "Set PADPOST_TEST_TOKEN, or PADPOST_TEST_TOKEN_FILE to a file that holds it."
    )
    assert not watched.book.may_write(TERMS.name)
    (tmp_path / "token").write_text("word")
    monkeypatch.setenv("PADPOST_TEST_TOKEN_FILE", str(tmp_path / "token"))
    assert watched.look() == ""
    assert watched.book.may_write(TERMS.name)


def test_what_spoils_later_shuts_nothing_and_is_noted(store: SqliteStore, tmp_path: Path) -> None:
    """A certificate that is being renewed does not fit its key for a moment; the last context goes on meanwhile."""
    own = papers(tmp_path / "tls").issue("own", "padpost", ends=NOW + timedelta(days=20, hours=1))
    watched = Watched(store, tls=own)
    assert watched.look() == ""
    assert watched.notes == (
        "Padpost's certificate (own.pem) runs out on 2026-12-16, in 20 days: renew it; no restart is needed",
    )
    assert own.key is not None
    own.key.write_text("nothing")
    assert watched.look() == ""
    assert watched.notes[0].startswith("after a restart it could not be reached any more: tls.key: The certificate ")
    papers(tmp_path / "tls").issue("own", "padpost")
    assert watched.look() == ""
    assert len(watched.notes) == 0


def test_another_reason_is_not_forgotten(store: SqliteStore) -> None:
    """Tables that nobody signed keep a destination shut whatever its secrets, and the other way round."""
    watched = Watched(store, bearer={"env": "PADPOST_TEST_TOKEN"})
    watched.book.forbid(TERMS.name, "Nobody has signed.", by="signatures")
    assert watched.look().startswith("Nobody has signed. It cannot be reached as configured: ")
    watched.book.forbid(TERMS.name, "", by="signatures")
    assert not watched.book.may_write(TERMS.name)


def test_the_watches_look_again(store: SqliteStore) -> None:
    """They run beside the service until it ends."""

    async def whole() -> None:
        watched = Watched(store)
        capabilities = CapabilityWatch({}, now=lambda: NOW)
        for watch in (watched.watch, capabilities):
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(0.2):
                    await watch.run()
        assert watched.notes == ()

    assert LOOK_S == 10
    asyncio.run(whole())


def test_a_server_is_asked_at_the_start_and_once_a_day() -> None:
    """What it does not promise is a note; silence is asked again sooner, and delays nobody."""
    moment = [NOW]
    with FhirReceiver() as server:
        given = {"kind": "fhir", "name": "chart", "base_url": server.base_url, "result_system": "urn:t:result"}
        away = {**given, "name": "away", "base_url": "http://127.0.0.1:1/r4"}
        watch = CapabilityWatch(
            {each["name"]: partial(asked_differences, FhirDestination.model_validate(each)) for each in (given, away)},
            now=lambda: moment[0],
        )

        def look(after: timedelta) -> int:
            moment[0] = NOW + after
            asyncio.run(watch.look())
            return len(server.got)

        assert look(timedelta(0)) == 1
        assert watch.notes == {}
        server.documents["metadata"] = json.dumps({"resourceType": "CapabilityStatement", "fhirVersion": "5.0.0"}).encode()
        assert look(ASK_LATER - timedelta(seconds=1)) == 1
        assert look(ASK_LATER) == 2
        assert watch.notes["chart"][0] == "its capability statement: it says FHIR 5.0.0, and Padpost sends R4 (4.0.1)"
        assert look(ASK_LATER + ASK_AGAIN - timedelta(seconds=1)) == 2
        assert look(ASK_LATER + ASK_AGAIN) == 3
        assert "away" not in watch.notes
