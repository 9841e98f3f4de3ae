"""When a session, a code and a key count."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from bridge.accounts.people import Account, ApiKey, Role, Session, Terms, is_open

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
TERMS = Terms(idle=timedelta(minutes=15), longest=timedelta(hours=12))


@pytest.mark.parametrize(("opened_min", "seen_min", "opens"), [
    (0, 0, True), (-60, -14, True), (-60, -15, False), (-719, -1, True), (-720, 0, False), (1, 1, False),
])  # fmt: skip
def test_a_session_is_open_while_it_is_used_and_not_for_too_long(opened_min: int, seen_min: int, opens: bool) -> None:
    """15 min without use, 12 h in all; one that begins later than now is of a clock that was set back (HZ-J04)."""
    at = {name: NOW + timedelta(minutes=minutes) for name, minutes in (("opened_at", opened_min), ("seen_at", seen_min))}
    session = Session(digest="d", account_id=1, **at)
    assert is_open(session, TERMS, now=NOW) is opens


def test_a_code_counts_until_its_time_while_the_account_is_on() -> None:
    """Without a code, after its time, or switched off, none counts."""
    account = Account(account_id=1, name="Ana", role=Role.TECHNICIAN, code_digest="d", code_until=NOW)
    assert account.code_counts(NOW - timedelta(seconds=1))
    assert not account.code_counts(NOW)
    for none in (replace(account, is_on=False), replace(account, code_digest=""), replace(account, code_until=None)):
        assert not none.code_counts(NOW - timedelta(seconds=1))


def test_no_secret_is_shown_by_a_slip() -> None:
    """What stands in a traceback or a log holds no hash."""
    key = ApiKey(key_id=1, name="list", digest="dig", acts=False, until=NOW, made_by="Ana", made_at=NOW)
    account = Account(account_id=1, name="Ana", role=Role.VIEWER, secret="hash", code_digest="dig")
    assert "dig" not in repr(key)
    assert not {"hash", "dig"} & set(repr(account).replace("'", " ").split())
