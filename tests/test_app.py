"""The composition root: what is put together for a site, and that a start that fails leaves nothing behind."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest

from bridge import settings
from bridge.app import Padpost, _is_here, _is_leased, assemble, run_until
from bridge.deliver.late import AnswerListener
from bridge.deliver.pool import Pool
from bridge.errors import SettingsError, StoreLocked, TableError
from bridge.lifecycle.sharing import Role
from bridge.site import answer_faults, terms_of
from bridge.store.digest_commands import KeepDigest
from bridge.store.rows import SayState
from bridge.store.sqlite import SqliteStore
from tests.peers.mail_server import Mailbox, mail_server
from tests.site_for_tests import site


async def assembled(config: settings.Settings) -> Padpost:
    """Put a bridge together and let go of it again."""
    bridge = await assemble(config)
    await bridge.close()
    return bridge


def test_two_answers_reach_the_renderer_and_the_queue(tmp_path: Path) -> None:
    """Enhanced mode is asked for in the message, waited for in the queue, and listened for where the site says."""
    more = ", acknowledgement: enhanced, application_answer: ER, application_s: 60, answers_on: {port: 0}}"
    config = site(tmp_path, 'provider: {number: "7", family: Able}}', 'provider: {number: "7", family: Able}' + more)
    records, chart, *_ = (terms_of(config, destination) for destination in config.destinations)
    assert (records.asks_commit, records.asks_application, chart.asks_commit) == (True, "ER", False)
    bridge = asyncio.run(assembled(config))
    assert "answers of records" in bridge.service._watches
    hears = [isinstance(client, Pool) and all(each.late is not None for each in client._clients) for client in bridge.clients]
    assert hears == [True, False, False, False]


def test_who_may_not_answer_is_told_on_the_destinations_row(tmp_path: Path) -> None:
    """A receiver that answers from an address nobody named is a wait of a quarter of an hour for each result, unless somebody sees why."""
    more = ", acknowledgement: enhanced, answers_on: {port: 0, peers: [192.0.2.7]}}"
    config = site(tmp_path, 'provider: {number: "7", family: Able}}', 'provider: {number: "7", family: Able}' + more)

    async def live() -> list[dict[str, str]]:
        bridge = await assemble(config)
        listener = bridge.service._watches["answers of records"]
        assert isinstance(listener, AnswerListener)
        listening = asyncio.create_task(listener.run())
        await asyncio.wait_for(listener.opened.wait(), 10)
        assert listener.address is not None
        reader, writer = await asyncio.open_connection(*listener.address)
        with contextlib.suppress(ConnectionResetError):
            assert await asyncio.wait_for(reader.read(), 10) == b""
        writer.close()
        async with httpx.AsyncClient(
            transport=httpx.ASGITransport(app=bridge.pages), base_url=f"http://127.0.0.1:{config.pages.port}"
        ) as page:
            found: list[dict[str, str]] = (await page.get("/health/ready")).json()["notes"]
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)
        await bridge.close()
        return found

    said = "answers_on: a connection from 127.0.0.1 was turned away: it is not among the peers of this port"
    assert {"destination": "records", "note": said} in asyncio.run(live())


def test_a_sites_word_on_a_yes_stops_the_start(tmp_path: Path) -> None:
    """File, line and key: an acceptance is the receiver's alone, and a misspelt code would never be met."""
    for when in ("AA", "AE 999"):
        config = site(
            tmp_path,
            "port: 1, zone",
            f'port: 1, answers: [{{when: AE, means: refused}}, {{when: "{when}", means: try again}}], zone',
        )
        (fault,) = answer_faults(config)
        assert fault.path == ("destinations", 0, "answers", 1, "when")
        assert fault.sentence == f"{when!r} is no answer that a site can have its own word on."
        with pytest.raises(SettingsError, match="no answer that a site can have"):
            asyncio.run(assemble(config))


def test_a_site_that_cannot_be_used_touches_no_store(tmp_path: Path) -> None:
    """What is wrong in a file is found before a folder is made or a lock is taken."""
    with pytest.raises(SettingsError, match=r"No profile is called 'trn'\. There are alder, brook") as wrong:
        asyncio.run(assemble(site(tmp_path, "profile: tern", "profile: trn")))
    assert wrong.value.path == ("sources", 0, "profile")
    assert not (tmp_path / "store").exists()


def test_a_mapping_file_of_the_sites_own_is_named_by_its_name_and_line(tmp_path: Path) -> None:
    """The error must not point at the shipped file of the same name, which is right."""
    (tmp_path / "own" / "strip_types").mkdir(parents=True)
    shipped = (settings.shipped_mappings() / "strip_types" / "sedge-5.yaml").read_text(encoding="utf-8")
    (tmp_path / "own" / "strip_types" / "sedge-5.yaml").write_text(f"color: green\n{shipped}", encoding="utf-8")
    with pytest.raises(TableError, match=r"^strip_types/sedge-5\.yaml:1: color: The key 'color' is unknown here\."):
        asyncio.run(assemble(site(tmp_path, "checks:", "mappings: own\nchecks:")))
    assert not (tmp_path / "store").exists()


