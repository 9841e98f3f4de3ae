"""The containers of strips that people entered, kept in memory for judging: a strip asks no database for its container."""

from __future__ import annotations

from collections.abc import Mapping

from bridge.model import Container, Needs
from bridge.store.api import Store
from bridge.tables.types import Tables

_Key = tuple[str, str]  # analyzer, strip type


class Shelf:
    """Containers by analyzer and strip type, read from the store once and again after ``forget``. May be asked from any thread."""

    def __init__(self, store: Store, tables: Tables) -> None:
        self._store = store
        self._is_asked = tables.containers.policy is not None
        self._known: Mapping[_Key, tuple[Container, ...]] | None = None
        self._forgotten = 0

    def containers(self, needs: Needs) -> tuple[Container, ...] | None:
        """Give the containers that were entered for a strip's analyzer and strip type, in the order of opening; None where nobody asks for them."""
        if not self._is_asked:
            return None
        known = self._known
        if known is None:
            known = self._read()
        return known.get((needs.analyzer, needs.strip_type), ())

    def forget(self) -> None:
        """Read anew with the next strip: somebody entered a container, or took one out of use."""
        self._forgotten += 1
        self._known = None

    def _read(self) -> Mapping[_Key, tuple[Container, ...]]:
        before = self._forgotten
        found: dict[_Key, list[Container]] = {}
        for row in self._store.containers():
            if not row.is_mistake:
                found.setdefault((row.analyzer, row.strip_type), []).append(row.container)
        read = {key: tuple(containers) for key, containers in found.items()}
        if before == self._forgotten:  # what was forgotten while it was read may be older than what made it so
            self._known = read
        return read
