"""A mail server on the loopback that keeps what it takes: aiosmtpd (RFC 5321), which is not ours, with TLS and sign-in as a test wants."""

from __future__ import annotations

import asyncio
import ssl
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword


@dataclass
class Mailbox:
    """What arrived, and how the server is to behave: ``answer`` is what it says to a message instead of taking it."""

    taken: list[EmailMessage] = field(default_factory=list)
    recipients: list[list[str]] = field(default_factory=list)
    signed_in: list[bool] = field(default_factory=list)
    encrypted: list[bool] = field(default_factory=list)
    answer: str = ""
    unknown: frozenset[str] = frozenset()
    port: int = 0

    async def handle_RCPT(self, *given: Any) -> str:  # noqa: N802 - aiosmtpd's own name; server, session, envelope, address, options
        """Take a recipient, unless it is unknown."""
        _, _, envelope, address, _ = given
        if address in self.unknown:
            return "550 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, *given: Any) -> str:  # noqa: N802 - as above; server, session, envelope
        """Take a message, or answer as the test wants."""
        server, session, envelope = given
        if self.answer:
            return self.answer
        message = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(message, EmailMessage)
        self.taken.append(message)
        self.recipients.append(list(envelope.rcpt_tos))
        self.signed_in.append(bool(session.authenticated))
        self.encrypted.append(server.transport.get_extra_info("ssl_object") is not None)
        return "250 OK"


@contextmanager
def mail_server(
    mailbox: Mailbox,
    *,
    context: ssl.SSLContext | None = None,
    from_the_first_byte: bool = False,
    user: str = "",
    password: str = "",
) -> Iterator[Mailbox]:
    """Serve ``mailbox`` on a free port: plain without ``context``, else with STARTTLS or TLS; a ``user`` must sign in."""

    def authenticate(*told: Any) -> AuthResult:  # server, session, envelope, mechanism, what was given
        given = told[-1]
        is_right = isinstance(given, LoginPassword) and (given.login, given.password) == (user.encode(), password.encode())
        return AuthResult(success=is_right, handled=is_right)

    more: dict[str, Any] = {}
    if user:
        more = {"auth_required": True, "authenticator": authenticate, "auth_require_tls": not from_the_first_byte}
    if context is not None and not from_the_first_byte:
        more |= {"tls_context": context, "require_starttls": True}
    loop = asyncio.new_event_loop()
    tls = context if from_the_first_byte else None
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()

    def protocol() -> SMTP:
        with warnings.catch_warnings():  # it takes a sign-in inside TLS from the first byte for one without TLS, and warns
            warnings.simplefilter("ignore", UserWarning)
            return SMTP(mailbox, loop=loop, **more)

    async def begin() -> asyncio.Server:
        return await loop.create_server(protocol, "127.0.0.1", 0, ssl=tls)

    async def end(server: asyncio.Server) -> None:
        server.close()
        others = asyncio.all_tasks() - {asyncio.current_task()}
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)
        await loop.shutdown_default_executor()

    try:
        server = asyncio.run_coroutine_threadsafe(begin(), loop).result(10)
        mailbox.port = server.sockets[0].getsockname()[1]
        try:
            yield mailbox
        finally:
            asyncio.run_coroutine_threadsafe(end(server), loop).result(10)
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()
