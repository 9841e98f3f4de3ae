"""Reads for the loops: at once where the store is in this machine, beside the event loop where a network lies between."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from functools import partial
from typing import ParamSpec, Protocol, TypeVar

_Asked = ParamSpec("_Asked")
_Told = TypeVar("_Told")


class Asked(Protocol):
    """A store, as far as its distance matters."""

    @property
    def is_shared(self) -> bool:
        """Say whether reads cross a network."""


async def ask(store: Asked, read: Callable[_Asked, _Told], /, *args: _Asked.args, **kwargs: _Asked.kwargs) -> _Told:
    """Give what ``read``, a method of ``store``, gives; a network that is cut holds up who asks, and nobody else."""
    if store.is_shared:
        return await asyncio.to_thread(partial(read, *args, **kwargs))
    return read(*args, **kwargs)
