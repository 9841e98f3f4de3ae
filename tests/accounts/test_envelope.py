"""Who may look into the use of the emergency account."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from bridge.accounts.envelope import ACCOUNT, BY_ENVELOPE, NAME, Envelope, is_emergency
from bridge.accounts.people import Account, Role
from bridge.model import Actor
from bridge.store.apply_envelopes import look_fault

AT = datetime(2026, 11, 27, 9, 0, tzinfo=UTC)
SEALED = Envelope(envelope_id=1, digest="d", sealed_by="Ada Reis", sealed_at=AT)
OPENED = Envelope(envelope_id=1, digest="d", sealed_by="Ada Reis", sealed_at=AT, opened_by="Ana Lima", opened_at=AT)


@pytest.mark.parametrize(
    ("name", "verified", "words"),
    [
        ("Sam Costa", "password", ""), ("Ada Reis", "directory", ""), ("ANA lima", "password", "You opened this"),
        (NAME, BY_ENVELOPE, "its own use"), ("Sam Costa", BY_ENVELOPE, "its own use"), ("emergency account", "password", "its own use"),
    ],
)  # fmt: skip
def test_nobody_looks_into_their_own_opening(name: str, verified: str, words: str) -> None:
    """HZ-J04: whoever sealed the envelope may."""
    fault = look_fault(OPENED, Actor(name=name, verified=verified))
    assert (words in fault) if words else (fault == "")


def test_the_account_behind_envelopes_is_told_from_all_others() -> None:
    """By its issuer, which no directory can have, and not by its name."""
    assert (SEALED.asks_for_a_look, OPENED.asks_for_a_look) == (False, True)
    assert is_emergency(ACCOUNT)
    assert not is_emergency(Account(account_id=1, name=NAME, role=Role.SUPERVISOR))
