"""What an administrator does with accounts. tests/pages/test_accounts.py has the same by forms over HTTP."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bridge.desk.accounts import AccountDesk, NewKey
from bridge.errors import Overtaken, RefusedAction
from bridge.model import Actor
from bridge.store.sqlite import SqliteStore

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
ADA = Actor(name="Ada Reis", verified="password")


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[AccountDesk]:
    """Give a desk over an empty store, whose random bytes are all the same."""
    store = SqliteStore(tmp_path / "store", now=lambda: NOW)
    yield AccountDesk(store, lambda: NOW, lambda count: b"\x00" * count)
    store.close()


@pytest.mark.parametrize("name", ["", "A", "x" * 61, "a\x07b", " "])
def test_a_name_is_one_that_can_stand_beside_an_act(desk: AccountDesk, name: str) -> None:
    """2 to 60 characters in one line."""
    with pytest.raises(RefusedAction, match="2 to 60 characters"):
        desk.add(name, "viewer", actor=ADA)


def test_nobody_without_a_name_keeps_accounts(desk: AccountDesk) -> None:
    """As everywhere."""
    with pytest.raises(RefusedAction, match="Say who you are"):
        desk.add("Rui Alves", "viewer", actor=Actor(name=" ", verified="password"))


def test_a_code_is_ten_bytes_in_base_32(desk: AccountDesk) -> None:
    """RFC 4648 section 6: ten zero bytes are sixteen A."""
    assert desk.add("Rui Alves", "viewer", actor=ADA) == "AAAA-AAAA-AAAA-AAAA"


def test_a_key_says_what_it_is_and_has_256_random_bits(desk: AccountDesk) -> None:
    """So that one that lies about is known for what it is; a program without a name has none."""
    assert desk.make_key(NewKey(name="ward list", acts=False, days=1), actor=ADA) == f"padpost_{'0' * 64}"
    with pytest.raises(RefusedAction, match="program's name"):
        desk.make_key(NewKey(name="", acts=False, days=1), actor=ADA)
    with pytest.raises(Overtaken, match="ended already"):
        desk.end_key(7, reason="r", actor=ADA)
