"""The monthly review in the browser's eyes: the list, a month with what is to be written, its signature, and its report."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from pypdf import PdfReader

from bridge.bench.month import month_of
from bridge.pages.language import language
from bridge.pages.months import FOLLOWED_WORDS, address_of, first_of, later_words
from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from tests.bench.judged import MENDED, Bench, with_policy
from tests.bench.test_month import History, facts, review
from tests.pages.stocked import Page, Stocked, Visitor

LIST, ADDRESS = "/controls/months", "/controls/months/2026-11"
OF = {"analyzer": "bench-a", "strip_type": "quill-10"}
QUERY = "?analyzer=bench-a&strip_type=quill-10"
MONTH = f"{ADDRESS}{QUERY}"


@pytest.fixture
def bench(shelf: Stocked) -> Bench:
    """Give an analyzer with a gate over the shelf's store."""
    return Bench(shelf.store, with_policy())


@pytest.fixture
def visitor(shelf: Stocked, bench: Bench) -> Iterator[Visitor]:
    """Serve the pages with the tables of that site, when November is over."""
    shelf.now = datetime(2026, 12, 2, 8, 0, tzinfo=UTC)
    with shelf.serving(bench=PagesBench(tables=bench.tables, terms=example_terms())) as visitor:
        yield visitor


def a_month(bench: Bench) -> None:
    """Read a morning: a set, two patients, a failure and what put it right, a set, one patient."""
    bench.read(bench.control("1")), bench.read(bench.control("2", blood=3))
    bench.read(bench.patient()), bench.read(bench.patient())
    bench.read(bench.control("1", blood=3))
    bench.say(MENDED)
    bench.read(bench.control("1")), bench.read(bench.control("2"))
    bench.read(bench.patient())


def mark(page: Page) -> str:
    """Give the mark of what the form would sign."""
    return page.all("input", name="mark")[0]["value"]


@pytest.mark.parametrize("month", ["2026-13", "2026-1", "2026-W10", "november", "0001-01", "9999-12", ""])
def test_what_is_no_month_is_told_so(visitor: Visitor, month: str) -> None:
    """An address names it as 2026-11; the ends of the calendar have no month around them."""
    with pytest.raises(ValueError, match=r"month|Invalid isoformat|out of range"):
        first_of(month)
    if month:
        assert visitor.get(f"/controls/months/{month}{QUERY}").status_code == 404


def test_an_address_names_the_month(bench: Bench) -> None:
    """Whatever the analyzer is called."""
    policy = bench.tables.controls.policy
    assert policy is not None
    assert (
        address_of(month_of("a & b", "quill-10", date(2026, 11, 1), policy))
        == "/controls/months/2026-11?analyzer=a+%26+b&strip_type=quill-10"
    )
    assert set(FOLLOWED_WORDS) == {"passed", "failed", "does not count", "explain", "mend", "begin_anew"}


def test_the_list_says_who_signed(shelf: Stocked, bench: Bench, visitor: Visitor) -> None:
    """A month in which controls were read, until somebody has signed it; one that is not over asks nobody yet."""
    assert "No control has come in the last year." in visitor.page(LIST).text
    a_month(bench)
    assert "November 2026 bench-a quill-10 nobody yet" in visitor.page(LIST).text
    assert visitor.page(MONTH).text.count("Sign the month") == 1
    answer = visitor.post(f"{ADDRESS}/signature", mark=mark(visitor.page(MONTH)), name="Ana", remark="seen", **OF)
    assert (answer.status_code, answer.headers["location"]) == (303, f"{MONTH}&stands=now")
    assert "November 2026 bench-a quill-10 Ana, 2026-12-02 08:00" in visitor.page(LIST).text
    shelf.now = datetime(2026, 11, 26, 8, 0, tzinfo=UTC)
    assert "The month is not over: more may come." in visitor.page(f"{MONTH}&stands=now").text
    assert 'href="/controls/months"' in visitor.get("/controls").text


def test_a_month_in_words(bench: Bench, visitor: Visitor) -> None:
    """Sets, lots, hours, the failure with the look-back behind it, steps off with interval and n."""
    a_month(bench)
    text = visitor.page(MONTH).text
    for words in (
        "2 due, 2 done , 0 not done; 0 done after patients' strips were read. 0 done besides.",
        "lot 24A01 not entered not entered 3 5",
        "Birch control, two levels 1 B1-0771 2027-03-31 2 1 0",
        "Not as expected: Blood.",
        "what was put right, by A. Sund: strips left open; new container",
        "Results might go again from 2026-11-25",
        "2 of 2 (95 % interval 34% to 100%)",  # Wilson: n/(n + z²), by hand
        "nobody has decided",
        "Not settled: 2 results of look-backs nobody has decided about.",
    ):
        assert words.replace(" ,", ",") in text.replace(" ,", ","), words


def test_what_is_left_of_a_month_and_why_controls_were_due_are_in_the_reader_s_language(shelf: Stocked, bench: Bench) -> None:
    """A cause of ours is kept in English in a gate's history; what a person wrote there stays as it is."""
    bench.read(bench.patient())
    a_month(bench)
    tables = PagesBench(tables=bench.tables, terms=example_terms())
    shelf.now = datetime(2026, 12, 2, 8, 0, tzinfo=UTC)
    with shelf.serving(bench=tables, languages=(language("es"),), language="es") as visitor:
        text, runs = visitor.page(MONTH).text, visitor.page("/controls").text
    assert "Sin resolver: 2 resultados por volver a mirar sobre los que nadie ha decidido." in text
    assert "lote 24A01 empezó un día o turno" in text
    assert "qué se corrigió, por A. Sund: strips left open; new container" in text
    assert "nivel 1, lote B1-0771 pasó" in runs
    assert "He revisado los controles" in text


