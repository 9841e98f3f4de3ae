"""Which acts ask for the password again. tests/pages/test_doorkeeper.py sends each of them to the application."""

from __future__ import annotations

import pytest

from bridge.accounts.grave import GRAVE, is_grave
from bridge.accounts.permissions import NEEDS, Right
from bridge.bench.look_back import Verdict


def test_each_is_a_route_that_acts() -> None:
    """A row that no route answers to would guard nothing; one that only looks would be in the way."""
    routes = {f"{method} {path}" for (method, path), right in NEEDS.items() if right not in {Right.OPEN, Right.OWN, Right.LOOK}}
    for row in GRAVE:
        method, path = row.route.split()
        folder = path.rpartition("/")[0]
        assert row.route in routes or f"{method} {folder}/{{action}}" in routes, row.route


@pytest.mark.parametrize(("route", "fields", "grave"), [
    ("POST /rejected/{stop_id}/release", [], True),
    ("POST /rejected/{stop_id}/discard", [], False),
    ("POST /rejected/{stop_id}/what-if/release", [], False),
    ("POST /controls/strips/{strip_id}", [("action", "discard")], False),
    ("POST /controls/strips/{strip_id}", [("action", "release"), ("action", "discard")], True),
    ("POST /controls/look-back/{row_id}", [("verdict", Verdict.STANDS.value)], False),
    ("POST /controls/look-back/{row_id}", [("verdict", Verdict.WITHDRAWN.value)], True),
    ("POST /controls/look-back/{row_id}", [("verdict", Verdict.CORRECTED.value)], True),
    ("GET /accounts", [], False),
    ("", [], False),
])  # fmt: skip
def test_what_goes_to_a_record_or_is_taken_back_asks_and_what_stops_does_not(
    route: str, fields: list[tuple[str, str]], grave: bool
) -> None:
    """HZ-J04: a field that came twice is grave where one of its values is."""
    assert is_grave(route, fields) is grave
