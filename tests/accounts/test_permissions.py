"""Roles by rights. tests/pages/test_doorkeeper.py asks the application itself, every route by every role."""

from __future__ import annotations

import pytest

from bridge.accounts.people import PEOPLE, Role
from bridge.accounts.permissions import _BY_RIGHT, NEEDS, Right, may, roles_of


def test_each_role_may_what_the_one_before_it_may() -> None:
    """Viewer, technician, supervisor, administrator: each has one right more."""
    had: set[Right] = set()
    for role in PEOPLE:
        rights = {right for right in Right if may(role, right)}
        assert rights > had
        had = rights
    assert had == set(Right)
    assert roles_of(Right.SUPERVISE) == (Role.SUPERVISOR, Role.ADMINISTRATOR)


@pytest.mark.parametrize(("acts", "rights"), [(False, {Right.OPEN, Right.LOOK}), (True, {Right.OPEN, Right.LOOK, Right.ACT})])
def test_a_machine_reads_and_acts_only_with_a_key_for_it(acts: bool, rights: set[Right]) -> None:
    """It signs nothing, keeps no account and has no password of its own."""
    assert {right for right in Right if may(Role.MACHINE, right, acts=acts)} == rights
    assert not may(Role.VIEWER, Right.ACT, acts=True)


def test_a_route_stands_in_one_row() -> None:
    """Two rows for one would make it a question of order."""
    rows = [row.split() for rows in _BY_RIGHT.values() for row in rows.strip().splitlines()]
    assert len(rows) == len(NEEDS)
    assert all(method in {"GET", "POST"} and path.startswith("/") for method, path in rows)
