"""Watches the certificates of the ways in while they are in use: what spoils is told, and the last one that was good serves on."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

import structlog

from bridge.credentials.destination import warnings
from bridge.credentials.tls import server_context
from bridge.errors import SettingsError
from bridge.settings import SourceShape, Tls
from bridge.ways_out_watch import LOOK_S

log = structlog.get_logger()


class CertificateWatch:
    """Looks at the TLS files of each source. ``notes`` gives by source what to look at; nothing is stopped by it."""

    def __init__(self, sources: Sequence[SourceShape], *, now: Callable[[], datetime]) -> None:
        self._sources = [source for source in sources if getattr(source, "tls", None) is not None]
        self._now = now
        self.notes: dict[str, tuple[str, ...]] = {}

    async def run(self) -> None:
        """Look until cancelled."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_S)

    async def look(self) -> None:
        """Look once."""
        for source in self._sources:
            notes = await asyncio.to_thread(self._found, source)
            for note in set(notes) - set(self.notes.get(source.name, ())):
                log.warning("source.note", source=source.name, note=note)
            self.notes[source.name] = notes

    def _found(self, source: SourceShape) -> tuple[str, ...]:
        return tuple(self._words(source))

    def _words(self, source: SourceShape) -> Iterator[str]:
        tls: Tls | None = getattr(source, "tls", None)
        assert tls is not None  # the others were left out
        try:
            server_context(tls)
        except SettingsError as error:
            yield f"its certificate files cannot be used any more, so new connections get the last ones that could: {error}"
        yield from warnings(source, now=self._now())
