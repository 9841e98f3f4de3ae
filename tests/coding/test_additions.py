"""What was added, coded, and taken off again."""

from __future__ import annotations

from dataclasses import replace

from bridge.added import Addable
from bridge.coding import every_addition, with_additions, without_additions
from bridge.model import CodedWord, Flag, ReadBy
from tests.render.results_for_tests import normal_result
from tests.tables.additions_for_tests import CATHETER, HAZY, YELLOW, asking
from tests.tables.shipped_tables import tables


def test_what_was_added_stands_behind_the_pads_with_its_codes() -> None:
    """5778-6 and 32167-9 (LOINC, loinc_pads.csv), seen by a person; URT of HL7 table 0487. No pad of the strip changes."""
    before = normal_result()
    after = with_additions(before, (YELLOW, HAZY, CATHETER), asking())
    assert after.pads[: len(before.pads)] == before.pads
    colour, clarity = after.pads[len(before.pads) :]
    assert [pad.forms[0].code.code for pad in (colour, clarity)] == ["5778-6", "32167-9"]
    assert [(pad.flag, pad.read_by) for pad in (colour, clarity)] == [(Flag.NORMAL, ReadBy.EYE), (Flag.ABNORMAL, ReadBy.EYE)]
    value = clarity.forms[0].value
    assert isinstance(value, CodedWord)
    assert (value.word, value.code.code, clarity.printed) == ("hazy", "PP-CLA-1", "Hazy")
    assert after.specimen_type is not None
    assert (after.specimen_type.code, after.specimen_type.system) == ("URT", "HL70487")
    assert without_additions(after) == before
    assert without_additions(before) is before


def test_nothing_is_added_twice_or_over_what_the_strip_has() -> None:
    """The first word stands; what the analyzer printed itself stands; a word that the table lost is left out."""
    before = normal_result()
    once = with_additions(before, (YELLOW,), asking())
    assert with_additions(once, (replace(YELLOW, word="red"),), asking()) == once
    own = replace(before, pads=(*before.pads, once.pads[-1]))
    assert with_additions(own, (replace(YELLOW, word="red"),), asking()) == own
    assert with_additions(before, (replace(YELLOW, word="mauve"),), asking()) == before


def test_what_was_left_out_is_kept_as_an_answer_and_adds_nothing() -> None:
    """So that nobody is asked again."""
    before = normal_result()
    after = with_additions(before, (replace(YELLOW, word=""), replace(CATHETER, word="")), asking())
    assert (after.pads, after.specimen_type, len(after.additions)) == (before.pads, None, 2)


def test_every_word_of_the_site_is_known_to_the_plans_and_none_where_nobody_asks() -> None:
    """A message is checked with each of them before the first goes."""
    found = dict(every_addition(asking()))
    assert {what: len(pads) for what, pads in found.items()} == {Addable.COLOUR: 8, Addable.CLARITY: 4}
    assert dict(every_addition(tables())) == {}
