"""Certificates for tests, made by trustme (PyPI), which shares no code with the product."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import trustme

from bridge.settings import Tls

LONG_AGO = datetime(2001, 1, 1, tzinfo=UTC)
FAR_AHEAD = datetime(2099, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class Papers:
    """A CA in a folder: ``ca`` is its file; ``issue`` makes certificates."""

    authority: trustme.CA
    folder: Path
    ca: Path

    def issue(self, name: str, *names: str, starts: datetime | None = None, ends: datetime | None = None) -> Tls:
        """Write NAME.pem and NAME.key for ``names`` and give them as settings that trust this CA."""
        leaf = self.authority.issue_cert(*names, not_before=starts, not_after=ends)
        certificate, key = self.folder / f"{name}.pem", self.folder / f"{name}.key"
        certificate.write_bytes(b"".join(blob.bytes() for blob in leaf.cert_chain_pems))
        key.touch(0o600)
        key.write_bytes(leaf.private_key_pem.bytes())
        return Tls(ca=self.ca, certificate=certificate, key=key)


def papers(folder: Path, name: str = "ca") -> Papers:
    """Make a CA whose certificate is NAME.pem."""
    folder.mkdir(parents=True, exist_ok=True)
    authority = trustme.CA()
    authority.cert_pem.write_to_path(folder / f"{name}.pem")
    return Papers(authority=authority, folder=folder, ca=folder / f"{name}.pem")


def peer_context(own: Tls, *, clients: Path | None = None) -> ssl.SSLContext:
    """Give a plain server context of the standard library that shows ``own`` and, with ``clients``, demands certificates of that CA."""
    assert own.certificate is not None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(own.certificate, own.key)
    if clients is not None:
        context.load_verify_locations(clients)
        context.verify_mode = ssl.CERT_REQUIRED
    return context
