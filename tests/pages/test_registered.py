"""Registered identifiers on their page, and the strips of a scheme, to print."""

from __future__ import annotations

from dataclasses import replace

from bridge.model import Purpose
from tests.pages.stocked import Stocked
from tests.store.registered_contract import ROUND, register

FORM = {
    "text": "EQ-26-##",
    "purpose": "proficiency",
    "scheme": "Round 4",
    "since": "2026-11-01",
    "until": "2026-11-30",
    "name": "Ben",
}


def test_registered_signed_and_ended_on_the_page(shelf: Stocked) -> None:
    """Hazard HZ-K07: by two persons, with a reason; what cannot be is told in words."""
    with shelf.serving() as visitor:
        assert "Nothing is registered." in visitor.page("/registered").text
        assert visitor.post("/registered", **{**FORM, "text": "*"}).status_code == 409
        assert visitor.post("/registered", **{**FORM, "until": ""}).status_code == 409
        assert visitor.post("/registered", **{**FORM, "purpose": "pleasure"}).status_code == 422
        assert visitor.post("/registered", **FORM).status_code == 303
        assert "Not yet: sign" in visitor.page("/registered").text
        assert visitor.post("/registered/1/sign", name="ben").status_code == 409
        assert visitor.post("/registered/1/sign", name="Ana").status_code == 303
        assert "Not yet: sign" not in visitor.page("/registered").text
        assert visitor.post("/registered/1/end", name="Ana").status_code == 409
        assert visitor.post("/registered/1/end", name="Ana", reason="round over").status_code == 303
        text = visitor.page("/registered").text
        assert "Nothing is registered." in text
        assert "round over" in text


def test_the_strips_of_a_scheme_are_listed_with_their_values(shelf: Stocked) -> None:
    """Hazard HZ-K07: kept and printable; others, and those of another purpose, are not among them."""
    register(shelf.store, replace(ROUND, text="CTRL-LOW"))
    register(shelf.store, replace(ROUND, text="CTRL-LOW", purpose=Purpose.TRAINING, scheme="Course 1"), signed=False)
    shelf.other(Purpose.PROFICIENCY, number="71")
    shelf.other(Purpose.CONTROL, number="72")
    with shelf.serving() as visitor:
        page = visitor.page("/registered/strips?registration=1")
        assert "bench-a 71" in page.text
        assert "bench-a 72" not in page.text
        assert "Kept here and sent to nobody." in page.text
        assert "Training." not in page.text
        other = visitor.page("/registered/strips?registration=2").text
        assert "No such strip has come." in other
        assert "Training. These strips are no patient's." in other.replace("&#39;", "'")
        assert "nobody has signed it" in other
        assert visitor.get("/registered/strips?registration=9").status_code == 404


def test_training_stands_above_its_strip(shelf: Stocked) -> None:
    """On the page and, since the banner is no form, on print."""
    training, control = shelf.other(Purpose.TRAINING), shelf.other()
    with shelf.serving() as visitor:
        assert "Training. This strip is no patient" in visitor.page(f"/strips/{training}").text
        assert "Training. This strip" not in visitor.page(f"/strips/{control}").text
