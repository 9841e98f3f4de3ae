"""Whom somebody tells of a critical result: the defaults name nobody, and tell of every strip."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from bridge.settings import Telling, ToTell


def test_a_site_that_says_nothing() -> None:
    """Half an hour, no list, no repeats: the laboratory's own procedure says the rest."""
    assert (Telling().overdue_minutes, Telling().people, Telling().repeat_hours) == (30, (), 0)


@pytest.mark.parametrize(
    "wrong", [{"overdue_minutes": 0}, {"repeat_hours": 169}, {"people": ({"name": "Ward 3"},)}, {"people": ({"role": "nurse"},)}]
)
def test_what_cannot_stand(wrong: dict[str, object]) -> None:
    """Somebody on the list has a name and is something; a time is one."""
    with pytest.raises(ValidationError):
        Telling(**wrong)


def test_somebody_on_the_list() -> None:
    """How they are reached may be left out."""
    (one,) = Telling(people=(ToTell(name="Ward 3", role="nurse in charge"),)).people
    assert (one.name, one.role, one.contact) == ("Ward 3", "nurse in charge", "")
