"""Signals by mail: one message a word, over TLS, to a mail server that proves its name. Nothing falls back to plain text.

RFC 5321 and 5322; STARTTLS is RFC 3207, TLS from the first byte RFC 8314; RFC 3834 asks what no person wrote to say so.
"""

from __future__ import annotations

import asyncio
import smtplib
import socket
import ssl
from contextlib import ExitStack
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime

import structlog

from bridge.credentials.tls import Contexts, client_context
from bridge.deliver.tls_faults import reason_of
from bridge.errors import SettingsError
from bridge.settings import MailWay, Tls
from bridge.signals.told import Told

log = structlog.get_logger()

ANSWER_S = 20.0  # ours: a mail server on the house's own net answers within a second
LONGEST_WORDS = 200  # ours: characters of what the server said; the page shows them


class MailClient:
    """Sends by one mail server; a connection a message, in a thread of its own."""

    def __init__(self, settings: MailWay, *, site: str, answer_s: float = ANSWER_S) -> None:
        """``site`` is the laboratory's name, which the subject begins with."""
        self._settings = settings
        self._site = site
        self._answer_s = answer_s
        self._contexts = Contexts(settings.tls or Tls(), client_context)

    async def say(self, told: Told) -> str:
        """Send it; give "" once the server has taken it, else why not. Raises nothing for what the server or the network does."""
        return await asyncio.to_thread(self._sent, self.message(told))

    async def close(self) -> None:
        """Do nothing: no connection stays open."""

    def message(self, told: Told) -> EmailMessage:
        """Give the message as it is sent."""
        message = EmailMessage()
        domain = self._settings.sender.rpartition("@")[2]
        message["From"] = self._settings.sender
        message["To"] = ", ".join(self._settings.to)
        message["Subject"] = _line(f"{self._site}: {told.subject}")
        message["Date"] = format_datetime(told.at)
        message["Message-ID"] = f"<{told.identity}@{domain}>"
        message["References"] = f"<{told.thread}@{domain}>"
        message["Auto-Submitted"] = "auto-generated"
        message.set_content(f"{told.text}\n\n{said_at(told.at)} Padpost sends this by itself; nobody reads an answer.\n")
        return message

    def _sent(self, message: EmailMessage) -> str:
        try:
            with self._server() as server:
                refused = server.send_message(message)
        except SettingsError as error:
            return str(error)
        except (smtplib.SMTPException, OSError) as error:
            log.warning("signal.mail_failed", way=self._settings.name, fault=type(error).__name__)
            return fault_words(error, self._settings.host)
        if refused:  # some have it: to send it again would call those twice
            log.warning("signal.mail_refused", way=self._settings.name, recipients=len(refused))
        return ""

    def _server(self) -> smtplib.SMTP:
        """Connect, and sign in where a user is set. Raises SettingsError, SMTPException or OSError."""
        settings = self._settings
        password = settings.password.value() if settings.password else ""
        if settings.security == "tls":
            server: smtplib.SMTP = smtplib.SMTP_SSL(
                settings.host, settings.port_used, _name(), timeout=self._answer_s, context=self._contexts.current()
            )
        else:
            server = smtplib.SMTP(settings.host, settings.port_used, _name(), timeout=self._answer_s)
        with ExitStack() as unless_well:
            unless_well.callback(server.close)
            if settings.security == "starttls":
                server.starttls(context=self._contexts.current())
            if settings.user:
                server.login(settings.user, password)
            unless_well.pop_all()
        return server


def said_at(at: datetime) -> str:
    """Say when something was said, for a reader in whichever zone."""
    return f"Said {at:%Y-%m-%d %H:%M} UTC."


def fault_words(error: Exception, host: str) -> str:
    """Say what went wrong with a mail server, in words for who set it up."""
    match error:
        case smtplib.SMTPNotSupportedError():
            return f"The mail server {host} offers no encryption or no sign-in as set: {_line(str(error))}"
        case smtplib.SMTPAuthenticationError():
            return f"The mail server {host} does not know the user or the password ({error.smtp_code})."
        case smtplib.SMTPRecipientsRefused():
            return f"The mail server {host} takes mail for none of the recipients."
        case smtplib.SMTPResponseException():
            words = error.smtp_error.decode("ascii", "replace") if isinstance(error.smtp_error, bytes) else str(error.smtp_error)
            return f"The mail server {host} did not take it: {error.smtp_code} {_line(words)}"
        case ssl.SSLError():
            return f"The mail server {host} could not be trusted or reached by TLS: {reason_of(error)}"
        case TimeoutError() | smtplib.SMTPServerDisconnected(__context__=TimeoutError()):
            return f"The mail server {host} does not answer."
        case smtplib.SMTPException():
            return f"The mail server {host} ended the talk: {_line(str(error))}"
    return f"The mail server {host} cannot be reached: {getattr(error, 'strerror', None) or _line(str(error))}."


def _line(text: str) -> str:
    """Give printable text on one line, not longer than a page shows."""
    return "".join(each if each.isprintable() else " " for each in text)[:LONGEST_WORDS]


def _name() -> str:
    """Give what we call ourselves (EHLO); the library would ask the name server, which may be what is down."""
    return socket.gethostname()
