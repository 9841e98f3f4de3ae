"""When a session, a code and a key count."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from bridge.accounts.people import Account, ApiKey, Role, Session, Terms, is_locked, is_open, is_sure

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
TERMS = Terms(idle=timedelta(minutes=15), longest=timedelta(hours=12))


@pytest.mark.parametrize(("opened_min", "seen_min", "opens"), [
    (0, 0, True), (-60, -14, True), (-60, -15, False), (-719, -1, True), (-720, 0, False), (1, 1, False),
])  # fmt: skip
def test_a_session_is_open_while_it_is_used_and_not_for_too_long(opened_min: int, seen_min: int, opens: bool) -> None:
    """15 min without use, 12 h in all; one that begins later than now is of a clock that was set back (HZ-J04)."""
    opened_at, seen_at = (NOW + timedelta(minutes=minutes) for minutes in (opened_min, seen_min))
    session = Session(digest="d", account_id=1, opened_at=opened_at, seen_at=seen_at)
    assert is_open(session, TERMS, now=NOW) is opens
    assert not is_open(replace(session, locked_at=NOW), TERMS, now=NOW)


@pytest.mark.parametrize(("opened_min", "seen_min", "locked", "locked_now"), [
    (-60, -15, False, True), (-60, -14, False, False), (-60, -1, True, True), (-720, -1, True, False), (1, 1, True, False),
])  # fmt: skip
def test_a_locked_session_is_its_persons_until_its_longest(
    opened_min: int, seen_min: int, locked: bool, locked_now: bool
) -> None:
    """Locked by hand or by its idle time it opens nothing, and goes on with the password; after 12 h, or from the future, it is over (HZ-J04)."""
    opened_at, seen_at = (NOW + timedelta(minutes=minutes) for minutes in (opened_min, seen_min))
    session = Session(digest="d", account_id=1, opened_at=opened_at, seen_at=seen_at, locked_at=NOW if locked else None)
    assert is_locked(session, TERMS, now=NOW) is locked_now


@pytest.mark.parametrize(
    ("minutes", "span_min", "sure"), [(0, 0, False), (0, 5, True), (-4, 5, True), (-5, 5, False), (1, 5, False)]
)
def test_a_password_that_was_given_lately_is_not_asked_again(minutes: int, span_min: int, sure: bool) -> None:
    """For as long as the site says; with 0 it is asked each time."""
    session = Session(digest="d", account_id=1, opened_at=NOW, seen_at=NOW, sure_at=NOW + timedelta(minutes=minutes))
    terms = replace(TERMS, sure=timedelta(minutes=span_min))
    assert is_sure(session, terms, now=NOW) is sure
    assert not is_sure(replace(session, sure_at=None), terms, now=NOW)


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
