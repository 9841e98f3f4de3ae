"""A code is one account's, good once and for a short time (HZ-J04)."""

from __future__ import annotations

from datetime import timedelta

from bridge.desk.own_codes import LASTS, OwnCodes
from tests.store.strips import NOW


def test_a_code_is_good_once_for_its_account_and_not_for_long() -> None:
    """A newer one takes the place of an older one; nothing typed is no code."""
    now, numbers = [NOW], iter(range(256))
    codes = OwnCodes(lambda: now[0], lambda size: bytes([next(numbers)]) * size)
    first, second = codes.give(1), codes.give(1)
    assert [codes.take(1, each) for each in ("", first)] == [False, False]
    assert codes.take(2, second) is False
    assert [codes.take(1, second.lower()), codes.take(1, second)] == [True, False]
    late = codes.give(1)
    now[0] += LASTS - timedelta(seconds=1)
    other = codes.give(2)
    now[0] += timedelta(seconds=1)
    assert (codes.take(1, late), codes.take(2, other)) == (False, True)


def test_nothing_typed_is_no_code_where_none_is_out() -> None:
    """Also while the clock is set back, as a network sets it."""
    clock = iter((NOW, NOW - timedelta(seconds=1), NOW - timedelta(seconds=2)))
    codes = OwnCodes(lambda: next(clock), bytes)
    assert [codes.take(1, typed) for typed in ("", "-")] == [False, False]