def test_two_bridges_never_share_a_store(tmp_path: Path) -> None:
    """The second is refused with a sentence; once the first has closed, the store is free."""

    async def live() -> None:
        first = await assemble(site(tmp_path))
        with pytest.raises(StoreLocked, match=f"process {os.getpid()} on .* has this store open"):
            await assemble(site(tmp_path))
        await first.close()
        second = await assemble(site(tmp_path))
        await second.close()

    asyncio.run(live())


def test_pages_that_cannot_listen_stop_the_start_with_nothing_begun(tmp_path: Path) -> None:
    """A bridge that receives while nobody can see its pages would look well; the store is free again afterwards."""

    async def live(port: int) -> None:
        bridge = await assemble(site(tmp_path, "pages: {port: 0}", f"pages: {{port: {port}}}"))
        try:
            with pytest.raises(SettingsError, match=f"The pages cannot listen on 127.0.0.1, port {port}: ") as wrong:
                await run_until(bridge, asyncio.Event())
            assert wrong.value.path == ("pages", "port")
            assert bridge.service.loops == {}
        finally:
            await bridge.close()

    with socket.create_server(("127.0.0.1", 0)) as taken:
        asyncio.run(live(taken.getsockname()[1]))
    SqliteStore(tmp_path / "store", now=lambda: datetime(2026, 11, 25, tzinfo=UTC)).close()


def test_assembled_destinations_are_shut_until_their_plans_are_checked(tmp_path: Path) -> None:
    """Nothing may leave between the start and the end of the checks."""

    async def live() -> None:
        bridge = await assemble(site(tmp_path))
        assert list(bridge.sources) == ["drops"]
        assert [queue.shut_because for queue in bridge.service._queues.values()] == ["Its messages are being checked."] * 4  # type: ignore[attr-defined]  # the service knows its queues as loops only
        assert bridge.store.table_set(bridge.tables.digest) == bridge.tables.canonical
        await bridge.close()

    asyncio.run(live())


def test_roles_are_refused_where_one_process_has_the_store(tmp_path: Path) -> None:
    """What is left to another process that cannot be there would never be done."""
    with pytest.raises(SettingsError, match="Leave out --only, or name a database") as wrong:
        asyncio.run(assemble(site(tmp_path), frozenset({Role.INTAKE})))
    assert wrong.value.path == ("database",)
    assert not (tmp_path / "store").exists()


@pytest.mark.parametrize(
    ("source", "leased", "here"),
    [
        ("{name: a, kind: folder, path: p, analyzer: a, profile: tern}", True, True),
        ("{name: a, kind: tcp, role: call, host: h, port: 1, link: lis01, analyzer: a, profile: tern}", True, True),
        ("{name: a, kind: tcp, role: listen, host: h, port: 1, link: lis01, analyzer: a, profile: tern}", False, True),
        ("{name: a, kind: serial, port: /dev/x, link: lis01, analyzer: a, profile: tern}", False, True),
        ("{name: a, kind: serial, port: /dev/x, on_host: another.example, link: lis01, analyzer: a, profile: tern}", False, False),
        (f"{{name: a, kind: serial, port: /dev/x, on_host: {socket.gethostname()}, link: lis01, analyzer: a, profile: tern}}", False, True),
    ],
)  # fmt: skip
def test_which_sources_one_process_alone_runs_and_which_are_here(tmp_path: Path, source: str, leased: bool, here: bool) -> None:
    """A folder or a call would be made twice; a wire ends in one machine; where we listen, the analyzer chooses."""
    config = tmp_path / "site.yaml"
    config.write_text(
        f"site: {{name: T, zone: UTC, data: store}}\npatient_ids: {{pattern: 'x', authority: T, system: 'urn:x'}}\nsources:\n  - {source}\n"
        "destinations: []\n"
    )
    (read,) = settings.read_settings(config).sources
    assert (_is_leased(read), _is_here(read)) == (leased, here)


def test_a_signal_and_a_digest_leave_the_whole_service_by_mail(tmp_path: Path) -> None:
    """Room runs short, and a shift has ended: the process that holds the lease looks, keeps, sends and notes both. The page has the digest too."""
    with mail_server(Mailbox()) as mailbox:
        way = f"{{kind: mail, name: desk, host: 127.0.0.1, port: {mailbox.port}, security: none, sender: p@x.example, to: [a@x.example]}}"
        head = "checks: {"
        config = site(
            tmp_path,
            head,
            f"signals: {{settle_s: 0, ways: [{way}], digest: {{times: ['00:00']}}}}\nroom: {{warn_below_mb: 1000000}}\n{head}",
        )

        async def run() -> list[str]:
            bridge = await assemble(config)
            before = datetime(2026, 1, 1, tzinfo=UTC)  # a digest was said long ago, so that the last midnight's is due
            bridge.store.submit(KeepDigest(due=before, ways=(), headline="", text="", at=before)).result(10)
            running = asyncio.create_task(bridge.service.run())
            try:
                while (
                    len(found := [str(row.state) for row in bridge.store.newest_says(limit=5) if row.state is not SayState.DUE])
                    < 2
                ):
                    await asyncio.sleep(0.05)
                return found
            finally:
                running.cancel()
                await asyncio.gather(running, return_exceptions=True)
                await bridge.close()

        assert asyncio.run(asyncio.wait_for(run(), 60)) == ["said", "said"]
    assert [str(each["subject"]) for each in mailbox.taken] == [
        "Test Clinic: Room runs short where the store lies",
        "Test Clinic: Digest: nothing is open",
    ]
