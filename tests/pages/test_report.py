"""A report's page and its PDF: the same words, and on every page of paper whose, of when, and which page it is."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from pypdf import PdfReader

from bridge.pages import pdf
from bridge.pages.report import printed
from tests.pages.stocked import Page, Stocked, Visitor

DAY = "/days/2026-11-25"


def test_the_time_of_printing_has_day_and_zone() -> None:
    """A sheet of paper is read years later, and elsewhere."""
    assert printed(datetime(2026, 7, 1, 23, 30, tzinfo=UTC), ZoneInfo("Europe/Lisbon")) == "2026-07-02 00:30 WEST"


def test_every_page_says_whose_and_when(shelf: Stocked, visitor: Visitor) -> None:
    """Many pages: each with site, day, time of printing and its number, and no row of a table in two pieces."""
    for number in range(1, 400, 3):
        shelf.coded(number=str(number))
    made = visitor.get(f"{DAY}/report.pdf")
    assert (made.status_code, made.headers["content-type"]) == (200, "application/pdf")
    assert made.headers["content-disposition"] == 'attachment; filename="day-2026-11-25.pdf"'
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(made.content)).pages]
    assert len(pages) > 2
    for place, text in enumerate(pages, start=1):
        for words in ("Test Clinic", "2026-11-25", "Printed 2026-11-25 12:00 WET", f"Page {place} of {len(pages)}"):
            assert words in text, (place, words)
    said = [line for text in pages for line in text.split("\n") if "were read and never arrived" in line]
    assert len(said) == 132


def test_without_the_extra_the_page_says_so(shelf: Stocked, visitor: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    """The day's page tells how it is added, the address of a PDF does too, and the page to print is there all the same."""
    shelf.coded()
    assert "PDF is not installed" not in visitor.page(DAY).text
    monkeypatch.setattr(pdf, "find_spec", lambda _: None)
    page = visitor.page(DAY)
    assert "PDF is not installed on this server. Your administrator adds it with the extra pdf" in page.text
    assert f"{DAY}/report.pdf" not in {each.get("href") for each in page.all("a")}
    missing = visitor.get(f"{DAY}/report.pdf")
    assert (missing.status_code, "PDF is not installed" in Page(missing.text).text) == (503, True)
    assert "Test Clinic" in visitor.page(f"{DAY}/report").text
