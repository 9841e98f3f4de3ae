"""The page Numbers and the day sheet in the browser's eyes: plain sentences, forms that keep a name, refusals that say why."""

from __future__ import annotations

from dataclasses import replace

from bridge.bench.gaps import Gap
from bridge.pages.numbers import MOST_SHOWN, missing_words, question_words
from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from tests.facts.test_shifts import Row
from tests.pages.stocked import Page, Stocked, Visitor
from tests.tables.shipped_tables import tables

OF = {"analyzer": "bench-a", "mode": "all", "series": "2026-11-25"}
SIGNED = {"name": "Ana", "reason": "paper jam"}


def _gap(first: int, last: int) -> Gap:
    return Gap(analyzer="bench-a", mode="all", series="2026-11-25", first=first, last=last)


def test_gaps_are_said_in_plain_words() -> None:
    """As a technician would say it."""
    assert missing_words(_gap(41, 43)) == "41 to 43 were read and never arrived"
    assert missing_words(_gap(41, 41)) == "41 was read and never arrived"
    assert question_words(_gap(41, 540)) == "The number went from 40 to 541. Was it set by hand?"


def test_a_gap_is_listed_with_the_next_strip(shelf: Stocked, visitor: Visitor) -> None:
    """HZ-D03, HZ-K01: one of sixty that never came is named at once, on Today and on Numbers, with how to send it again."""
    for number in (*range(1, 31), *range(32, 60)):
        shelf.coded(number=str(number))
    for path in ("/", "/numbers"):
        text = visitor.page(path).text
        assert "31 was read and never arrived." in text, path
        assert "Press Memory. Press Send." in text, path
    shelf.coded(number="31")
    assert "No number is missing in the last month." in visitor.page("/numbers").text
    assert "None in the last two days." in visitor.page("/").text


def test_what_is_more_than_a_morning_s_work_waits_its_turn(shelf: Stocked, visitor: Visitor) -> None:
    """A page that lists hundreds of gaps is no use on a bench; the count says that there are more."""
    for number in range(1, 2 * MOST_SHOWN + 6, 2):
        shelf.coded(number=str(number))
    page = visitor.page("/numbers")
    assert page.text.count("was read and never arrived.") == MOST_SHOWN
    assert "And 2 more: they come up here as these are dealt with." in page.text
    visitor.post("/numbers", first="2", last="2", end="typed in from the slip", **OF, **SIGNED)
    assert "And 1 more:" in visitor.page("/numbers").text


def test_numbers_are_accounted_for_by_a_person(shelf: Stocked, visitor: Visitor) -> None:
    """Part of a gap may be; it goes off Today, and stands with name and reason."""
    shelf.coded(number="40"), shelf.coded(number="44")
    typed = {"first": "42", "last": "43", "end": "typed in from the slip", **OF, **SIGNED}
    answer = visitor.post("/numbers", **typed)
    assert (answer.status_code, answer.headers["location"]) == (303, "/numbers")
    text = visitor.page("/numbers").text
    assert "1 to 39 were read and never arrived." in text
    assert "41 was read and never arrived." in text
    assert "42 to 43: typed in from the slip, by Ana (unverified)" in text
    assert "Reason: paper jam" in text
    assert "41 was read and never arrived." in visitor.page("/").text
    refused = visitor.post("/numbers", **typed)
    assert refused.status_code == 409
    assert "was first. Somebody has said of these numbers already what became of them." in Page(refused.text).text
    assert visitor.post("/numbers", **{**typed, "first": "x"}).status_code == 422
    assert visitor.post("/numbers", **{**typed, "token": "old"}).status_code == 403


def test_a_large_jump_is_one_question(shelf: Stocked, visitor: Visitor) -> None:
    """HZ-K05: a jump of 500 is one row with one question; yes closes it, no leaves the numbers on the list of the missing."""
    shelf.coded(number="1"), shelf.coded(number="502")
    for path in ("/", "/numbers"):
        text = visitor.page(path).text
        assert text.count("The number went from 1 to 502. Was it set by hand?") == 1, path
        assert "were read and never arrived" not in text, path
    asked = {"first": "2", "last": "501", **OF, **SIGNED}
    assert visitor.post("/numbers", end="the number was not set by hand", **asked).status_code == 303
    text = visitor.page("/numbers").text
    assert "Was it set by hand?" not in text
    assert "2 to 501 were read and never arrived." in text
    assert "The number was not set by hand, says Ana (unverified): paper jam" in text
    assert visitor.post("/numbers", end="the number was set by hand", **asked).status_code == 303
    assert "2 to 501: the number was set by hand, by Ana (unverified)" in visitor.page("/numbers").text
    assert "were read and never arrived" not in visitor.page("/").text