def test_a_corrective_action_is_written_beside_the_failure(bench: Bench, visitor: Visitor) -> None:
    """By a named person; it stands there from then on."""
    a_month(bench)
    form = {"line_id": visitor.page(MONTH).all("input", name="line_id")[0]["value"], **OF}
    refused = visitor.post(f"{ADDRESS}/actions", text="container closed at once, staff told", **form)
    assert (refused.status_code, "Say who you are" in refused.text) == (409, True)
    assert visitor.post(f"{ADDRESS}/actions", name="Ana", text="staff told <b>", **form).status_code == 303
    assert "Corrective action , Ana (unverified), 2026-12-02 08:00: staff told <b>" in visitor.page(MONTH).text.replace(
        "action,", "action ,"
    )
    assert visitor.post(f"{ADDRESS}/actions", token="old", name="Ana", text="x", **form).status_code == 403
    assert visitor.post(f"{ADDRESS}/actions", name="Ana", text="x", **{**form, "line_id": "x"}).status_code == 422


def test_a_signed_month_stays_and_tells_what_came_later(bench: Bench, visitor: Visitor) -> None:
    """What was signed is shown; what came behind it beside it, and it is signed anew from the month as it stands."""
    a_month(bench)
    seen = mark(visitor.page(MONTH))
    bench.read(bench.control("1"))
    changed = visitor.post(f"{ADDRESS}/signature", mark=seen, name="Ana", remark="r", **OF)
    assert (changed.status_code, "The month has changed since you opened it." in changed.text) == (409, True)
    seen = mark(visitor.page(MONTH))
    unsettled = visitor.post(f"{ADDRESS}/signature", mark=seen, name="Ana", **OF)
    assert (unsettled.status_code, "Not everything of this month is settled" in unsettled.text) == (409, True)
    assert visitor.post(f"{ADDRESS}/signature", mark=seen, name="Ana", remark="r", **OF).status_code == 303
    page = visitor.page(MONTH)
    assert "As it was signed. As it stands now" in page.text
    assert f"Digest of what was signed (SHA-256): {seen}" in page.text
    assert ("After signing" in page.text, page.all("input", name="mark")) == (False, [])
    bench.read(bench.control("2", blood=0))
    page = visitor.page(MONTH)
    assert "3 1 0" in page.text  # level 1 as it was signed
    assert "After signing: 1 control run; 1 failure, or word on one;" in page.text
    assert "A control failed on 2026-11-25" in page.text
    assert "Look at the month as it stands now , then sign it again." in page.text.replace("now,", "now ,")
    again = visitor.page(f"{MONTH}&stands=now")
    assert visitor.post(f"{ADDRESS}/signature", mark=mark(again), name="Bo", remark="one more failed", **OF).status_code == 303
    text = visitor.page(MONTH).text
    assert text.index("Bo (unverified)") < text.index("Ana (unverified)")
    assert "After signing" not in text


def test_figures_that_have_no_word_of_their_own_are_told_too() -> None:
    """A signed month whose sums alone moved is not as it was signed."""
    signed = review(facts(History()))
    assert (later_words(signed, signed), later_words(signed, replace(signed, noted=3))) == ((), ("other figures",))


def test_the_report_on_paper(bench: Bench, visitor: Visitor) -> None:
    """Page and PDF say the same, each page of paper whose and of when it is; nothing of a patient."""
    a_month(bench)
    for path in ("report", "report.pdf"):
        assert visitor.get(f"{ADDRESS}/{path}{QUERY}").status_code == 200
    made = visitor.get(f"{ADDRESS}/report.pdf{QUERY}")
    assert made.headers["content-disposition"] == 'attachment; filename="controls-2026-11.pdf"'
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(made.content)).pages]
    for place, text in enumerate(pages, start=1):
        flat = " ".join(text.split())
        for words in (
            "Test Clinic",
            "bench-a, quill-10",
            "Controls in November 2026",
            "Printed 2026-12-02 08:00 WET",
            f"Page {place} of {len(pages)}",
        ):
            assert words in flat, (place, words)
    paper = "".join("".join(pages).split())
    html = visitor.page(f"{ADDRESS}/report{QUERY}").text
    for words in ("strips left open; new container", "Results might go again from 2026-11-25", "2 due, 2 done", "Blood"):
        assert words.replace(" ", "") in paper, words
        assert words in html, words
    for text in (paper, html):
        assert "407188" not in text  # how every patient ID of this bench begins


def test_what_is_not_there_is_told(shelf: Stocked, bench: Bench, visitor: Visitor) -> None:
    """An unknown strip type, no analyzer, and a site without a gate."""
    assert visitor.get(f"{ADDRESS}?analyzer=bench-a&strip_type=x").status_code == 404
    assert visitor.get(ADDRESS).status_code == 404
    assert "No control was read in this month." in visitor.page(f"/controls/months/2026-10{QUERY}").text
    with shelf.serving() as bare:
        for path in (LIST, MONTH, f"{ADDRESS}/report{QUERY}", f"{ADDRESS}/report.pdf{QUERY}"):
            assert "This site has no gate" in bare.page(path).text
        for path in ("actions", "signature"):
            form = {"mark": "x", "line_id": "1", "name": "Ana", "text": "x", **OF}
            assert "This site has no gate" in Page(bare.post(f"{ADDRESS}/{path}", **form).text).text
