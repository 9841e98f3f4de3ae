"""Switching from one person to another at a shared bench: what a PIN and a badge must be, and when a bench lets it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise

from bridge.accounts.people import Account, Role

# ours: whoever may more than act at the bench signs in with the password each time
QUICK_ROLES = frozenset({Role.VIEWER, Role.TECHNICIAN})
PIN_SHORTEST, PIN_LONGEST = (
    6,
    12,
)  # NIST SP 800-63B (from memory): 6 digits at least where they are checked by a server that counts tries
BADGE_SHORTEST, BADGE_LONGEST = 8, 100  # ours: shorter texts are numbers that stand on other labels too
BY_BADGE = "badge"
BY_PIN = "PIN"


@dataclass(frozen=True, kw_only=True, slots=True)
class Quick:
    """What an account switches by. ``pin`` is an Argon2id hash, ``badge`` an HMAC-SHA-256 (hex) with the site's key; "" for none."""

    account_id: int
    pin: str = field(default="", repr=False)
    badge: str = field(default="", repr=False)


@dataclass(frozen=True, kw_only=True, slots=True)
class Bench:
    """A browser that several people share. ``digest`` is the SHA-256 (hex) of the token that it holds.

    ``open_until``: until then people switch here, since ``opened_by`` signed in with the password; None: nobody did yet.
    """

    bench_id: int
    name: str
    digest: str = field(repr=False)
    made_by: str
    made_at: datetime
    open_until: datetime | None = None
    opened_by: str = ""
    ended_by: str = ""
    ended_at: datetime | None = None

    def is_open(self, now: datetime) -> bool:
        """Say whether people may switch here."""
        return not self.ended_by and self.open_until is not None and now < self.open_until


def may_switch(account: Account) -> bool:
    """Say whether somebody may have a PIN and a badge here: nobody of a directory, which alone says at each coming whether they still come in."""
    return account.role in QUICK_ROLES and not account.issuer


def pin_fault(pin: str, again: str) -> str:
    """Say in a sentence what is wrong with a new PIN, "" if nothing is."""
    if not (pin.isascii() and pin.isdecimal() and PIN_SHORTEST <= len(pin) <= PIN_LONGEST):
        return f"A PIN has {PIN_SHORTEST} to {PIN_LONGEST} digits, and nothing else."
    steps = {int(after) - int(before) for before, after in pairwise(pin)}
    if len(set(pin)) < 3 or steps in ({1}, {-1}):  # ours: what anybody tries first
        return "This PIN is one of the first that anybody would try. Choose another."
    return "" if pin == again else "The two PINs are not the same. Type them again."


def badge_fault(badge: str, again: str) -> str:
    """Say in a sentence what is wrong with a badge's text as it was scanned, "" if nothing is."""
    if not (badge.isprintable() and BADGE_SHORTEST <= len(badge) <= BADGE_LONGEST):
        return f"A badge's text has {BADGE_SHORTEST} to {BADGE_LONGEST} printable characters. Was something else scanned?"
    return "" if badge == again else "The two scans are not the same. Scan the badge again, twice."
