"""Nominal pads: closed lists of words, each printed text one word, anything else unknown. Wrong files are in test_wrong_files.py."""

from __future__ import annotations

import pytest

from bridge.model import Property
from tests.tables.shipped_tables import catalogue, tables

NOMINAL = {"colour": "5778-6", "clarity": "32167-9"}


def test_two_pads_are_nominal() -> None:
    """Only colour and clarity have words, under the codes of loinc.org's panel page 24357-6, and no pad mixes words with other values."""
    assert {name: pad.codes[0].code for name, pad in catalogue().pads.items() if pad.words} == NOMINAL
    for strip in tables().strip_types.values():
        for pad in strip.pads:
            assert {bool(step.word) for step in pad.ladder} == {pad.pad in NOMINAL}
            assert not any(step.word and (step.grade or step.conventional or step.si) for step in pad.ladder)


def test_every_word_has_a_code_of_its_own() -> None:
    """Local codes of words and of pads share one system, so they share one name space; each word has its source."""
    words = [row for pad in catalogue().pads.values() for row in pad.words.values()]
    codes = [row.code for row in words] + [pad.local.code for pad in catalogue().pads.values()]
    assert len(words) == 12
    assert len(set(codes)) == len(codes)
    assert all(row.source for row in words)


def test_expected_words_are_those_that_laboratories_print() -> None:
    """ladders.csv: colourless, yellow, amber; clear (catalogues of two laboratories). The ladder calls exactly these normal."""
    normal = {
        pad.pad: {step.word for step in pad.ladder if not step.abnormal}
        for pad in tables().strip_types["sorrel-14"].pads
        if pad.pad in NOMINAL
    }
    assert normal == {"colour": {"colourless", "yellow", "amber"}, "clarity": {"clear"}}
    assert {name: catalogue().pads[name].expected.text for name in NOMINAL} == {
        "colour": "Colourless, yellow or amber",
        "clarity": "Clear",
    }
    assert {code.prop for name in NOMINAL for code in tables().catalogue.pads[name].codes} == {Property.TYPE}


@pytest.mark.parametrize(("printed", "word"), [("straw", "yellow"), ("yellow", "yellow"), ("pink", "red"), ("green", "green")])
def test_a_printed_text_is_one_word(printed: str, word: str) -> None:
    """A profile may print several texts for one word, never one text for two."""
    token = tables().profiles["heron"].vocabularies["sorrel-14", "colour"].tokens[printed]
    assert token.step is not None
    assert token.step.word == word


@pytest.mark.parametrize("text", ["Yellow", "yellow ", "dark yellow", "", "blue", "normal", "N", "1+", "gelb"])
def test_another_text_is_unknown(text: str) -> None:
    """Not even another case: what the profile does not declare is unknown and stops the strip; blue is in the catalogue, not on this strip."""
    assert text not in tables().profiles["heron"].vocabularies["sorrel-14", "colour"].tokens
