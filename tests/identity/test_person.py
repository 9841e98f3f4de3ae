"""Who is a second person, and who is the first one again."""

from __future__ import annotations

import pytest

from bridge.identity.person import same_person


@pytest.mark.parametrize("other", ["Ana Reyes", " ana  reyes ", "ANA\tREYES", "AnaReyes"])
def test_capitals_and_blanks_make_no_second_person(other: str) -> None:
    """Typed in a hurry it is the same name."""
    assert same_person("Ana Reyes", other)


@pytest.mark.parametrize(
    ("one", "other", "is_same"),
    [("R. Holm", "r. holm", True), ("R.  Holm ", " R. Holm", True), ("R. Holm", "T. Vance", False), ("Ana", "Anna", False)],
)
def test_names_are_compared_as_people_write_them(one: str, other: str, is_same: bool) -> None:
    """Until accounts exist a second person is a different name, and case or blanks make none."""
    assert same_person(one, other) is is_same


def test_another_name_is_another_person() -> None:
    """Until accounts exist that is all that can be told. Capitals by Unicode's case folding: the sharp s."""
    assert not same_person("Ana Reyes", "Rui Reyes")
    assert same_person("Ida Strauß", "IDA STRAUSS")
