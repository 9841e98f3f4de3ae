"""The choice of a language at the foot of a page."""

from __future__ import annotations

from bridge.pages.interpreter import CHOSEN
from bridge.pages.language import language
from tests.pages.stocked import Stocked

ALL = (language("en"), language("es"), language("fr"))


def test_who_chooses_a_language_has_it_on_every_page_from_then_on(shelf: Stocked) -> None:
    """It works without script: a form, a cookie of its own, and back to the page it was."""
    with shelf.serving(languages=ALL) as visitor:
        assert '<html lang="en">' in visitor.get("/rejected").text
        answer = visitor.post("/language", tag="es", back="/rejected?age=long")
        assert (answer.status_code, answer.headers["location"]) == (303, "/rejected?age=long")
        assert "HttpOnly" in answer.headers["set-cookie"]
        assert "SameSite=strict" in answer.headers["set-cookie"]
        page = visitor.get("/rejected").text
    assert '<html lang="es">' in page
    assert "<h1>Mensajes rechazados" in page
    assert '<option value="es" lang="es" selected>español</option>' in page
    assert "Ningún profesional de este idioma ha revisado todavía esta traducción" in page


def test_a_choice_leads_to_no_other_site_and_to_no_language_that_is_not_there(shelf: Stocked) -> None:
    """A form that somebody made up is answered with Today, and sets nothing."""
    with shelf.serving(languages=ALL) as visitor:
        answer = visitor.post("/language", tag="xx", back="//evil.example/")
        assert (answer.status_code, answer.headers["location"]) == (303, "/")
        assert CHOSEN not in answer.headers.get("set-cookie", "")


def test_a_site_of_one_language_asks_nothing(shelf: Stocked) -> None:
    """A choice of one is none."""
    with shelf.serving() as visitor:
        assert 'action="/language"' not in visitor.get("/").text


def test_what_the_site_set_is_spoken_to_who_has_chosen_nothing(shelf: Stocked) -> None:
    """A bench whose browser asks for nothing reads what its laboratory reads."""
    with shelf.serving(languages=ALL, language="fr") as visitor:
        assert "<h1>Aujourd'hui" in visitor.get("/").text


def test_what_is_sent_and_what_programs_read_is_the_same_in_every_language(shelf: Stocked) -> None:
    """A value, a unit and an identifier are nobody's language, and the API says the same words to every program."""
    shelf.coded(patient_id="4000000042")
    with shelf.serving(languages=ALL) as visitor:
        before = visitor.get("/api/stops").text
        visitor.post("/language", tag="fr", back="/")
        assert visitor.get("/api/stops").text == before
        shown = visitor.get("/results").text
    assert "4000000042" in shown


def test_rows_that_came_or_turned_since_a_page_was_opened_are_in_its_language(shelf: Stocked) -> None:
    """A script puts these pieces among the page's own words."""
    stop = shelf.rejected()
    with shelf.serving(languages=ALL, language="es") as visitor:
        assert "aún sin nadie a cargo" in visitor.get(f"/api/news/rejected/rows?stops={stop}").text
        assert "Nuevo desde que abrió esta página" in visitor.get("/api/news/rejected?after=0").text
