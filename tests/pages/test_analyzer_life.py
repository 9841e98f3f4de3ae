"""Analyzers in and out of service on the page Analyzers and on Today."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

from bridge.pages.site import Bench as PagesBench
from bridge.site import example_terms
from tests.pages.stocked import Stocked
from tests.tables.shipped_tables import tables


def bench(power_on: str = "hold") -> PagesBench:
    """Give the tables of a site that asks for the strip type after power-on."""
    made = tables()
    return PagesBench(tables=replace(made, policy=replace(made.policy, power_on=power_on)), terms=example_terms())


def test_an_analyzer_is_taken_out_and_returns_on_the_page(shelf: Stocked) -> None:
    """Hazard HZ-D13: who said so and why stands there; Today tells it once, and what cannot be is told in words."""
    shelf.coded()
    form = {"analyzer": "bench-a", "name": "Ben"}
    with shelf.serving(bench=bench()) as visitor:
        assert "bench-a In service." in visitor.page("/analyzers").text
        assert visitor.post("/analyzers/life", **form, what="out of service", reason="lamp").status_code == 303
        assert visitor.page("/").text.count("bench-a: out of service (lamp); strips that it reads are held.") == 1
        again = visitor.post("/analyzers/life", **form, what="out of service", reason="lamp")
        assert (again.status_code, "stands otherwise by now" in again.text) == (409, True)
        loan = visitor.post("/analyzers/life", **form, what="another one in its place", text="0008", reason="loan")
        assert loan.status_code == 303
        text = visitor.page("/analyzers").text
        assert "Another one stands in its place. Serial number 0008." in text
        assert "another one in its place 0008. loan by Ben (unverified)" in text
        assert "bench-a: out of service" not in visitor.page("/").text
        assert visitor.post("/analyzers/life", **form, what="returned to service", text="0007").status_code == 303
        text = visitor.page("/analyzers").text
        assert "Serial number 0007." in text
        assert "Another one stands in its place." not in text


def test_what_is_to_be_done_stands_on_today(shelf: Stocked) -> None:
    """A self-test that failed, and a strip type that nobody confirmed, until somebody says otherwise."""
    form = {"analyzer": "bench-b", "name": "Ben"}
    with shelf.serving(bench=bench()) as visitor:
        visitor.post("/analyzers/life", **form, what="self-test failed", reason="E03")
        visitor.post("/analyzers/life", **form, what="switched on")
        told = "bench-b: the last self-test failed; strips that it reads are held; switched on, and nobody has confirmed the strip type."
        assert told in visitor.page("/").text
        visitor.post("/analyzers/life", **form, what="self-test passed")
        assert visitor.post("/analyzers/life", **form, what="strip type confirmed", strip_type="paper").status_code == 409
        visitor.post("/analyzers/life", **form, what="strip type confirmed", strip_type="quill-10")
        assert "bench-b: " not in visitor.page("/").text
        assert "Strip type quill-10 confirmed since it was switched on." in visitor.page("/analyzers").text


def test_what_was_typed_is_kept_when_the_reason_is_missing(shelf: Stocked) -> None:
    """HZ-D13: a self-test that failed and was typed in is not lost for want of a reason: its form stays open and filled, and says what is needed."""
    shelf.coded()
    with shelf.serving(bench=bench()) as visitor:
        form = {"analyzer": "bench-a", "name": "Ben", "what": "self-test failed", "text": "E03", "done": "2026-11-25T09:00"}
        refused = visitor.post("/analyzers/life", **form)
        assert (refused.status_code, "Give a reason: it is kept with what you do." in refused.text) == (409, True)
        (shown,) = re.findall(r'<details class="card" open>.*?</details>', refused.text, re.DOTALL)
        for kept in (
            "<option selected>bench-a<",
            '<option value="self-test failed" selected>',
            'value="E03"',
            'value="2026-11-25T09:00"',
        ):
            assert kept in shown, kept
        assert 'value="Ben"' in shown
        assert (
            "Reason (needed for: self-test failed, out of service, another one in its place)" in visitor.page("/analyzers").text
        )
        declared = {
            "analyzer": "bench-a",
            "name": "Ben",
            "run": "training is run",
            "until": "2026-11-25T14:00",
            "reason": "course",
        }
        refused = visitor.post("/analyzers/declared", **declared)
        (shown,) = re.findall(r'<details class="card" open>.*?</details>', refused.text, re.DOTALL)
        for kept in ('<option value="training is run" selected>', 'value="2026-11-25T14:00"', 'value="course"'):
            assert kept in shown, kept


def test_an_analyzer_that_takes_no_patients_is_so_in_the_table_of_analyzers(shelf: Stocked) -> None:
    """HZ-D13: what was said of it stands over the table of analyzers on Today, not among rejected messages, and its row says that strips are held."""
    shelf.coded(number="12")
    with shelf.serving(bench=bench()) as visitor:
        assert "bench-a in service" in visitor.page("/").text
        visitor.post("/analyzers/life", analyzer="bench-a", name="Ben", what="self-test failed", reason="E03")
        text = visitor.page("/").text
        assert "bench-a strips are held" in text
        assert text.index("Hand-over") < text.index("bench-a: the last self-test failed") < text.index("bench-a strips are held")


def test_a_site_that_does_not_ask_is_not_told(shelf: Stocked) -> None:
    """Switched on, and nothing more."""
    with shelf.serving(bench=bench("nothing")) as visitor:
        visitor.post("/analyzers/life", analyzer="bench-b", name="Ben", what="switched on")
        assert "bench-b: " not in visitor.page("/").text
        assert "switched on by Ben" in visitor.page("/analyzers").text


def test_what_is_declared_is_told_until_it_is_over(shelf: Stocked) -> None:
    """HZ-K07: on Today and on Analyzers while it runs, and for a day where it ended by itself."""
    shelf.coded()
    form = {"analyzer": "bench-a", "name": "Ben", "second_person": "Ana", "reason": "course", "run": "training is run"}
    with shelf.serving(bench=bench()) as visitor:
        assert visitor.post("/analyzers/declared", **form, until="").status_code == 409
        assert visitor.post("/analyzers/declared", **form, until="2026-11-25T14:00").status_code == 303
        runs = "bench-a: runs training until 2026-11-25 14:00: its strips go to no patient's record, and one that bears a patient's ID is held."
        assert runs in visitor.page("/").text
        assert "training is run until" in visitor.page("/analyzers").text
        shelf.now += timedelta(hours=3)
        ended = "bench-a: was declared to run training until 2026-11-25 14:00, which ended by itself; say that patients are run again."
        assert ended in visitor.page("/").text
        assert visitor.post("/analyzers/life", analyzer="bench-a", name="Ben", what="patients again").status_code == 303
        assert "training" not in visitor.page("/").text
        assert "bench-a In service." in visitor.page("/analyzers").text
        assert visitor.post("/analyzers/life", analyzer="bench-a", name="Ben", what="patients again").status_code == 409
