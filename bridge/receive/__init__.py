"""The ways in: a folder, a serial line, TCP, MLLP, HTTP. Each ends in a Capture that is kept before its sender is told."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Protocol

from bridge.model import Capture
from bridge.store.commands import NoteRefusedFile

Now = Callable[[], datetime]  # the present moment, aware, UTC


class Keep(Protocol):
    """Keeps a capture. Returns its id once it is durable; raises StoreError if it cannot be kept now.

    ``origin`` names a file or a message: a capture that was kept under it before is not kept twice; its id is given.
    ``more`` came behind it over the same line: all are kept, in order, or none.
    """

    async def __call__(self, capture: Capture, *more: Capture, origin: str = "") -> int:
        """Keep ``capture``."""


class NoteRefused(Protocol):
    """Notes a file that was not captured. Returns its stop id once that is durable; raises StoreError if it cannot."""

    async def __call__(self, refused: NoteRefusedFile) -> int:
        """Note ``refused``."""
