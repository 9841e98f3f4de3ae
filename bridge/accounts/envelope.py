"""The emergency account: who opens a sealed envelope comes in once, for a short time, and is looked at by somebody else afterwards."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from bridge.accounts.people import Account, Role

NAME = "Emergency account"  # beside whatever is done with it
ISSUER = "padpost:envelope"  # no directory can be called so: it is no https address
SUBJECT = "emergency"
BY_ENVELOPE = "emergency envelope"
SECRET_BYTES = 16  # ours: 128 bits, 26 characters to type; it lies in a drawer for months, and nobody guesses it in any time
ACCOUNT = Account(account_id=0, name=NAME, role=Role.SUPERVISOR, issuer=ISSUER, subject=SUBJECT)


@dataclass(frozen=True, kw_only=True, slots=True)
class Envelope:
    """One of them. ``digest`` is the SHA-256 (hex) of its secret. Only the newest opens anything, and only once.

    ``opened_by`` is the name that was typed, which nobody checked. ``looked_by`` is who looked into the opening afterwards, "" for nobody yet.
    """

    envelope_id: int
    digest: str = field(repr=False)
    sealed_by: str
    sealed_at: datetime
    opened_by: str = ""
    opened_at: datetime | None = None
    opened_why: str = ""
    looked_by: str = ""
    looked_at: datetime | None = None
    looked_why: str = ""

    @property
    def asks_for_a_look(self) -> bool:
        """Say whether it was opened and nobody has looked into that."""
        return self.opened_at is not None and self.looked_at is None


def is_emergency(account: Account) -> bool:
    """Say whether this is the account behind the envelopes."""
    return account.issuer == ISSUER
