"""The page of a specimen that was run twice, over a real store and a real server."""

from __future__ import annotations

import pytest

from bridge.pages.language import language
from tests.desk.test_run_again import pair
from tests.pages.stocked import Stocked, Visitor

WHO = {"name": "Ana", "reason": "first strip torn"}


def test_both_strips_stand_beside_each_other(shelf: Stocked, visitor: Visitor) -> None:
    """HZ-I04: from the row of the second; the first result's page names the other strips of the specimen."""
    first, stop_id = pair(shelf)
    assert f"/rejected/{stop_id}/specimen" in visitor.page(f"/rejected/{stop_id}").links("/rejected/")
    page = visitor.page(f"/rejected/{stop_id}/specimen")
    assert "specimen U-17" in page.text
    assert "First, reported" in page.text
    assert "Second, held" in page.text
    assert "they are never averaged" in page.text
    assert "Other strips of this specimen: bench-a 18 (held)." in visitor.page(f"/results/{first}").text
    with shelf.serving(languages=(language("en"), language("fr")), language="fr") as visitor:
        assert "bench-a 18 (retenue)." in visitor.page(f"/results/{first}").text


@pytest.mark.parametrize(
    ("action", "more", "says"),
    [
        ("keep", {}, "bench-a 18 (discarded, not reported)"),
        (
            "replace",
            {"version": "1", "colleague": "Rui"},
            "Another strip of the specimen takes its place once the withdrawal is acknowledged.",
        ),
    ],
)
def test_a_person_keeps_or_replaces_the_first(
    shelf: Stocked, visitor: Visitor, action: str, more: dict[str, str], says: str
) -> None:
    """HZ-I04: and comes back to the row, which says who did it; the first result's page says what stands."""
    first, stop_id = pair(shelf)
    answer = visitor.post(f"/rejected/{stop_id}/specimen/{action}", **WHO, **more)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/rejected/{stop_id}")
    assert says in visitor.page(f"/results/{first}").text
    after = visitor.page(f"/rejected/{stop_id}/specimen")
    assert "Dealt with:" in after.text
    assert after.all("form", action=f"/rejected/{stop_id}/specimen/keep") == []


def test_what_is_refused_says_why_and_keeps_what_was_typed(shelf: Stocked, visitor: Visitor) -> None:
    """Nothing is done; no action of another name, no row of another reason, no form without a token."""
    _, stop_id = pair(shelf)
    refused = visitor.post(f"/rejected/{stop_id}/specimen/replace", version="1", **WHO)
    assert (refused.status_code, "A second person looks at it too" in refused.text, 'value="first strip torn"' in refused.text) == (
        409, True, True,
    )  # fmt: skip
    assert visitor.post(f"/rejected/{stop_id}/specimen/average", **WHO).status_code == 422
    assert visitor.post(f"/rejected/{stop_id}/specimen/keep", token="x", **WHO).status_code == 403
    other = shelf.held(number="5")
    assert "of no specimen that was run again" in visitor.page(f"/rejected/{other}/specimen").text
    assert visitor.post(f"/rejected/{other}/specimen/keep", **WHO).status_code == 409
    assert visitor.get("/rejected/999/specimen").status_code == 404
