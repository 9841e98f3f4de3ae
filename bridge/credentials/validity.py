"""From when until when a certificate is valid, and when to say that it runs out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509

from bridge.credentials.files import read
from bridge.errors import SettingsError
from bridge.settings import Tls

NOTICE = timedelta(days=30)  # ours: a renewal that goes through a hospital's certificate office takes weeks


@dataclass(frozen=True, kw_only=True, slots=True)
class Validity:
    """One certificate of ours, or those that we trust. ``starts`` and ``ends`` are aware, UTC."""

    file: Path
    use: str
    starts: datetime
    ends: datetime


def validities(tls: Tls) -> Iterator[Validity]:
    """Give the validity of what ``tls`` names: of a chain the part that ends first, of trusted CAs the one that ends last.

    Raises SettingsError naming file and key.
    """
    if tls.certificate is not None:
        chain = _certificates(tls.certificate, ("tls", "certificate"))
        yield Validity(
            file=tls.certificate,
            use="Padpost's certificate",
            starts=max(each.not_valid_before_utc for each in chain),
            ends=min(each.not_valid_after_utc for each in chain),
        )
    if tls.ca is not None:
        trusted = _certificates(tls.ca, ("tls", "ca"))
        yield Validity(
            file=tls.ca,
            use="the trusted certificate",
            starts=min(each.not_valid_before_utc for each in trusted),
            ends=max(each.not_valid_after_utc for each in trusted),
        )


def _certificates(path: Path, key: tuple[str, ...]) -> list[x509.Certificate]:
    try:
        return x509.load_pem_x509_certificates(read(path, key))
    except ValueError as error:
        raise SettingsError(
            f"The file {path} holds no certificate that can be read.", remedy="Give it in PEM.", path=key
        ) from error


def expiry_words(validity: Validity, *, now: datetime) -> str:
    """Say that a certificate runs out within ``NOTICE``, ran out, or is not valid yet; nothing while all is well."""
    file, use = validity.file.name, validity.use
    if now < validity.starts:
        return f"{use} ({file}) is valid from {validity.starts:%Y-%m-%d %H:%M} UTC only: check the clock of this machine"
    if now >= validity.ends:
        return f"{use} ({file}) ran out on {validity.ends:%Y-%m-%d}: put a new one in its place"
    left = validity.ends - now
    if left <= NOTICE:
        days = f"{left.days} day{'' if left.days == 1 else 's'}" if left.days else "less than a day"
        return f"{use} ({file}) runs out on {validity.ends:%Y-%m-%d}, in {days}: renew it; no restart is needed"
    return ""
