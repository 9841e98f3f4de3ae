"""A form that is sealed comes back to its person alone, and not for ever (HZ-J04)."""

from __future__ import annotations

from datetime import timedelta

import pytest

from bridge.pages.kept import LASTS, LONGEST, opened, seal
from bridge.pages.once_more import TypedForm
from tests.pages.stocked import NOW

SECRET = b"s" * 32
FORM = TypedForm(
    path="/rejected/1/correct",
    pairs=(("token", "t"), ("first", "4711"), ("reason", "label torn"), ("own_password", "four plain garden words")),
    fault="",
)


def test_a_form_comes_back_without_its_passwords() -> None:
    """And nothing of it can be read meanwhile; two seals of one form are not alike."""
    sealed = [seal(FORM, account_id=3, secret=SECRET, at=NOW) for _ in range(2)]
    assert sealed[0] != sealed[1]
    assert "4711" not in sealed[0]
    assert opened(sealed[0], account_id=3, secret=SECRET, now=NOW) == TypedForm(
        path="/rejected/1/correct", pairs=(("first", "4711"), ("reason", "label torn")), fault=""
    )


@pytest.mark.parametrize(("account_id", "secret", "later", "change"), [
    (4, SECRET, timedelta(0), ""),
    (3, b"t" * 32, timedelta(0), ""),
    (3, SECRET, LASTS, ""),
    (3, SECRET, timedelta(seconds=-1), ""),
    (3, SECRET, timedelta(0), "changed"),
    (3, SECRET, timedelta(0), "empty"),
])  # fmt: skip
def test_it_comes_back_to_nobody_else(account_id: int, secret: bytes, later: timedelta, change: str) -> None:
    """Another account, another start of Padpost, too late, a clock set back, a text that was changed, none."""
    sealed = seal(FORM, account_id=3, secret=SECRET, at=NOW)
    sealed = {"": sealed, "changed": f"{sealed[:20]}{'A' if sealed[20] != 'A' else 'B'}{sealed[21:]}", "empty": "x"}[change]
    assert opened(sealed, account_id=account_id, secret=secret, now=NOW + later) is None


def test_what_is_too_long_for_a_form_is_not_kept() -> None:
    """It could not be sent back with the password."""
    long = TypedForm(path="/try-out", pairs=(("text", "x" * LONGEST),), fault="")
    assert seal(long, account_id=3, secret=SECRET, at=NOW) == ""
