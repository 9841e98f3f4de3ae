"""What may be added, in words."""

from __future__ import annotations

from bridge.added import NAMES, Addable, listed
from tests.tables.shipped_tables import catalogue


def test_things_are_listed_as_a_sentence_has_them() -> None:
    """One alone, two, three."""
    assert listed((Addable.CLARITY,)) == "clarity"
    assert listed((Addable.COLOUR, Addable.CLARITY)) == "colour and clarity"
    assert listed(tuple(Addable)) == "colour, clarity and specimen type"


def test_each_has_its_words_and_two_are_pads() -> None:
    """The keys of the catalogue, so that what is added is coded as what an analyzer sends."""
    assert set(NAMES) == set(Addable)
    pads = catalogue().pads
    assert [what.value for what in Addable if what.value in pads] == ["colour", "clarity"]
