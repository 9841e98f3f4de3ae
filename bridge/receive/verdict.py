"""What a sender that asks to be judged is told: what judging, perhaps in another process, made of its capture."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from bridge.lifecycle.states import StopGroup
from bridge.store.rows import CaptureState, StripState

FIRST_LOOK_S, LONGEST_LOOK_S = 0.01, 0.25  # ours: judging takes milliseconds; a sender of its own waits, nobody else


async def judged(
    look: Callable[[int], Awaitable[CaptureState | None]], capture_id: int, *, within_s: float
) -> CaptureState | None:
    """Wait until nothing of the capture waits to be judged; None if that takes longer than ``within_s``.

    It looks rather than listens: another process may be the one that judges. Raises what ``look`` raises.
    """
    pause_s = FIRST_LOOK_S
    try:
        async with asyncio.timeout(within_s):
            while (state := await look(capture_id)) is None or not state.is_judged:
                await asyncio.sleep(pause_s)
                pause_s = min(2 * pause_s, LONGEST_LOOK_S)
    except TimeoutError:
        return None
    return state


def is_turned_down(strip: StripState) -> bool:
    """Say whether a strip was rejected, itself or as a copy of one that still is; a held one waits for a person and is no error."""
    return strip.outcome in {"rejected", "unreadable"} or (strip.outcome == "copy" and strip.group == StopGroup.REJECTED)
