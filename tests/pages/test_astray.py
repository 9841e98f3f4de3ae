"""Addresses that lead nowhere, and acts that are loaded anew by their address."""

from __future__ import annotations

import pytest

from tests.pages.stocked import Stocked, Visitor


@pytest.mark.parametrize(
    ("path", "above"),
    [
        ("/rejected/1/correct", "/rejected/1"),
        ("/rejected/1/what-if/release", "/rejected/1"),
        ("/analyzers/life", "/analyzers"),
        ("/receivers/records/pause", "/receivers"),
        ("/telling/5", "/telling"),
    ],
)
def test_an_act_that_is_loaded_anew_leads_back_to_its_row(shelf: Stocked, visitor: Visitor, path: str, above: str) -> None:
    """Reloading behind an act is no fault of the person's, and does nothing again."""
    shelf.rejected()
    answer = visitor.get(path)
    assert (answer.status_code, answer.headers["location"]) == (303, above)
    assert shelf.store.events("stop:1")[1:] == ()


def test_what_is_not_there_is_said_in_words(visitor: Visitor) -> None:
    """No word of the protocol stands on a page; what a form sends is still named."""
    answer = visitor.get("/nowhere")
    assert answer.status_code == 404
    assert "Look whether the address is whole. From Today there is a way to every page." in answer.text
    answer = visitor.get("/results?before=x")
    assert answer.status_code == 422
    assert "Its address holds what no address of Padpost holds. Open the page anew." in answer.text


BEYOND = 2**63  # the first number that no database column of rows holds (SQLite "Datatypes In SQLite" 2; PostgreSQL "bigint")


@pytest.mark.parametrize(
    "path",
    ["/rejected/{}", "/rejected/{}/specimen", "/rejected?after={}", "/api/news/rejected?after={}", "/strips/{}", "/results?before={}",
     "/results?kind=copy&before={}", "/telling?before={}", "/to-add/{}", "/audit?strip={}", "/api/news?stop={}", "/api/stops/{}",
     "/api/stops?after={}", "/api/strips/{}", "/api/strips?before={}", "/api/results?before={}"],
)  # fmt: skip
def test_a_number_that_no_row_can_have_is_refused_in_words(still: Visitor, path: str) -> None:
    """Whoever types an address too long is told so: it is no defect of Padpost, and no log entry."""
    for number in (BEYOND, 10**30):
        answer = still.get(path.format(number))
        assert (answer.status_code, "defect" in answer.text) == (422, False)
    assert still.get(path.format(BEYOND - 1)).status_code in {200, 404}


def test_a_day_at_the_end_of_all_days_is_refused_in_words(still: Visitor) -> None:
    """The last day that a date can hold has no end (Python's datetime.MAXYEAR), and no strip arrived on it."""
    answer = still.post("/results", search="", day="9999-12-31", state="")
    assert answer.status_code == 422
    assert "The day is not a date." in answer.text
    assert "No strip here is known as" in still.post("/find", text="9999-12-31 23:59").text
