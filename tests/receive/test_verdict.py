"""Waiting for judging: it ends with the news, or in time without."""

from __future__ import annotations

import asyncio

import pytest

from bridge.receive.verdict import judged
from bridge.store.rows import CaptureState


def state(*, is_judged: bool) -> CaptureState:
    return CaptureState(source="s", digest="", is_judged=is_judged, strips=())


@pytest.mark.parametrize("looks", [0, 1, 4])
def test_it_looks_until_all_is_judged(looks: int) -> None:
    """Another process may judge: the store tells, whoever wrote it."""
    seen: list[int] = []

    def look(capture_id: int) -> CaptureState:
        seen.append(capture_id)
        return state(is_judged=len(seen) > looks)

    assert asyncio.run(judged(look, 7, within_s=20.0)) == state(is_judged=True)
    assert seen == [7] * (looks + 1)


def test_it_does_not_wait_for_ever() -> None:
    """None says that judging is not over: the sender is told to ask again."""
    assert asyncio.run(judged(lambda _: state(is_judged=False), 7, within_s=0.05)) is None
    assert asyncio.run(judged(lambda _: None, 7, within_s=0.05)) is None
