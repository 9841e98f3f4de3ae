"""Whose accounts open anything (HZ-J01)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.accounts.envelope import ACCOUNT as EMERGENCY
from bridge.accounts.people import Account, Role
from bridge.accounts.taken import Taken

HOSPITAL, FORMER = "https://login.hospital.example", "https://login.former.example"
ANA = Account(account_id=1, name="Ana Lima", role=Role.TECHNICIAN)


@pytest.mark.parametrize(
    ("taken", "opens"),
    [
        (Taken(), {""}),
        (Taken(issuer=HOSPITAL), {"", HOSPITAL}),
        (Taken(passwords=False, issuer=HOSPITAL), {HOSPITAL}),
    ],
)
def test_an_account_is_taken_by_whose_it_is(taken: Taken, opens: set[str]) -> None:
    """Nobody comes in by a directory that the site has left, nor by a password where it takes none; an envelope opens always."""
    assert {of for of in ("", HOSPITAL, FORMER) if taken.takes(replace(ANA, issuer=of))} == opens
    assert taken.takes(EMERGENCY)
    assert set(taken.issuers) == opens


def test_only_who_comes_in_administers() -> None:
    """An administrator who is off, or of a directory that the site has left, is none; nobody administers by an envelope."""
    eda = replace(ANA, role=Role.ADMINISTRATOR)
    taken = Taken(issuer=HOSPITAL)
    assert [taken.administers(each) for each in (eda, replace(eda, issuer=HOSPITAL))] == [True, True]
    others = (ANA, EMERGENCY, replace(eda, is_on=False), replace(eda, issuer=FORMER))
    assert [taken.administers(each) for each in others] == [False] * 4
