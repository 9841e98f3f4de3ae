"""Mail against a real server of another hand (tests/peers/mail_server.py): encrypted, signed in, with one identity for ever, and never plain."""

from __future__ import annotations

import asyncio
import socket
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any

import pytest

from bridge.deliver.mail import MailClient
from bridge.settings import MailWay
from bridge.signals.machine import What
from bridge.signals.told import Told
from tests.credentials.papers import papers, peer_context
from tests.peers.mail_server import Mailbox, mail_server

AT = datetime(2026, 11, 27, 8, 5, tzinfo=UTC)
TOLD = Told(
    identity="ABCDE-12",
    thread="ABCDE-signal-3",
    what=What.OPENED,
    headline="A receiver takes nothing",
    text="- records\n\nLook.",
    at=AT,
)


def client(mailbox: Mailbox, *, answer_s: float = 10, **more: Any) -> MailClient:
    """Give a client of the server: plain on the loopback unless said otherwise."""
    given = {
        "kind": "mail", "name": "desk", "host": "127.0.0.1", "port": mailbox.port, "security": "none", "sender": "padpost@lab.example",
        "to": ["ana@lab.example", "bo@lab.example"], **more,
    }  # fmt: skip
    return MailClient(MailWay.model_validate(given), site="Test Clinic", answer_s=answer_s)


def say(mailbox: Mailbox, told: Told = TOLD, **more: Any) -> str:
    """Say it once; give the fault."""

    async def once() -> str:
        made = client(mailbox, **more)
        try:
            return await made.say(told)
        finally:
            await made.close()

    return asyncio.run(asyncio.wait_for(once(), 30))


def test_a_mail_says_what_stands_and_who_sends_it() -> None:
    """Subject, text, date and identity; RFC 3834 section 5: a machine's mail says so, so that no absence note answers it."""
    with mail_server(Mailbox()) as mailbox:
        assert say(mailbox) == ""
        assert say(mailbox) == ""
    first, second = mailbox.taken
    assert mailbox.recipients[0] == ["ana@lab.example", "bo@lab.example"]
    assert first["subject"] == "Test Clinic: A receiver takes nothing"
    assert first["message-id"] == second["message-id"] == "<ABCDE-12@lab.example>"
    assert first["references"] == "<ABCDE-signal-3@lab.example>"
    assert first["auto-submitted"] == "auto-generated"
    assert parsedate_to_datetime(str(first["date"])) == AT
    assert first.get_content().splitlines() == [
        "- records", "", "Look.", "", "Said 2026-11-27 08:05 UTC. Padpost sends this by itself; nobody reads an answer.",
    ]  # fmt: skip


@pytest.mark.parametrize("way", ["starttls", "tls"])
def test_it_is_encrypted_and_signed_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str) -> None:
    """RFC 3207 and RFC 8314: the password goes only inside TLS, to a server whose certificate and name were checked. It stands in a file."""
    secret = tmp_path / "password"
    secret.write_text("s3cret\n", encoding="utf-8")
    monkeypatch.setenv("MAIL_PASSWORD_FILE", str(secret))
    made = papers(tmp_path / "pki")
    context = peer_context(made.issue("server", "127.0.0.1"))
    with mail_server(Mailbox(), context=context, from_the_first_byte=way == "tls", user="padpost", password="s3cret") as mailbox:
        trusted: dict[str, Any] = {
            "security": way,
            "tls": {"ca": str(made.ca)},
            "user": "padpost",
            "password": {"env": "MAIL_PASSWORD"},
        }
        assert say(mailbox, **trusted) == ""
        assert (mailbox.signed_in, mailbox.encrypted) == ([True], [True])
        secret.write_text("other", encoding="utf-8")
        assert say(mailbox, **trusted) == "The mail server 127.0.0.1 does not know the user or the password (535)."
    assert len(mailbox.taken) == 1


def test_a_server_that_is_not_who_it_says_gets_nothing(tmp_path: Path) -> None:
    """Neither one of an unknown CA, nor one of another name, nor one that offers no TLS; nothing falls back to plain text."""
    made, foreign = papers(tmp_path / "pki"), papers(tmp_path / "foreign")
    for own, ca in ((foreign.issue("server", "127.0.0.1"), made.ca), (made.issue("other", "mail.other.example"), made.ca)):
        with mail_server(Mailbox(), context=peer_context(own)) as mailbox:
            fault = say(mailbox, security="starttls", tls={"ca": str(ca)})
            assert fault.startswith("The mail server 127.0.0.1 could not be trusted or reached by TLS: ")
            assert mailbox.taken == []
    with mail_server(Mailbox()) as mailbox:
        fault = say(mailbox, security="starttls", tls={"ca": str(made.ca)})
        assert fault.startswith("The mail server 127.0.0.1 offers no encryption or no sign-in as set: ")
        assert mailbox.taken == []


def test_a_fault_is_said_in_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the server says against it, and what the network does."""
    with mail_server(Mailbox(answer="452 no room\x07 now")) as mailbox:
        assert say(mailbox) == "The mail server 127.0.0.1 did not take it: 452 no room now".replace("room now", "room  now")
    with mail_server(Mailbox(unknown=frozenset({"ana@lab.example", "bo@lab.example"}))) as mailbox:
        assert say(mailbox) == "The mail server 127.0.0.1 takes mail for none of the recipients."
    with mail_server(Mailbox(unknown=frozenset({"ana@lab.example"}))) as mailbox:
        assert say(mailbox) == ""
        assert mailbox.recipients == [["bo@lab.example"]]
    assert say(mailbox) == "The mail server 127.0.0.1 cannot be reached: Connection refused."
    monkeypatch.delenv("NO_SUCH", raising=False)
    missing: dict[str, Any] = {"security": "starttls", "user": "padpost", "password": {"env": "NO_SUCH"}}
    assert say(mailbox, **missing).startswith("The secret NO_SUCH is not set.")
    with socket.create_server(("127.0.0.1", 0)) as silent:
        mailbox.port = silent.getsockname()[1]
        assert say(mailbox, answer_s=0.3) == "The mail server 127.0.0.1 does not answer."


def test_a_headline_is_one_line() -> None:
    """Whatever a name holds, no header of its own is made of it (RFC 5322 section 2.2)."""
    told = Told(identity="i", thread="t", what=What.OPENED, headline="x\r\nBcc: eve@lab.example", text="y", at=AT)
    with mail_server(Mailbox()) as mailbox:
        assert say(mailbox, told) == ""
    assert mailbox.taken[0]["bcc"] is None
    assert mailbox.recipients == [["ana@lab.example", "bo@lab.example"]]
