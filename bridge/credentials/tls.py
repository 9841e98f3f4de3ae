"""TLS contexts by a site's settings, made again when their files change.

RFC 9325 (BCP 195): 3.1.1 nothing below TLS 1.2; 4.2 ECDHE with AEAD; 3.3 no compression; 3.5 no renegotiation by the other side;
6.1 names are checked. Nothing switches the checks off: whom to trust is said by naming a CA or a certificate.
"""

from __future__ import annotations

import ssl
from collections.abc import Callable
from pathlib import Path

from bridge.credentials.files import Stamp, read, stamp
from bridge.errors import SettingsError
from bridge.settings import Tls

SUITES = "ECDHE+AESGCM:ECDHE+CHACHA20"  # RFC 9325 4.2, in OpenSSL's words; TLS 1.3 has AEAD suites only
VERSIONS = {"1.2": ssl.TLSVersion.TLSv1_2, "1.3": ssl.TLSVersion.TLSv1_3}


class Contexts:
    """Gives the context to use now: the last one while the files are as they were, else a new one.

    Files that are renewed one after the other do not fit together for a moment: until they do, the last context is given, and
    ``fault`` says why.
    """

    def __init__(self, tls: Tls, make: Callable[[Tls], ssl.SSLContext]) -> None:
        """``make`` is ``client_context`` or ``server_context``."""
        self._tls = tls
        self._make = make
        self._seen: Stamp = ()
        self._context: ssl.SSLContext | None = None
        self.fault = ""

    def current(self) -> ssl.SSLContext:
        """Give the context. Raises SettingsError where none could ever be made."""
        seen = stamp(files_of(self._tls))
        if self._context is not None and seen == self._seen:
            return self._context
        try:
            made = self._make(self._tls)
        except SettingsError as error:
            self.fault = str(error)
            if self._context is None:
                raise
            return self._context
        self._context, self._seen, self.fault = made, seen, ""
        return made


def files_of(tls: Tls) -> tuple[Path, ...]:
    """Give the files that ``tls`` names."""
    return tuple(path for path in (tls.ca, tls.certificate, tls.key) if path is not None)


def client_context(tls: Tls) -> ssl.SSLContext:
    """Give a context that calls: the receiver must prove its name to whom we trust. Raises SettingsError naming file and key."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # checks certificate and name from the start
    _harden(context, tls)
    if tls.ca is None:
        context.load_default_certs(ssl.Purpose.SERVER_AUTH)
    return context


def server_context(tls: Tls) -> ssl.SSLContext:
    """Give a context that is called; with ``ca``, only clients that prove who they are are let in. Raises SettingsError."""
    if tls.certificate is None:
        raise SettingsError(
            "A source that is called by TLS has no certificate.",
            remedy="Set tls.certificate and tls.key.",
            path=("tls", "certificate"),
        )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    _harden(context, tls)
    context.verify_mode = ssl.CERT_REQUIRED if tls.ca else ssl.CERT_NONE
    return context


def listening_context(tls: Tls) -> ssl.SSLContext:
    """Give a context for a listener that goes on for long: each new connection has the certificate and CA that are in the files then.

    Raises SettingsError if they cannot be used at the start; later the last ones that could be go on.
    """
    contexts = Contexts(tls, server_context)
    first = contexts.current()

    def renew(connection: ssl.SSLObject | ssl.SSLSocket, _name: str | None, _context: ssl.SSLContext) -> None:
        connection.context = contexts.current()

    first.sni_callback = renew  # asked at the start of every handshake, whether the other side says a name or not
    return first


def _harden(context: ssl.SSLContext, tls: Tls) -> None:
    context.minimum_version = VERSIONS[tls.minimum]
    context.set_ciphers(SUITES)
    context.options |= ssl.OP_NO_COMPRESSION | ssl.OP_NO_RENEGOTIATION
    if tls.ca is not None:
        _trust(context, tls.ca)
    if tls.certificate is not None and tls.key is not None:
        _show(context, tls, tls.certificate, tls.key)


def _trust(context: ssl.SSLContext, ca: Path) -> None:
    read(ca, ("tls", "ca"))
    try:
        context.load_verify_locations(cafile=ca)
    except OSError as error:
        raise SettingsError(
            f"The file {ca} holds no certificate that can be read.", remedy="Give it in PEM.", path=("tls", "ca")
        ) from error
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN  # the very certificate that the other side shows may be named


def _show(context: ssl.SSLContext, tls: Tls, certificate: Path, key: Path) -> None:
    read(certificate, ("tls", "certificate"))
    locked = b"ENCRYPTED" in read(key, ("tls", "key"))  # RFC 7468 11, and OpenSSL's older form
    password = tls.key_password.value() if tls.key_password else ""
    try:
        context.load_cert_chain(certificate, key, password=lambda: password)  # without a password OpenSSL would ask the terminal
    except (ssl.SSLError, OSError, ValueError) as error:
        raise SettingsError(
            f"The certificate {certificate} and the key {key} cannot be used: {_why(error, locked=locked)}.",
            remedy="Give both in PEM, the key that belongs to the certificate, and its password in tls.key_password.",
            path=("tls", "key"),
        ) from error


def _why(error: Exception, *, locked: bool) -> str:
    """Say why, in words that hold nothing of the files."""
    if "MISMATCH" in (getattr(error, "reason", "") or ""):
        return "the key is another certificate's"
    return "the password does not open the key" if locked else "one of them is not in PEM, or is damaged"
