"""The event loop that the service runs on: uvloop, which is asyncio's in libuv (docs/performance.md says what it saves)."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")

if sys.platform == "win32":  # uvloop is not made for it
    new_event_loop = asyncio.new_event_loop
else:
    from uvloop import new_event_loop


def run(main: Coroutine[Any, Any, T]) -> T:
    """Run ``main`` in an event loop of its own, and give what it gives; raises what it raises."""
    with asyncio.Runner(loop_factory=new_event_loop) as runner:
        return runner.run(main)
