"""``padpost serve``: the bridge until it is told to stop."""

from __future__ import annotations

import asyncio
import signal
from pathlib import Path

from bridge import settings
from bridge.app import assemble, run_until
from bridge.errors import SettingsError
from bridge.logs import configure_logging


def serve(config_path: Path) -> int:
    """Serve ``config_path`` until SIGTERM or SIGINT; give 0.

    Raises SettingsError or TableError with file and line, or StoreError, before it starts.
    """
    config = settings.read_settings(config_path)
    configure_logging(config.log)
    try:
        return asyncio.run(_serve(config))
    except SettingsError as error:
        raise settings.placed(error, config_path) from error


async def _serve(config: settings.Settings) -> int:
    bridge = await assemble(config)
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    try:
        await run_until(bridge, stop)
    finally:
        await bridge.close()
    return 0
