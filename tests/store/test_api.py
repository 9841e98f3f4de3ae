"""The SQLite store offers exactly what the interface says."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Any

import pytest

from bridge.store.api import Store
from bridge.store.sqlite import SqliteStore


def _plain(function: Callable[..., Any]) -> str:
    return str(inspect.signature(function)).replace("rows.", "")


PROMISED = sorted(name for name in vars(Store) if not name.startswith("_"))


@pytest.mark.parametrize("name", PROMISED)
def test_each_promise_is_kept_with_the_same_parameters(name: str) -> None:
    """Callers only know the interface: names, order and defaults of parameters are the same in the store."""
    promised, kept = inspect.getattr_static(Store, name), inspect.getattr_static(SqliteStore, name)
    if isinstance(promised, property):
        assert isinstance(kept, property)
        return
    assert _plain(promised) == _plain(kept)
    assert kept.__doc__


def test_the_store_offers_nothing_beside_the_interface() -> None:
    """What is not in the interface could not be asked of the next store."""
    offered = {name for name in dir(SqliteStore) if not name.startswith("_")}
    assert offered == set(PROMISED)
