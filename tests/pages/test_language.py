"""The language of a request: texts, counts, dates and figures; and that English is untouched."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from datetime import date, datetime
from gettext import NullTranslations
from zoneinfo import ZoneInfo

import pytest
from babel.messages.catalog import Catalog

from bridge.pages.language import (
    ENGLISH,
    Language,
    Sentences,
    Words,
    _,
    compiled,
    decimal,
    language,
    language_of,
    later,
    ngettext,
    several,
    speaking,
    spoken,
    wanted_of,
)
from bridge.pages.words import clock_time, counted, day_words

LISBON = ZoneInfo("Europe/Lisbon")


def spanish() -> Language:
    """Give a small catalogue of our own."""
    kept = Catalog(locale="es")
    kept.add("waiting", "en espera")
    kept.add("Lot {lot}", "Lote {lot}")
    kept.add(("strip", "strips"), ("tira", "tiras", "tiras"))  # CLDR gives Spanish a third form, of round millions
    kept.add("off", "desactivado")
    kept.add("off", "apagado", context="analyzers.html")
    return language_of("es", compiled(kept))


def test_english_is_what_stands_in_the_code() -> None:
    """Nothing is looked up for it."""
    assert spoken() is ENGLISH
    assert _("Lot {lot}", lot="{A}") == "Lot {A}"
    assert ngettext("strip", "strips", 1) == "strip"


def test_a_text_is_given_in_the_language_of_the_request_with_its_values() -> None:
    """A value is put in as it is: braces in a lot's code are no place for another value."""
    with speaking(spanish()):
        assert _("waiting") == "en espera"
        assert _("Lot {lot}", lot="{A}") == "Lote {A}"
        assert counted(1, "strip") == "1 tira"
        assert counted(2000, "strip") == "2\u202f000 tiras"
        assert _("not in it") == "not in it"
        assert _("") == "", "a catalogue's own head stands there (GNU gettext manual, Header Entry)"
    assert _("waiting") == "waiting"


def test_a_word_can_mean_something_else_on_one_page() -> None:
    """A setting and an analyzer are both "off" in English, and not in Spanish."""
    assert spanish().text("off") == "desactivado"
    assert spanish().text("off", page="analyzers.html") == "apagado"
    assert spanish().text("off", page="accounts.html") == "desactivado"


def test_a_table_of_words_is_looked_up_as_it_is_asked() -> None:
    """It is made once, as its module is read, when nobody knows who will ask."""
    table = Words[int]({1: "waiting"})
    with speaking(spanish()):
        assert table[1] == "en espera"
        assert table.get(2, "none") == "none"
        assert list(table.items()) == [(1, "en espera")]
    assert (table[1], list(table), len(table)) == ("waiting", [1], 1)


def test_a_language_is_one_request_s_own() -> None:
    """Two requests at once, in threads with a context each, do not hear each other."""

    def told() -> str:
        with speaking(spanish()):
            return _("waiting")

    with ThreadPoolExecutor(2) as pool:
        assert pool.submit(copy_context().run, told).result() == "en espera"
        assert pool.submit(copy_context().run, _, "waiting").result() == "waiting"


def test_a_month_is_named_in_its_language_so_that_no_date_can_be_misread() -> None:
    """The names are the Unicode CLDR's (es: `nov`; fr: `nov.`), which Babel carries; 24-hour clock, day first."""
    then, now = datetime(2026, 11, 24, 15, 4, tzinfo=LISBON), datetime(2026, 11, 25, 9, 0, tzinfo=LISBON)
    assert clock_time(then, now=now, zone=LISBON) == "24 Nov 15:04"
    with speaking(language_of("fr", NullTranslations())):
        assert clock_time(then, now=now, zone=LISBON) == "24 nov. 15:04"
        assert day_words(date(2026, 11, 25)) == "mercredi, 25 novembre 2026"
        assert decimal("12.5%") == "12,5%"
    assert day_words(date(2026, 11, 25)) == "Wednesday, 25 November 2026"
    assert decimal("12.5%") == "12.5%"


def test_which_way_a_language_runs() -> None:
    """By the Unicode CLDR, as is its own name."""
    assert language_of("ar", NullTranslations()).writing.is_reversed
    assert not ENGLISH.writing.is_reversed
    assert language_of("fr", NullTranslations()).writing.name == "français"


def test_marks_give_back_what_they_are_given() -> None:
    """They only tell the catalogues that it is there."""
    assert later("waiting") == "waiting"
    assert several("strip", "strips") == ("strip", "strips")


@pytest.mark.parametrize(
    ("header", "wanted"),
    [
        ("", ""),
        ("fr", "fr"),
        ("fr-CA, en;q=0.8", "fr"),
        ("de, es;q=0.5, fr;q=0.7", "fr"),
        ("es;q=0, en;q=0.1", "en"),
        ("es;q=broken, fr;q=0.2", "fr"),
        ("*", ""),
    ],
)
def test_what_a_browser_asks_for(header: str, wanted: str) -> None:
    """RFC 9110 section 12.5.4 and 12.4.2: a weight of 0 is not wanted; the first of equal weight is meant first."""
    assert wanted_of(header, ("en", "es", "fr")) == wanted


def test_a_sentence_that_was_kept_in_english_is_known_again_by_its_shape() -> None:
    """What a check said is kept with the strip, in English and with its values; who reads Spanish reads it in Spanish, with the same values."""
    said = language("es").sentences.said
    assert said("The strip has no patient ID.") == "La tira no tiene ID de paciente."
    assert said("Patient ID 40{0}01 fails its check digit.") == "El ID de paciente 40{0}01 no supera su dígito de control."
    assert said("Before it in the same run, 17 to 18 were read and never arrived. Ana {0} confirmed the run.") == (
        "Antes de ella, en la misma tanda, 17 a 18 se leyeron y nunca llegaron. Ana {0} confirmó la tanda."
    )
    assert said("“the strip before ended in an error” is not a date and time of this analyzer.") == (
        "“the strip before ended in an error” no es una fecha y hora de este analizador."
    )
    assert said("Somebody wrote this.") == "Somebody wrote this."
    assert said("") == ""


def test_the_sentence_that_says_most_is_meant() -> None:
    """Where two shapes fit, the one with more of its own words is it."""
    known = Sentences({"Lot {lot} is held.": "A {lot}", "Lot {lot} is held by {name}.": "B {lot} {name}"})
    assert known.said("Lot 1 is held by Ana.") == "B 1 Ana"
    assert known.said("Lot 1 is held.") == "A 1"
