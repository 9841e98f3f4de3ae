"""On which terms something is released or given up."""

from __future__ import annotations

import pytest

from bridge.desk.terms import agreed, said_of_specimen
from bridge.errors import RefusedAction
from bridge.lifecycle.states import SpecimenNext
from bridge.model import Actor
from bridge.tables.hold_table import ReleasePolicy

ANA = Actor(name="Ana Sund", verified="unverified")
TWO = ReleasePolicy(persons=2)


@pytest.mark.parametrize(
    ("terms", "second", "kept"),
    [(ReleasePolicy(), "", ""), (ReleasePolicy(), " Ben ", "Ben"), (TWO, "Ben", "Ben"), (TWO, "Ana Sundt", "Ana Sundt")],
)
def test_who_agreed_is_kept(terms: ReleasePolicy, second: str, kept: str) -> None:
    """A second name is kept where it is asked for, and where it is given all the same."""
    assert agreed(terms, ANA, second) == kept


@pytest.mark.parametrize("second", ["", "  ", "\t"])
def test_two_persons_are_two_names(second: str) -> None:
    """Where two are asked for, one is not enough."""
    with pytest.raises(RefusedAction, match="This needs two persons here"):
        agreed(TWO, ANA, second)


@pytest.mark.parametrize("second", ["Ana Sund", " ana  SUND "])
@pytest.mark.parametrize("terms", [TWO, ReleasePolicy()])
def test_nobody_is_two_persons(terms: ReleasePolicy, second: str) -> None:
    """Case and blanks make no second person."""
    with pytest.raises(RefusedAction, match="must be another one than you"):
        agreed(terms, ANA, second)


@pytest.mark.parametrize("said", list(SpecimenNext))
def test_the_answer_on_the_specimen_is_one_of_four(said: SpecimenNext) -> None:
    """And nobody is asked where there is no specimen."""
    assert said_of_specimen(said.value, is_asked=True) is said
    assert said_of_specimen(said.value, is_asked=False) is None


@pytest.mark.parametrize("said", ["", "thrown away"])
def test_a_missing_answer_names_the_four(said: str) -> None:
    """So that a program that uses the API learns them from the refusal."""
    with pytest.raises(RefusedAction) as refused:
        said_of_specimen(said, is_asked=True)
    assert str(refused.value) == "Say what becomes of the specimen: run again, collected again, order cancelled, nothing to do."
