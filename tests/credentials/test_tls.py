"""TLS contexts: what they refuse to do without, what is wrong with files, and renewal while they are used."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    PrivateFormat,
    load_pem_private_key,
)

from bridge.credentials.tls import Contexts, client_context, files_of, listening_context, server_context
from bridge.errors import SettingsError
from bridge.settings import Secret, Tls
from tests.credentials.papers import papers


def test_nothing_is_left_unchecked_by_default() -> None:
    """RFC 9325: TLS 1.2 at least, the certificate and its name checked, no compression, ephemeral keys with AEAD only."""
    context = client_context(Tls())
    assert (context.verify_mode, context.check_hostname) == (ssl.CERT_REQUIRED, True)
    assert context.minimum_version is ssl.TLSVersion.TLSv1_2
    assert context.options & ssl.OP_NO_COMPRESSION
    suites = {each["name"] for each in context.get_ciphers()}
    assert {name for name in suites if not name.startswith("TLS_")} == {
        "ECDHE-ECDSA-AES256-GCM-SHA384",
        "ECDHE-RSA-AES256-GCM-SHA384",
        "ECDHE-ECDSA-AES128-GCM-SHA256",
        "ECDHE-RSA-AES128-GCM-SHA256",
        "ECDHE-ECDSA-CHACHA20-POLY1305",
        "ECDHE-RSA-CHACHA20-POLY1305",
    }


def test_a_site_may_ask_for_more(tmp_path: Path) -> None:
    """TLS 1.3 alone; and a named CA takes the place of the system's, so that nobody else is believed."""
    ours = papers(tmp_path)
    context = client_context(Tls(ca=ours.ca, minimum="1.3"))
    assert context.minimum_version is ssl.TLSVersion.TLSv1_3
    assert len(context.get_ca_certs()) == 1


def test_a_source_that_is_called_shows_a_certificate_and_may_ask_for_one(tmp_path: Path) -> None:
    """For listeners: ``ca`` is whose clients may call."""
    own = papers(tmp_path).issue("own", "localhost")
    assert server_context(own).verify_mode is ssl.CERT_REQUIRED
    assert server_context(own.model_copy(update={"ca": None})).verify_mode is ssl.CERT_NONE
    with pytest.raises(SettingsError, match=r"tls\.certificate: A source that is called by TLS has no certificate\."):
        server_context(Tls())


def test_a_key_may_have_a_password(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is read from the environment; a wrong or a missing one is told, and nobody is asked at the terminal."""
    own = papers(tmp_path).issue("own", "localhost")
    assert own.key is not None
    held = load_pem_private_key(own.key.read_bytes(), None)
    own.key.write_bytes(held.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, BestAvailableEncryption(b"saltmarsh")))
    locked = own.model_copy(update={"key_password": Secret(env="PADPOST_TEST_KEY")})
    monkeypatch.setenv("PADPOST_TEST_KEY", "saltmarsh")
    assert client_context(locked).verify_mode is ssl.CERT_REQUIRED
    monkeypatch.setenv("PADPOST_TEST_KEY", "wrong-one")
    for settings in (locked, own):
        with pytest.raises(SettingsError) as caught:
            client_context(settings)
        assert "tls.key: The certificate" in str(caught.value)
        assert "cannot be used: the password does not open the key." in str(caught.value)
        assert "wrong-one" not in str(caught.value)


@pytest.mark.parametrize(
    ("spoilt", "words"),
    [
        ("ca", "tls.ca: The file {folder}/ca.pem holds no certificate that can be read. Give it in PEM."),
        ("certificate", "cannot be used: one of them is not in PEM, or is damaged."),
        ("key", "cannot be used: one of them is not in PEM, or is damaged."),
        ("other", "cannot be used: the key is another certificate's."),
    ],
)
def test_files_that_cannot_be_used_are_named(tmp_path: Path, spoilt: str, words: str) -> None:
    """An admin reads which file, and what is wrong with it."""
    ours = papers(tmp_path)
    own = ours.issue("own", "localhost")
    assert own.key is not None
    if spoilt == "other":
        other = ours.issue("other", "localhost")
        assert other.key is not None
        other.key.replace(own.key)
    else:
        getattr(own, spoilt).write_text("no certificate\n")
    with pytest.raises(SettingsError) as caught:
        client_context(own)
    assert words.format(folder=tmp_path) in str(caught.value)


def test_a_renewed_file_makes_a_new_context(tmp_path: Path) -> None:
    """No restart; while the files do not fit together, the last context goes on and the fault is told."""
    ours = papers(tmp_path)
    own = ours.issue("own", "localhost")
    contexts = Contexts(own, client_context)
    first = contexts.current()
    assert contexts.current() is first
    assert own.certificate is not None
    renewed = ours.issue("renewed", "localhost")
    assert renewed.certificate is not None
    assert renewed.key is not None
    renewed.certificate.replace(own.certificate)
    assert contexts.current() is first
    assert "the key is another certificate's" in contexts.fault
    assert own.key is not None
    renewed.key.replace(own.key)
    second = contexts.current()
    assert second is not first
    assert contexts.fault == ""
    assert contexts.current() is second
    assert len(files_of(own)) == 3


def shown(port: int, client: Tls) -> bytes:
    """Call a listener with the standard library, and give the certificate that it shows. Raises OSError if it turns us away."""
    context = ssl.create_default_context(cafile=client.ca)
    if client.certificate is not None:
        context.load_cert_chain(client.certificate, client.key)
    with (
        socket.create_connection(("127.0.0.1", port), timeout=10) as line,
        context.wrap_socket(line, server_hostname="127.0.0.1") as safe,
    ):
        certificate = safe.getpeercert(binary_form=True)
        safe.sendall(b"x")
        if safe.recv(1) != b"x":
            raise ConnectionError("hung up")
    assert certificate is not None
    return certificate


def test_a_listener_shows_a_renewed_certificate_and_asks_by_the_renewed_ca(tmp_path: Path) -> None:
    """It listens for months; nobody stops it for a new file. Who may call follows the file of the CA, too."""
    ours, clients, later = papers(tmp_path / "ours"), papers(tmp_path / "clients"), papers(tmp_path / "later")
    caller = clients.issue("caller", "bench").model_copy(update={"ca": ours.ca})
    newer = later.issue("caller", "bench").model_copy(update={"ca": ours.ca})
    own = ours.issue("own", "127.0.0.1").model_copy(update={"ca": clients.ca})

    async def echo(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(await reader.read(1))
        await writer.drain()
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()

    async def whole() -> None:
        server = await asyncio.start_server(echo, "127.0.0.1", 0, ssl=listening_context(own))
        port = server.sockets[0].getsockname()[1]
        async with server:
            first = await asyncio.to_thread(shown, port, caller)
            for stranger in (newer, Tls(ca=ours.ca)):
                with pytest.raises(OSError):
                    await asyncio.to_thread(shown, port, stranger)
            ours.issue("own", "127.0.0.1")
            clients.ca.write_bytes(later.ca.read_bytes())
            second = await asyncio.to_thread(shown, port, newer)
            assert first != second
            with pytest.raises(OSError):
                await asyncio.to_thread(shown, port, caller)

    asyncio.run(asyncio.wait_for(whole(), 60))


def test_a_context_that_never_was_is_an_error(tmp_path: Path) -> None:
    """There is nothing to fall back to, and nothing is ever sent unchecked instead."""
    contexts = Contexts(Tls(ca=tmp_path / "absent.pem"), client_context)
    with pytest.raises(SettingsError, match=r"absent\.pem cannot be read: No such file or directory"):
        contexts.current()
