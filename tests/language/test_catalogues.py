"""The catalogues are whole: nothing untranslated, nothing left over, every place and count in its text, and nothing that could break a page."""

from __future__ import annotations

import re

import pytest
from babel.messages.catalog import Message

from bridge.pages.language import LOCALES, SHIPPED, address_of, language
from tests.language.catalogues import read, text_of, updated
from tests.language.texts import collect

TAGS = sorted(path.name for path in LOCALES.iterdir())
PLACE = re.compile(r"\{\w*\}")
SIGN = re.compile(r"[<>]|&(?!#?\w+;)")
FIGURE = re.compile(r"\d+")


def pairs(message: Message) -> list[tuple[str, str]]:
    """Give each English text of an entry with what stands for it."""
    if isinstance(message.id, str):
        return [(message.id, str(message.string))]
    said = message.string if isinstance(message.string, tuple) else ()
    return [(message.id[min(place, 1)], text) for place, text in enumerate(said)]


def test_every_language_that_is_offered_has_a_catalogue() -> None:
    """English stands in the code."""
    assert tuple(TAGS) == tuple(tag for tag in SHIPPED if tag != "en")


@pytest.mark.parametrize("tag", TAGS)
def test_a_catalogue_holds_what_the_pages_say_and_nothing_else(tag: str) -> None:
    """`python -m tests.language` writes it again; a text that is new stands untranslated there until somebody says it."""
    kept = read(address_of(tag))
    assert text_of(updated(kept, collect())) == address_of(tag).read_text(encoding="utf-8")


@pytest.mark.parametrize("tag", TAGS)
def test_nothing_is_untranslated_or_in_doubt(tag: str) -> None:
    """A caution that stands in English on a Spanish page may not be read."""
    open_ones = [
        each.id for each in read(address_of(tag)) if each.id and (each.fuzzy or not all(text for _, text in pairs(each)))
    ]
    assert open_ones == []


@pytest.mark.parametrize("tag", TAGS)
def test_places_and_figures_are_those_of_the_english_text(tag: str) -> None:
    """A place that is lost would hide a lot, a level or a patient's strip; a figure that is lost would change a rule."""
    kept = [pair for each in read(address_of(tag)) if each.id for pair in pairs(each)]
    assert [(en, said) for en, said in kept if sorted(PLACE.findall(en)) != sorted(PLACE.findall(said))] == []
    assert [(en, said) for en, said in kept if sorted(FIGURE.findall(en)) != sorted(FIGURE.findall(said))] == []


@pytest.mark.parametrize("tag", TAGS)
def test_a_text_brings_no_markup_and_keeps_its_edges(tag: str) -> None:
    """A text stands in HTML as it is, also inside an attribute; blanks and signs at its edges join it to what stands beside it."""
    kept = [pair for each in read(address_of(tag)) if each.id for pair in pairs(each)]
    assert [said for en, said in kept if SIGN.search(said) or ('"' in said and '"' not in en)] == []
    assert [
        said
        for en, said in kept
        if (en[0] == " ", en[-1] == " ") != (said[0] == " ", said[-1] == " ") and not said.startswith(" :")
    ] == []
    assert [(en, said) for en, said in kept if en[-1] in ".?!:" and en[-1] != said[-1]] == []


def test_spanish_and_french_say_the_same_words() -> None:
    """One of each sort."""
    assert language("es").text("Rejected messages") == "Mensajes rechazados"
    assert language("fr").text("Rejected messages") == "Messages rejetés"
    assert language("fr").texts.ngettext("strip", "strips", 0) == "bandelette"
    assert language("es").texts.ngettext("strip", "strips", 0) == "tiras"


# Put together of English words, or of a file's own: half in one language and half in another would be read worse than whole in English
STAY_ENGLISH = {
    "Choose a role: {it}.",
    "Compare with the list in docs/rejections.md.",
    "Not everything of this day is settled: {left}. Settle it first, or write in a remark why it stays so.",
    "Not everything of this month is settled: {left}. Settle it first, or write in a remark why it stays so.",
    "The message {what}; here {expected} is expected.",
    "The numbers {first} to {last} were read and never arrived. Likely changed at the analyzer for a time: {OUTPUT}.",
    "The two entries of the {what} differ. Scan or key it twice again.",
    "This identifier is registered for {purpose} ({scheme}), and is no patient's. Scan the patient's label; if it is right, have the registration ended first.",
    "This is {said}, and no patient's ID. Scan the patient's label.",
    "Write bulk: false.",
    "Write persons: 1.",
    "{actor} has written down meanwhile: {step}. Look at it again.",
    "{listed}: the same text is another step in {systems}, and no value of this strip shows that the analyzer still prints {_SYSTEM_NAMES}.",
    "{name}: {said} declared for this analyzer, so no value of this strip can be trusted.",
    "{name}: “{value}” is a value in {other}; this analyzer is set up for {_SYSTEM_NAMES}.",
    "{pad} {text}: the analyzer {said}.",
    "{pad}: {said} do not decide it, so none is sent.",
}
# Comments of a report: receivers get them as they are, and a page shows what receivers get
OF_THE_REPORT = {
    "Birth date and sex as printed were another patient's and are left out; no flag of this result rests on them.",
    "Corrected by {by} on {at}: {said}.",
    "First reported under another patient's number; corrected by {by} on {at}.",
    "Withdrawn by {by} on {at}: {why}.",
}


@pytest.mark.parametrize("tag", TAGS)
def test_what_checks_and_the_desk_say_is_in_the_catalogue(tag: str) -> None:
    """Every whole sentence of theirs, but for those that would be half in one language."""
    known = {english for message in read(address_of(tag)) for english, _ in pairs(message)}
    assert collect().elsewhere - known == STAY_ENGLISH | OF_THE_REPORT
