"""Who counts as a second person. The contract of lots: gate_contract.py."""

from __future__ import annotations

import pytest

from bridge.store.apply_lot import same_person


@pytest.mark.parametrize(
    ("one", "other", "is_same"),
    [("R. Holm", "r. holm", True), ("R.  Holm ", " R. Holm", True), ("R. Holm", "T. Vance", False), ("Ana", "Anna", False)],
)
def test_names_are_compared_as_people_write_them(one: str, other: str, is_same: bool) -> None:
    """Until accounts exist a second person is a different name, and case or blanks make none."""
    assert same_person(one, other) is is_same
