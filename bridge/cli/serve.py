"""``padpost serve``: the bridge until it is told to stop."""

from __future__ import annotations

import asyncio
import gc
import signal
from collections.abc import Sequence
from pathlib import Path

from bridge import event_loop, settings
from bridge.app import assemble, run_until
from bridge.errors import SettingsError
from bridge.letting_in import first_words
from bridge.lifecycle.sharing import EVERY_ROLE, Role
from bridge.logs import configure_logging


def serve(config_path: Path, only: Sequence[Role] = ()) -> int:
    """Serve ``config_path`` until SIGTERM or SIGINT, with the roles ``only`` (none named: all); give 0.

    Raises SettingsError or TableError with file and line, or StoreError, before it starts.
    """
    config = settings.read_settings(config_path)
    configure_logging(config.log)
    try:
        return event_loop.run(_serve(config, frozenset(only) or EVERY_ROLE))
    except SettingsError as error:
        raise settings.placed(error, config_path) from error


async def _serve(config: settings.Settings, roles: frozenset[Role]) -> int:
    bridge = await assemble(config, roles)
    _look_less_often_for_cycles()
    words = await first_words(bridge.door) if Role.WEB in roles else ""
    if words:
        print(words, flush=True)  # no line of the log: logs are read by more people, and for longer
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    try:
        await run_until(bridge, stop)
    finally:
        await bridge.close()
    return 0


def _look_less_often_for_cycles() -> None:
    """Look for lost cycles again: with what stands at start set aside for good, and after 50,000 new objects instead of 700.

    It is set aside unlooked at: of 230,000 objects 650 were garbage, and finding them took a sixth of the start.
    ours: a strip makes some thousand objects and hardly a cycle; looking at them all the time cost a seventh of the service's time.
    """
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)
    gc.enable()
