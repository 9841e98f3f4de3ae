"""What a PIN and a badge must be, and when a bench is open."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from bridge.accounts.people import Account, Role
from bridge.accounts.quick import Bench, badge_fault, may_switch, pin_fault

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(("pin", "again", "fault"), [
    ("407316", "407316", ""),
    ("40731", "40731", "6 to 12 digits"),
    ("4073164073164", "4073164073164", "6 to 12 digits"),
    ("40731a", "40731a", "6 to 12 digits"),
    ("٤٠٧٣١٦", "٤٠٧٣١٦", "6 to 12 digits"),
    ("123456", "123456", "one of the first"),
    ("987654", "987654", "one of the first"),
    ("111111", "111111", "one of the first"),
    ("121212", "121212", "one of the first"),
    ("407316", "407361", "not the same"),
])  # fmt: skip
def test_a_pin_is_six_digits_that_nobody_tries_first(pin: str, again: str, fault: str) -> None:
    """HZ-J04: six at least (NIST SP 800-63B, from memory)."""
    assert fault in pin_fault(pin, again)
    assert bool(pin_fault(pin, again)) == bool(fault)


@pytest.mark.parametrize(("badge", "again", "fault"), [
    ("LAB-0004711", "LAB-0004711", ""),
    ("4711", "4711", "8 to 100"),
    ("x" * 101, "x" * 101, "8 to 100"),
    ("LAB\t0004711", "LAB\t0004711", "8 to 100"),
    ("LAB-0004711", "LAB-0004712", "not the same"),
])  # fmt: skip
def test_a_badge_is_scanned_twice_and_is_no_short_number(badge: str, again: str, fault: str) -> None:
    """A short number stands on other labels too."""
    assert fault in badge_fault(badge, again)
    assert bool(badge_fault(badge, again)) == bool(fault)


def test_a_bench_is_open_from_a_password_until_its_time() -> None:
    """And not before, nor once it is ended."""
    bench = Bench(bench_id=1, name="Bench 1", digest="d", made_by="Sam", made_at=NOW)
    opened = replace(bench, open_until=NOW + timedelta(hours=1))
    assert (bench.is_open(NOW), opened.is_open(NOW), opened.is_open(NOW + timedelta(hours=1))) == (False, True, False)
    assert not replace(opened, ended_by="Sam").is_open(NOW)


@pytest.mark.parametrize(("role", "issuer", "may"), [
    (Role.VIEWER, "", True),
    (Role.TECHNICIAN, "", True),
    (Role.SUPERVISOR, "", False),
    (Role.ADMINISTRATOR, "", False),
    (Role.TECHNICIAN, "https://staff.example", False),
])  # fmt: skip
def test_only_accounts_of_the_site_that_look_or_act_switch(role: Role, issuer: str, may: bool) -> None:
    """HZ-J04: a PIN would let in whoever a directory lets in no more."""
    assert may_switch(Account(account_id=1, name="Ana Lima", role=role, issuer=issuer)) is may
