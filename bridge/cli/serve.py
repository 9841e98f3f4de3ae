"""``padpost serve``: the bridge until it is told to stop."""

from __future__ import annotations

import asyncio
import signal
from contextlib import suppress
from pathlib import Path

import structlog
import uvicorn

from bridge import settings
from bridge.app import Padpost, assemble, configure_logging

log = structlog.get_logger()


class _PagesServer(uvicorn.Server):
    """uvicorn without its own signal handlers: the command owns the signals."""

    def install_signal_handlers(self) -> None:
        """Leave the signals alone."""


def serve(config_path: Path) -> int:
    """Serve ``config_path`` until SIGTERM or SIGINT. Raises SettingsError, TableError or StoreError before it starts."""
    config = settings.read_settings(config_path)
    configure_logging(config.log)
    return asyncio.run(_serve(config))


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


async def run_until(bridge: Padpost, stop: asyncio.Event) -> None:
    """Run the service and its pages until ``stop`` is set."""
    pages = bridge.config.pages
    server = _PagesServer(
        uvicorn.Config(bridge.pages, host=pages.host, port=pages.port, log_config=None, access_log=False, server_header=False)
    )
    running = asyncio.create_task(bridge.service.run())
    serving = asyncio.create_task(server.serve())
    stopping = asyncio.create_task(stop.wait())
    log.info("service.started", pages=f"http://{pages.host}:{pages.port}")
    await asyncio.wait({running, serving, stopping}, return_when=asyncio.FIRST_COMPLETED)
    server.should_exit = True
    running.cancel()
    stopping.cancel()
    for task in (running, stopping, serving):
        with suppress(asyncio.CancelledError):
            await task
    log.info("service.stopped")
