"""What is judged before its neighbour is committed must not need to know of it."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from bridge.bench.ahead import Ahead
from bridge.model import Needs, SeriesState

AT = datetime(2026, 11, 25, 8, tzinfo=UTC)


def needs(number: str = "1", *, digest: str = "d", patient: str = "p", mode: str = "m") -> Needs:
    """Give what a strip needs."""
    return Needs(analyzer="a", mode=mode, number=number, record_digest=digest, patient_id=patient)


def state(number: int, series: str = "s") -> SeriesState:
    """Give a series state."""
    return SeriesState(series=series, last_number=number, last_printed_at=AT)


@pytest.mark.parametrize(
    ("other", "meets"),
    [
        (needs("2", digest="e", patient="q"), False),
        (needs("1", digest="e", patient="q"), True),
        (needs("1", digest="e", patient="q", mode="n"), False),
        (needs("2", digest="d", patient="q"), True),
        (needs("2", digest="e", patient="p"), True),
    ],
)
def test_a_strip_meets_one_with_its_number_its_bytes_or_its_patient(other: Needs, meets: bool) -> None:
    """These are the keys by which earlier strips are looked up: a strip that shares none gets the same facts with or without the other."""
    ahead = Ahead()
    ahead.add(needs(), None)
    assert ahead.meets(other) is meets
    ahead.committed()
    assert ahead.meets(other) is False


def test_no_patient_is_nobody_in_common_and_no_number_is_one_in_common() -> None:
    """Strips without a patient are not one patient's; strips without a number are looked up among those without one."""
    ahead = Ahead()
    ahead.add(needs("", patient=""), None)
    assert ahead.meets(needs("2", digest="e", patient="")) is False
    assert ahead.meets(needs("", digest="e", patient="")) is True


def test_every_strip_is_remembered_until_its_own_commit() -> None:
    """The oldest is committed first."""
    ahead = Ahead()
    for number in ("1", "2"):
        ahead.add(needs(number, digest=number, patient=number), None)
    ahead.committed()
    assert ahead.meets(needs("1", digest="x", patient="x")) is False
    assert ahead.meets(needs("2", digest="x", patient="x")) is True


def test_the_newest_series_is_carried_along_by_mode() -> None:
    """A number that falls opens a series only beside the newest one, committed or not; a late strip moves nothing."""
    ahead = Ahead()
    assert ahead.series("m", lambda: None) is None
    ahead.add(needs("5"), state(5))
    ahead.add(needs("3", digest="e", patient="q"), state(3))
    ahead.add(needs("4", digest="f", patient="r"), None)
    assert ahead.series("m", never) == state(5)
    assert ahead.series("n", lambda: state(2)) == state(2)
    for _ in range(3):
        ahead.committed()
    assert ahead.series("m", never) == state(5)


def test_a_late_strip_moves_nothing_of_what_the_store_said() -> None:
    ahead = Ahead()
    assert ahead.series("m", lambda: state(9)) == state(9)
    ahead.add(needs("5"), state(5))
    assert ahead.series("m", never) == state(9)


def test_what_was_moved_beside_it_is_asked_for_again() -> None:
    ahead = Ahead()
    ahead.series("m", lambda: state(2))
    ahead.forget_series()
    assert ahead.series("m", lambda: state(7)) == state(7)


def never() -> SeriesState | None:
    raise AssertionError("the store was asked once more")
