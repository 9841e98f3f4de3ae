"""``padpost test-signals``: a test by every way of the site's file. No store is opened, so the service may run or not."""

from __future__ import annotations

import asyncio
import secrets
from functools import partial
from pathlib import Path

from bridge import clock, settings
from bridge.app import signal_ways
from bridge.logs import configure_logging
from bridge.signal_ways import Way, say_test


def try_ways(config_path: Path) -> int:
    """Say a test by each way; print what came of it. Give 0 if every way took it, 1 if one did not, or there is none.

    Raises SettingsError with file and line.
    """
    config = settings.read_settings(config_path)
    configure_logging(config.log)
    ways = signal_ways(config)
    if not ways:
        print("The site's file names no way by which signals are told: see signals, ways.")
        return 1
    found = asyncio.run(_said(ways))
    for name, fault in found:
        print(f"{name}: {fault or 'taken; look whether it arrived'}")
    return int(any(fault for _, fault in found))


async def _said(ways: tuple[Way, ...]) -> tuple[tuple[str, str], ...]:
    try:
        return await say_test(ways, name=partial(secrets.token_hex, 8), now=clock.now)
    finally:
        for way in ways:
            await way.client.close()
