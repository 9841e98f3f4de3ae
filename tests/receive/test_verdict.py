"""Waiting for judging: it ends with the news, or in time without."""

from __future__ import annotations

import asyncio

import pytest

from bridge.receive.verdict import is_turned_down, judged
from bridge.store.rows import CaptureState, StripState


def state(*, is_judged: bool) -> CaptureState:
    return CaptureState(source="s", digest="", is_judged=is_judged, strips=())


@pytest.mark.parametrize("looks", [0, 1, 4])
def test_it_looks_until_all_is_judged(looks: int) -> None:
    """Another process may judge: the store tells, whoever wrote it."""
    seen: list[int] = []

    async def look(capture_id: int) -> CaptureState:
        seen.append(capture_id)
        return state(is_judged=len(seen) > looks)

    assert asyncio.run(judged(look, 7, within_s=20.0)) == state(is_judged=True)
    assert seen == [7] * (looks + 1)


def test_it_does_not_wait_for_ever() -> None:
    """None says that judging is not over: the sender is told to ask again."""

    async def waits(_: int) -> CaptureState:
        return state(is_judged=False)

    async def unknown(_: int) -> None:
        return None

    assert asyncio.run(judged(waits, 7, within_s=0.05)) is None
    assert asyncio.run(judged(unknown, 7, within_s=0.05)) is None


@pytest.mark.parametrize(
    ("outcome", "group", "expected"),
    [
        ("rejected", "rejected", True),
        ("unreadable", "rejected", True),
        ("copy", "rejected", True),
        ("copy", "held", False),
        ("copy", "", False),
        ("held", "held", False),
        ("coded", "", False),
        ("non_patient", "", False),
    ],
)
def test_what_is_an_error_of_the_sender(outcome: str, group: str, expected: bool) -> None:
    """A strip sent once more in another message is as rejected as its first record, while that still stands."""
    strip = StripState(index=0, outcome=outcome, result_id="", rule="", group=group, place_start=None)
    assert is_turned_down(strip) is expected
