"""Certificates of a way in that spoil while it runs: told, and the last good one serves on. Real files, a real handshake."""

from __future__ import annotations

import asyncio
import socket
import ssl
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bridge.credentials.tls import listening_context
from bridge.settings import FolderSource, MllpSource
from bridge.ways_in_watch import CertificateWatch
from tests.credentials.papers import papers

NOW = datetime(2026, 11, 26, 9, tzinfo=UTC)


def test_rubbish_in_place_of_a_certificate_is_told_and_the_last_good_one_serves_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A failed renewal must neither stop the line nor go unseen until the next restart."""
    ours = papers(tmp_path)
    own = ours.issue("own", "localhost", ends=NOW + timedelta(days=90))
    certificate = tmp_path / "own.pem"
    tls = own.model_copy(update={"ca": None})
    source = MllpSource(kind="mllp", name="net", analyzer="a", profile="dipper", port=0, tls=tls)
    watch = CertificateWatch(
        [source, FolderSource(kind="folder", name="f", analyzer="a", profile="tern", path=tmp_path)], now=lambda: NOW
    )

    async def scene() -> tuple[tuple[str, ...], ...]:
        async def hang_up(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            writer.close()

        server = await asyncio.start_server(hang_up, "127.0.0.1", 0, ssl=listening_context(tls))
        address = server.sockets[0].getsockname()

        def handshake() -> str | None:
            context = ssl.create_default_context(cafile=str(ours.ca))
            with (
                socket.create_connection(address, timeout=20) as wire,
                context.wrap_socket(wire, server_hostname="localhost") as safe,
            ):
                return safe.version()

        found = []
        async with server:
            await watch.look()
            found.append(watch.notes["net"])
            good = certificate.read_bytes()
            certificate.write_bytes(b"rubbish")
            await watch.look()
            found.append(watch.notes["net"])
            await watch.look()
            assert await asyncio.to_thread(handshake) == "TLSv1.3"
            certificate.write_bytes(good)
            await watch.look()
            found.append(watch.notes["net"])
        return tuple(found)

    before, spoiled, after = asyncio.run(scene())
    assert before == after == ()
    (note,) = spoiled
    assert note.startswith("its certificate files cannot be used any more, so new connections get the last ones that could: ")
    assert "own.pem" in note
    assert capsys.readouterr().out.count("source.note") == 1  # told once, not every ten seconds
    assert "f" not in watch.notes


def test_a_certificate_that_ran_out_is_told(tmp_path: Path) -> None:
    """Instruments that look at it hang up on us, and say so on a display that nobody reads."""
    own = papers(tmp_path).issue("own", "localhost", ends=NOW - timedelta(days=1))
    source = MllpSource(kind="mllp", name="net", analyzer="a", profile="dipper", port=0, tls=own.model_copy(update={"ca": None}))
    watch = CertificateWatch([source], now=lambda: NOW)
    asyncio.run(watch.look())
    assert watch.notes == {"net": ("Padpost's certificate (own.pem) ran out on 2026-11-25: put a new one in its place",)}
