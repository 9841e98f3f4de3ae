"""Strips by operator and hour, against plain counting."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.workload import Hand, Handled, Load, added, loads_of, shifts_of
from bridge.model import Purpose

KATHMANDU = ZoneInfo("Asia/Kathmandu")  # 5 h 45 min ahead of UTC
NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


def read(minute: int = 0, operator: str = "7", *, purpose: Purpose = Purpose.PATIENT, outcome: str = "coded", analyzer: str = "tern") -> Handled:  # fmt: skip
    at = NOW + timedelta(minutes=minute)
    return Handled(analyzer, operator, purpose, outcome, at, at, frozenset())


def test_by_the_hour_of_the_site_s_clock() -> None:
    """10:00 UTC is 15:45 there; a copy and what was no strip are nobody's work."""
    strips = [read(), read(15), read(20, purpose=Purpose.CONTROL), read(outcome="copy"), read(outcome="unreadable", operator=""), read(operator="")]  # fmt: skip
    assert loads_of(strips, KATHMANDU) == {
        Hand("tern", ""): Load(patients={15: 1}, others={}),
        Hand("tern", "7"): Load(patients={15: 1, 16: 1}, others={16: 1}),
    }


def test_shifts_share_the_day_out() -> None:
    """Early, late and night; an hour belongs to the shift in which it begins."""
    early, late, night = shifts_of([time(22), time(6, 30), time(14)])
    assert (early.begins, sorted(early.hours)) == (time(6, 30), [7, 8, 9, 10, 11, 12, 13])
    assert sorted(late.hours) == list(range(14, 22))
    assert sorted(night.hours) == [0, 1, 2, 3, 4, 5, 6, 22, 23]
    assert shifts_of([]) == ()


@given(begins=st.sets(st.times(), min_size=1, max_size=5))
def test_every_hour_belongs_to_one_shift(begins: set[time]) -> None:
    hours = sorted(hour for shift in shifts_of(sorted(begins)) for hour in shift.hours)
    assert hours == list(range(24))


@given(
    strips=st.lists(st.builds(read, st.integers(-2_000, 2_000), st.sampled_from(["", "7", "8"]), analyzer=st.sampled_from(["tern", "plover"]))),
    cut=st.integers(0, 20),
)  # fmt: skip
def test_days_add_up_and_every_strip_is_counted_once(strips: list[Handled], cut: int) -> None:
    whole = loads_of(strips, KATHMANDU)
    assert added([loads_of(strips[:cut], KATHMANDU), loads_of(strips[cut:], KATHMANDU)]) == whole
    assert list(whole) == sorted(whole)
    for hand, load in whole.items():
        assert load.strips == sum((each.analyzer, each.operator) == hand for each in strips)
