"""A receiver is tried without anything clinical: real sockets, real TLS, a real FHIR server, real folders."""

from __future__ import annotations

import asyncio
import json
import socket
from pathlib import Path
from typing import Any

import pytest

from bridge.deliver.reach import reach
from bridge.settings import DestinationShape, FhirDestination, FolderDestination, HookDestination, MllpDestination
from tests.credentials.papers import FAR_AHEAD, papers, peer_context
from tests.lifecycle.test_capability import WHOLE
from tests.peers.fhir_receiver import FhirReceiver, turn_away
from tests.peers.mllp_receiver import MllpReceiver
from tests.peers.tls_door import TlsDoor


def mllp(port: int, **more: Any) -> MllpDestination:
    return MllpDestination(kind="mllp", name="records", host="127.0.0.1", port=port, **more)


def reached(destination: DestinationShape) -> tuple[bool, str]:
    return asyncio.run(reach(destination))


def test_a_plain_receiver_is_called_and_told_nothing() -> None:
    """It saw one connection and no byte; a port where nobody listens is told in words."""
    with MllpReceiver() as receiver:
        assert reached(mllp(receiver.port)) == (
            True,
            "Somebody takes the call. The line is not encrypted. Nothing was sent.",
        )
        assert (receiver.received, receiver.malformed) == ([], 0)
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    is_there, words = reached(mllp(port))
    assert not is_there
    assert words.startswith("no connection: Nobody takes the call")


def test_a_handshake_is_made_and_its_faults_are_named(tmp_path: Path) -> None:
    """The receiver's certificate with its end, a certificate of another CA, and ours turned away; no byte is sent in any."""
    ours, others = papers(tmp_path / "ours"), papers(tmp_path / "others")
    server, client = ours.issue("server", "127.0.0.1", ends=FAR_AHEAD), ours.issue("client", "padpost")
    with TlsDoor(peer_context(server, clients=ours.ca)) as door:
        is_there, words = reached(mllp(door.port, tls=client))
        assert (is_there, words) == (
            True,
            "Somebody takes the call, encrypted by TLSv1.3. Its certificate is valid until 2099-01-01. Nothing was sent.",
        )
        is_there, words = reached(mllp(door.port, tls={"ca": others.ca}))
        assert not is_there
        assert "trust" in words
        is_there, words = reached(mllp(door.port, tls={"ca": ours.ca}))
        assert not is_there
        assert "certificate" in words
        assert b"".join(door.heard) == b""


def test_a_file_that_cannot_be_used_is_named(tmp_path: Path) -> None:
    """The setting is at fault, not the receiver."""
    is_there, words = reached(mllp(9, tls={"ca": tmp_path / "gone.pem"}))
    assert not is_there
    assert "gone.pem" in words


def test_a_fhir_server_is_asked_what_it_can_do() -> None:
    """GET [base]/metadata (FHIR R4 http.html, capabilities) and nothing else; what it lacks, turns away or is not is said."""

    def server_of(base_url: str) -> FhirDestination:
        return FhirDestination.model_validate(
            {"kind": "fhir", "name": "record", "base_url": base_url, "result_system": "urn:t:result"}
        )

    with FhirReceiver() as server:
        server.documents["metadata"] = json.dumps(WHOLE).encode()
        is_there, words = reached(server_of(server.base_url))
        assert is_there
        assert words.startswith("It answers at /metadata")
        assert "conditional creation of DiagnosticReport" in words
        assert (server.got, server.posted) == (["metadata"], [])
        del server.documents["metadata"]
        is_there, words = reached(server_of(server.base_url))
        assert (is_there, words) == (
            False,
            "It answers, but not with its capability statement: HTTP 404. Results may still be taken.",
        )
        server.decide = lambda _: turn_away(403)
        base = server.base_url
    is_there, words = reached(server_of(base))
    assert not is_there
    assert words.startswith("no connection: ")


def test_a_hook_is_called_and_not_posted_to(tmp_path: Path) -> None:
    """A handshake with the host of its address."""
    own = papers(tmp_path)
    with TlsDoor(peer_context(own.issue("server", "localhost", ends=FAR_AHEAD))) as door:
        hook = HookDestination.model_validate(
            {
                "kind": "hook",
                "name": "hook",
                "url": f"https://localhost:{door.port}/in",
                "tls": {"ca": own.ca},
                "signing": {"keys": tmp_path},
            }
        )
        is_there, words = reached(hook)
        assert (is_there, "2099-01-01" in words) == (True, True)
        assert door.heard == []


@pytest.mark.parametrize(
    ("folder", "words"), [("out", "may write into it. Nothing was written."), ("gone", "The folder is not there.")]
)
def test_a_folder_is_looked_at(tmp_path: Path, folder: str, words: str) -> None:
    """Nothing is written into it."""
    (tmp_path / "out").mkdir()
    is_there, said = reached(FolderDestination(kind="folder", name="out", path=tmp_path / folder))
    assert (is_there, words in said) == (folder == "out", True)
    assert list((tmp_path / "out").iterdir()) == []
