"""The form for a lot: the scales on it, what is refused with all that was typed kept, and the second person's signature."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from tests.bench.controls_for_tests import NEGATIVE
from tests.bench.judged import with_policy
from tests.pages.stocked import Page, Stocked, Visitor

NEW = "/controls/lots/new"


@pytest.fixture
def visitor(shelf: Stocked) -> Iterator[Visitor]:
    """Serve the pages of a site with materials and a gate, and no lot in its file."""
    made = with_policy()
    bare = replace(made, controls=replace(made.controls, lots=()))
    with shelf.serving(bench=PagesBench(tables=bare, terms=example_terms())) as visitor:
        yield visitor


def fields(**more: str) -> dict[str, str]:
    """Give the form as a person fills it from the insert of level 1."""
    ends = {f"low:{pad}": low for pad, (low, _) in NEGATIVE.items()} | {
        f"high:{pad}": high for pad, (_, high) in NEGATIVE.items()
    }
    return {
        "strip_type": "quill-10",
        "unit_system": "conventional",
        "material": "birch 1",
        "lot": "B1-0771",
        "labels": "VIAL-B1, VIAL-B1-A",
        "expires": "2027-03-31",
        "name": "R. Holm",
        **ends,
        **more,
    }


def test_the_form_shows_the_scales(visitor: Visitor) -> None:
    """In the units of the insert: whoever types sees what can be typed."""
    assert visitor.page(NEW).all("table") == []  # first the strip type
    page = visitor.page(f"{NEW}?strip_type=quill-10&unit_system=si")
    assert "Glucose" in page.text
    assert "negative · 3.3 · 6.7 · 16.7 · 33.3 · &gt;=66.6" in page.html
    assert [each["value"] for each in page.all("option") if each.get("value", "").startswith("birch")] == ["birch 1", "birch 2"]
    assert len(page.all("datalist")) == 10
    words = visitor.page(f"{NEW}?strip_type=sorrel-14")
    assert [each["name"] for each in words.all("input", type="checkbox") if each.get("name", "").startswith("words:colour")]


def test_a_lot_is_entered_and_signed_by_another(shelf: Stocked, visitor: Visitor) -> None:
    """It stands on its page as typed, beside the steps that pass; the first person cannot sign it."""
    answer = visitor.post(NEW, **fields())
    assert (answer.status_code, answer.headers["location"]) == (303, "/controls/lots/1")
    page = visitor.page("/controls/lots/1")
    assert "Entered R. Holm" in page.text
    assert "Signed nobody: it opens nothing" in page.text
    assert "pH 5.5 to 7.0 5.8, 6.4, 7.0" in page.text
    assert "Other texts on the vial VIAL-B1, VIAL-B1-A" in page.text
    refused = visitor.post("/controls/lots/1/sign", name="r. holm")
    assert (refused.status_code, "You entered this lot yourself" in refused.text) == (409, True)
    assert visitor.post("/controls/lots/1/sign", name="T. Vance").status_code == 303
    assert "R. Holm T. Vance" in visitor.page("/controls").text
    assert [lot.signed_by for lot in shelf.store.control_lots()] == ["T. Vance"]
    assert "Sign it" not in visitor.page("/controls/lots/1").text


def test_a_refusal_keeps_what_was_typed(shelf: Stocked, visitor: Visitor) -> None:
    """Ten pads typed from an insert are not typed twice for one slip of the pen."""
    answer = visitor.post(NEW, **fields(**{"low:glucose": "50", "silent:blood": "yes"}))
    page = Page(answer.text)
    assert answer.status_code == 409
    assert "Not kept. Whether negative of glucose belongs to a range from 50 is not said by numbers." in page.text
    values = {each["name"]: each.get("value") for each in page.all("input") if each.get("name", "").startswith(("low:", "high:"))}
    assert (values["low:glucose"], values["low:ph"], values["high:ph"]) == ("50", "5.5", "7.0")
    assert page.all("input", name="lot")[0]["value"] == "B1-0771"
    assert [each["name"] for each in page.all("input", type="checkbox") if "checked" in each and "name" in each] == [
        "silent:blood"
    ]
    assert shelf.store.control_lots() == ()


def test_a_lot_is_taken_out_of_use(visitor: Visitor) -> None:
    """By name and reason; its page is gone, its runs are not."""
    visitor.post(NEW, **fields())
    assert visitor.post("/controls/lots/1/close", name="T. Vance", reason="").status_code == 409
    assert visitor.post("/controls/lots/1/close", name="T. Vance", reason="typed wrong").status_code == 303
    assert visitor.get("/controls/lots/1").status_code == 404


def test_forms_without_a_token_or_of_no_strip_type_are_turned_away(shelf: Stocked, visitor: Visitor) -> None:
    """As on every page; nothing is kept."""
    assert visitor.post(NEW, **fields(token="x")).status_code == 403
    assert visitor.post(NEW, **fields(strip_type="quill-11")).status_code == 422
    assert visitor.post(NEW, **fields(unit_system="furlongs")).status_code == 422
    for path in ("sign", "close"):
        assert visitor.post(f"/controls/lots/1/{path}", token="x", name="T. Vance", reason="r").status_code == 403
    assert shelf.store.control_lots() == ()