def test_a_day_with_nothing_in_it_is_not_called_settled(shelf: Stocked, visitor: Visitor) -> None:
    """HZ-D03: an empty day may be one on which nothing came through; who signs it says why. A day to come is not signed at all."""
    shelf.coded(number="1")
    for path in ("/days/2026-11-24", "/days/2026-11-24/report"):
        text = visitor.page(path).text
        assert "Nothing arrived on this day. Padpost does not know whether any strip was read." in text
        assert "settled" not in text
    (mark,) = [each["value"] for each in visitor.page("/days/2026-11-24").all("input", name="mark")]
    refused = visitor.post("/days/2026-11-24", mark=mark, name="Ana")
    assert "Nothing arrived on this day. Write in a remark why it is signed" in Page(refused.text).text
    assert visitor.post("/days/2026-11-24", mark=mark, name="Ana", remark="shut").status_code == 303
    assert "2026-11-24 signed by Ana" in visitor.page("/numbers").text
    to_come = visitor.page("/days/2026-11-26")
    assert "This day is still to come." in to_come.text
    assert [to_come.all("input", name="mark"), "settled" in to_come.text, "is not over" in to_come.text] == [[], False, False]


def test_a_day_is_signed_as_it_was_seen(shelf: Stocked, visitor: Visitor) -> None:
    """The sheet says what is not settled; a remark is asked for then; figures that changed are not signed unseen."""
    shelf.coded(number="1"), shelf.coded(number="3")
    page = visitor.page("/days/2026-11-25")
    assert "Not settled: 1 missing number." in page.text
    assert "2 was read and never arrived." in page.text
    assert "The day is not over: more may come." in page.text
    (mark,) = [each["value"] for each in page.all("input", name="mark")]
    refused = visitor.post("/days/2026-11-25", mark=mark, name="Ana")
    assert refused.status_code == 409
    assert "Not done. Not everything of this day is settled: 1 missing number." in Page(refused.text).text
    shelf.coded(number="4")
    changed = visitor.post("/days/2026-11-25", mark=mark, name="Ana", remark="2 fell")
    assert "The figures have changed since you opened the sheet." in Page(changed.text).text
    (mark,) = [each["value"] for each in visitor.page("/days/2026-11-25").all("input", name="mark")]
    signed = visitor.post("/days/2026-11-25", mark=mark, name="Ana", remark="2 fell")
    assert (signed.status_code, signed.headers["location"]) == (303, "/days/2026-11-25")
    text = visitor.page("/days/2026-11-25").text
    assert "Ana (unverified), 12:00, just now. Remark: 2 fell" in text
    assert "2026-11-25 signed by Ana (unverified)" in visitor.page("/numbers").text
    assert "2026-11-24 no strip arrived" in visitor.page("/numbers").text
    shelf.coded(number="5")
    assert "The figures have changed since it was signed last." in visitor.page("/days/2026-11-25").text


def test_a_day_that_is_no_day_has_no_sheet(visitor: Visitor) -> None:
    """Neither a word nor the edge of the calendar makes the page fall over."""
    assert visitor.client.get("/days/monday").status_code == 422
    for day in ("0001-01-01", "9999-12-31"):
        assert visitor.client.get(f"/days/{day}").status_code == 404, day
        assert visitor.post(f"/days/{day}", name="Ana").status_code == 404, day


def test_a_held_run_is_compared_and_goes(shelf: Stocked) -> None:
    """HZ-A10: Today and Numbers say it; the form asks for the labels of its first and last specimen, and a wrong one lets nothing go."""
    made = replace(tables(), policy=replace(tables().policy, run_pause_minutes=5))
    row = Row(shelf.store, made)
    row.patients(1)
    row.skip()
    row.patients(2)
    with shelf.serving(bench=PagesBench(tables=made, terms=example_terms())) as visitor:
        assert "1 run of strips held : something went missing" in visitor.page("/").text.replace("held:", "held :")
        page = visitor.page("/numbers")
        assert "bench-a : 2 was read and never arrived in the middle of a run." in page.text.replace("bench-a:", "bench-a :")
        assert "2 strips held: 3, 4." in page.text
        (path,) = {each["action"] for each in page.all("form") if "/runs/" in each.get("action", "")}
        (seen,) = [each["value"] for each in page.all("input", name="last_strip")]
        first, last = row.held.strips
        labels = {"first_label": first.patient_id, "last_label": last.patient_id, "last_strip": seen, **SIGNED}
        refused = visitor.post(path, **{**labels, "last_label": first.patient_id})
        assert refused.status_code == 409
        assert "The label of the last specimen is not what strip 4 carries" in Page(refused.text).text
        assert visitor.post(path, **{**labels, "token": "old"}).status_code == 403
        assert visitor.post(path, **labels).status_code == 303
        row.work_off()
        assert row.sent == ["1", "3", "4"]
        assert "Held runs" not in visitor.page("/numbers").text
        assert "held" not in visitor.page("/").text.split("Analyzers")[0].split("Rejected messages")[-1]


def test_a_site_that_holds_no_runs_is_told_so(visitor: Visitor) -> None:
    """What is not done is as plain to see."""
    assert "This site holds no run of strips after a missing number." in visitor.page("/numbers").text
