"""Each cause in a line, with a link to what waits for it."""

from __future__ import annotations

import pytest

from bridge.desk.waits import Awaits, Pile
from bridge.model import Answer, Format
from bridge.pages.pile_words import pile_words
from bridge.pages.words import Mark, reason
from bridge.store.today_commands import PauseDestination
from tests.pages.stocked import OTHER, Stocked, Visitor
from tests.store.stop_contract import assign
from tests.store.strips import BO


@pytest.mark.parametrize(
    ("awaits", "rule", "of", "mark", "words", "href"),
    [
        (Awaits.DECISION, "copy.possible", "", Mark.DECIDE, "waiting for your decision: same patient and values, other number", "/rejected?group=held&rule=copy.possible"),
        (Awaits.REMEDY, "patient.malformed", "", Mark.CANNOT, "cannot be sent: patient ID is not built as IDs are", "/rejected?group=rejected&rule=patient.malformed"),
        (Awaits.RECEIVER_SAID_NO, "deliver.refused", "records", Mark.TURNED, "records: turned away", "/rejected?group=refused&rule=deliver.refused&receiver=records"),
        (Awaits.CONTROLS, "", "bench-a", Mark.WAIT, "waiting for controls of bench-a", "/controls"),
        (Awaits.CLOSED, "", "records", Mark.WAIT, "waiting for records, which takes nothing now", "/receivers#receiver-records"),
        (Awaits.PAUSED, "", "records", Mark.WAIT, "waiting for records, which is paused", "/receivers#receiver-records"),
        (Awaits.TURN, "", "records", Mark.WAIT, "on the way to records", "/receivers#receiver-records"),
    ],
)  # fmt: skip
def test_each_cause_has_its_line(awaits: Awaits, rule: str, of: str, mark: Mark, words: str, href: str) -> None:
    """Its sign, its words, its place."""
    line = pile_words(Pile(awaits=awaits, rule=rule, of=of, count=1, oldest=None))
    assert (line.mark, line.words, line.href) == (mark, words, href)


def test_today_says_what_waits_for_what(shelf: Stocked, visitor: Visitor) -> None:
    """Each link leads to as many rows as its line counts; a pause says so."""
    shelf.held(number="1")
    two = shelf.held(OTHER, number="2")
    assign(shelf.store, two, "Ana")
    shelf.rejected(number="3")
    shelf.refused(number="4", text="No")
    shelf.coded(number="5", to=(Format.ORU_R01,))
    page = visitor.page("/")
    lines = page.links("/rejected?group=")
    assert [len(visitor.page(each).links("/rejected/")) for each in lines] == [2, 1, 1]
    assert f"2 waiting for your decision: {reason('time.missing')} the oldest since" in page.text
    assert "1 taken by nobody yet" in page.text
    assert "1 on the way to records since" in page.text
    shelf.store.submit(PauseDestination(destination="records", reason="update", actor=BO, at=shelf.now)).result(10)
    assert "1 waiting for records, which is paused" in visitor.page("/").text


def test_today_says_nothing_where_nothing_waits(shelf: Stocked, visitor: Visitor) -> None:
    """No empty table."""
    result = shelf.coded(number="1", to=(Format.ORU_R01,))
    shelf.answered(result, Answer.ACCEPTED)
    assert "What waits, and for what" not in visitor.page("/").text


def test_each_analyzer_says_what_is_missing_and_whether_its_log_is_done(shelf: Stocked, visitor: Visitor) -> None:
    """With a link to Numbers and to the day log."""
    shelf.coded(number="1")
    shelf.coded(number="4")
    text = visitor.page("/").text
    assert "Missing numbers Day log" in text
    assert visitor.page("/").links("/day-log")
