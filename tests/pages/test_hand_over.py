"""The hand-over list on its page and on Today."""

from __future__ import annotations

from datetime import timedelta

from bridge.lifecycle.states import DestinationState
from bridge.model import Actor
from bridge.store.commands import SetDestination
from bridge.store.today_commands import PauseDestination
from tests.pages.stocked import GOOD, MISTYPED, NOW, Page, Stocked


def test_a_note_is_left_for_the_next_shift_and_closed(shelf: Stocked) -> None:
    """It stands on Today until somebody closes it by name, and a day longer on the page; nothing typed is lost by a refusal."""
    with shelf.serving() as visitor:
        assert "No note is left." in visitor.page("/").text
        assert "Still open" not in visitor.page("/").text
        refused = visitor.post("/hand-over", text="Run <41> again", name="")
        assert refused.status_code == 409
        assert "Run &lt;41&gt; again" in refused.text
        assert visitor.post("/hand-over", text="Run <41> again", name="Ben").status_code == 303
        for page in ("/", "/hand-over", "/?wall=true"):
            text = visitor.page(page).text
            assert "Run <41> again" in text
            assert "Ben, 12:00" in text
        assert visitor.post("/hand-over/1/close", name="").status_code == 409
        assert visitor.post("/hand-over/1/close", name="Ana").status_code == 303
        assert visitor.post("/hand-over/1/close", name="Ana").status_code == 409
        assert "41" not in visitor.page("/?wall=true").text
        assert "closed by Ana" in visitor.page("/hand-over").text
        shelf.now = NOW + timedelta(hours=25)
        assert "closed by Ana" not in visitor.page("/hand-over").text


def test_a_note_with_a_patients_id_is_kept_nowhere(shelf: Stocked) -> None:
    """It would stand on a screen that everybody passes; what was typed comes back, and says what to write instead."""
    with shelf.serving() as visitor:
        for said in (f"Ask for {GOOD} again", f"({MISTYPED})"):
            refused = visitor.post("/hand-over", text=said, name="Ben")
            assert refused.status_code == 409
            assert "This looks like a patient ID" in Page(refused.text).text
        assert shelf.store.hand_over(since=NOW) == ()
        assert visitor.post("/hand-over", text="Run 41 of bench-a again, lot 24A017", name="Ben").status_code == 303


def test_what_is_open_stands_beside_the_notes(shelf: Stocked) -> None:
    """An empty list of notes is no empty bench: what is rejected, missing, paused or shut is said where the shift ends, on both pages."""
    shelf.coded(GOOD, number="1")
    shelf.coded(GOOD, number="4")
    shelf.rejected(number="5")
    shelf.coded(GOOD, number="9000")
    shelf.store.submit(SetDestination(name="chart", state=DestinationState.SHUT, reason="r", at=NOW)).result(10)
    shelf.store.submit(
        PauseDestination(destination="records", actor=Actor(name="Ben", verified="unverified"), reason="update", at=NOW)
    ).result(10)
    with shelf.serving() as visitor:
        for page in ("/", "/hand-over"):
            text = visitor.page(page).text
            assert "No note is left." in text
            assert (
                "Still open besides: 1 rejected message; 2 missing numbers; 1 jump of the numbers to look at; records paused; chart shut."
                in text
            )
