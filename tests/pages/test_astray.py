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
