"""The day on paper: what the sheet says, that day's controls, and no other day's."""

from __future__ import annotations

import io
from collections.abc import Iterator

import pytest
from pypdf import PdfReader

from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from tests.bench.judged import Bench, with_policy
from tests.pages.stocked import Stocked, Visitor

DAY = "/days/2026-11-25"


@pytest.fixture
def bench(shelf: Stocked) -> Bench:
    """Give an analyzer with a gate over the shelf's store."""
    return Bench(shelf.store, with_policy())


@pytest.fixture
def visitor(shelf: Stocked, bench: Bench) -> Iterator[Visitor]:
    """Serve the pages with the tables of that site."""
    with shelf.serving(bench=PagesBench(tables=bench.tables, terms=example_terms())) as visitor:
        yield visitor


def test_the_day_with_its_controls(bench: Bench, visitor: Visitor) -> None:
    """The same on the page and in the PDF: strips, controls with what was off, who said what, and who signed."""
    bench.read(bench.control("1"))
    bench.read(bench.control("2", blood=0))
    visitor.post(
        "/controls/gate", action="mend", analyzer="bench-a", strip_type="quill-10", strip_lot="24A01", name="Ana", reason="strips left open", done="new container",
    )  # fmt: skip
    assert (
        visitor.post(DAY, mark=visitor.page(DAY).all("input", name="mark")[0]["value"], name="Ana", remark="jam").status_code
        == 303
    )
    page = visitor.page(f"{DAY}/report").text
    made = PdfReader(io.BytesIO(visitor.get(f"{DAY}/report.pdf").content))
    paper = " ".join(" ".join(each.extract_text() for each in made.pages).split())
    for text in (" ".join(page.split()), paper):
        for words in (
            "level 1, lot B1-0771",
            "failed: blood: not as expected",
            "Ana (unverified)",
            "strips left open; new container",
            "Remark: jam",
        ):
            assert words.replace(" ", "") in text.replace(" ", ""), words


def test_only_its_own_day(bench: Bench, visitor: Visitor) -> None:
    """By arrival, in the site's zone; another day says that no control was read."""
    bench.read(bench.control("1"))
    assert "level 1, lot B1-0771" in visitor.page(f"{DAY}/report").text
    assert "No control was read on this day." in visitor.page("/days/2026-11-24/report").text
    assert "No control was read on this day." in visitor.page("/days/2026-11-26/report").text


def test_a_site_without_a_gate(shelf: Stocked) -> None:
    """Nothing is promised that is not done."""
    with shelf.serving() as visitor:
        assert "This site has no gate: Padpost does not judge its controls." in visitor.page(f"{DAY}/report").text
        assert visitor.get("/days/0001-01-01/report").status_code == 404
        assert visitor.get("/days/9999-12-31/report.pdf").status_code == 404
