"""The page Telling and its line on Today, in the browser's eyes."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from bridge.bench.telling import TellingStep
from bridge.lifecycle.states import StopEnd
from bridge.model import Severity
from bridge.pages.language import language
from bridge.pages.site import Bench as PagesBench
from bridge.pages.telling import CLOSED_SHOWN, to_do
from bridge.site import example_terms
from bridge.tables.telling_terms import TellingTerms, ToTell
from tests.pages.stocked import NOW, Page, Stocked, Visitor, finding
from tests.store import strips as s
from tests.store.telling_contract import ONCE, READ_BACK, say, told
from tests.tables.shipped_tables import tables

TERMS = TellingTerms(
    overdue_minutes=20,
    people=(ToTell(name="Ward 3", role="nurse in charge", contact="ext. 44"), ToTell(name="Dr Ruiz", role="on call")),
)
TABLES = replace(tables(), policy=replace(tables().policy, telling=TERMS))
SITE = {"bench": PagesBench(tables=TABLES, terms=example_terms())}
CALL = {"step": "told and read back", "whom": "N. Ito", "role": "nurse", "means": "by telephone", "name": "Ana"}


def test_why_a_critical_strip_was_not_sent_is_said_in_the_reader_s_language(shelf: Stocked) -> None:
    """HZ-I01: of all that stands on Today this must not be in a language that nobody at the bench reads."""
    why = finding("time.missing", severity=Severity.HOLD, sentence="The strip has no full date and time.", releasable=True)
    shelf.held("40700007", number="12", tell=ONCE, found=(why,))
    with shelf.serving(**SITE, languages=(language("es"),), language="es") as visitor:
        for page in ("/", "/telling"):
            assert "La tira no tiene fecha y hora completas." in visitor.page(page).text


def test_what_is_overdue_stands_first(shelf: Stocked) -> None:
    """HZ-I01: then what is to be told, then what is told; each from the oldest."""
    for _ in range(3):
        shelf.held(tell=ONCE)
    shelf.now = NOW + timedelta(minutes=10)
    shelf.held(tell=ONCE)
    say(shelf.store, shelf.store.tellings_open()[0], READ_BACK)
    found = to_do(shelf.store.tellings_open(), TERMS, now=NOW + timedelta(minutes=25))
    assert [(each.shown.telling_id, each.is_overdue, each.is_open) for each in found] == [
        (2, True, True),
        (3, True, True),
        (4, False, True),
        (1, False, False),
    ]
    assert [each.turn.name if each.turn else None for each in found] == ["Ward 3", "Ward 3", "Ward 3", None]


def test_nothing_to_tell(visitor: Visitor) -> None:
    """The page says so, and that no rule is on; Today has no line of it."""
    text = visitor.page("/telling").text
    assert "Nobody is to be told of anything now." in text
    assert "Not watched here. No critical rules are switched on: Padpost calls nothing critical." in text
    assert "No list is set (telling.people in the site configuration)." in text
    assert "Critical results to tell" not in visitor.page("/").text


def test_a_task_is_first_on_today_with_word_and_place(shelf: Stocked) -> None:
    """HZ-I01: also for a held strip, which says why it was not sent and what to do now."""
    shelf.held("40700007", number="12", tell=ONCE)
    with shelf.serving(**SITE) as visitor:
        text = visitor.page("/").text
        assert "Critical results to tell To tell: 40700007 · bench-a 12 Sugar and ketones. since 12:00" in text
        assert "Not sent: No time is printed. Now to be told: Ward 3, nurse in charge, ext. 44." in text
        shelf.now = NOW + timedelta(minutes=20)
        page = visitor.page("/")
        assert "Overdue: 40700007 · bench-a 12" in page.text
        assert page.text.index("Overdue:") < page.text.index("Rejected messages 1")
        text = visitor.page("/telling").text
        assert "Overdue. 40700007 · bench-a 12: Sugar and ketones. Rule sugar-ketones of the tables dddddddddddd;" in text
        assert "Glucose 3+, Ketones 80 mg/dL, as printed." in text
        assert (
            "Looks critical, and is not sent: No time is printed. Run it again now, and follow your procedure for calling."
            in text
        )
        assert "Now to be told: Ward 3, nurse in charge, ext. 44." in text


def test_it_is_told_and_closed_on_the_page(shelf: Stocked) -> None:
    """HZ-I01: tried, told and read back, closed; the history stands with names, times and means."""
    shelf.coded(tell=ONCE)
    with shelf.serving(**SITE) as visitor:
        tried = visitor.post("/telling/1", **{**CALL, "step": "not reached", "remark": "engaged"}, steps="1")
        assert (tried.status_code, tried.headers["location"]) == (303, "/telling")
        assert visitor.post("/telling/1", **CALL, steps="2", clock="12:00").status_code == 303
        text = visitor.page("/telling").text
        assert "Told, to be closed." in text
        assert "Not reached: N. Ito, nurse, by telephone: engaged. Written by Ana (unverified), 12:00" in text
        assert "Told and read back: N. Ito, nurse, by telephone, at 12:00" in text
        assert visitor.post("/telling/1/close", steps="3", name="Ben").status_code == 303
        text = visitor.page("/telling").text
        assert "Nobody is to be told of anything now." in text
        assert "Closed. Written by Ben (unverified)" in text
        assert "Critical results to tell" not in visitor.page("/").text


def test_what_was_refused_says_why(shelf: Stocked) -> None:
    """A second person's entry, an empty field, a form without its token."""
    shelf.held(tell=ONCE)
    with shelf.serving(**SITE) as visitor:
        for more, sentence in (
            ({"role": ""}, "Not done. Give the name of whom you told, and what they are: nurse, doctor, midwife."),
            ({"steps": "7"}, "Not done. padpost has written down meanwhile: opened. Look at it again."),
        ):
            refused = visitor.post("/telling/1", **{**CALL, "steps": "1", **more})
            assert refused.status_code == 409
            assert sentence in Page(refused.text).text
        assert visitor.post("/telling/1", **CALL, steps="1", token="old").status_code == 403
        assert visitor.post("/telling/1", **{**CALL, "step": "sung"}, steps="1").status_code == 422
        early = visitor.post("/telling/1/close", steps="1", name="Ana")
        assert "Nobody has read this back yet." in Page(early.text).text
        assert visitor.post("/telling/1/close", steps="1", name="Ana", token="old").status_code == 403
        alone = visitor.post("/telling/1/close-untold", steps="1", name="Ana", agreed_by="ana", reason="spilt")
        assert "The second person must be another one than you." in Page(alone.text).text
        assert visitor.post("/telling/1/close-untold", steps="1", name="Ana", token="old").status_code == 403
        done = visitor.post("/telling/1/close-untold", steps="1", name="Ana", agreed_by="Ben", reason="spilt")
        assert done.status_code == 303
        assert "Closed without telling: agreed by Ben: spilt. Written by Ana (unverified)" in visitor.page("/telling").text


def test_the_list_that_is_used_up_and_a_strip_that_was_discarded(shelf: Stocked) -> None:
    """The page names nobody any more, and says that the values stand no more."""
    stop = shelf.held(tell=ONCE)
    for minute in (20, 40):
        shelf.now = NOW + timedelta(minutes=minute)
        (task,) = shelf.store.tellings_open()
        say(shelf.store, task, replace(READ_BACK, step=TellingStep.PASSED_ON, name="", role="", means=None, done_at=None))
    s.close(shelf.store, stop, StopEnd.DISCARDED)
    with shelf.serving(**SITE) as visitor:
        text = visitor.page("/telling").text
        assert "Everybody on the list had a turn. Follow your procedure for who comes next." in text
        assert "The strip was discarded." in text
        assert "What nobody was told of after 20 minutes is overdue" in text
        assert "1 Ward 3" not in text


def test_a_site_that_wants_no_repeats_says_so(shelf: Stocked) -> None:
    """What is not asked about again is said where somebody may look for it."""
    made = replace(TABLES, policy=replace(TABLES.policy, telling=replace(TERMS, repeat_hours=1)))
    with shelf.serving(bench=PagesBench(tables=made, terms=example_terms())) as visitor:
        text = visitor.page("/telling").text
        assert (
            "A further strip of a patient of whom somebody was told within 1 hour, by the same rule, is closed as a repeat."
            in text
        )


@pytest.mark.parametrize("closed", [CLOSED_SHOWN, CLOSED_SHOWN + 1])
def test_closed_ones_are_paged(shelf: Stocked, visitor: Visitor, closed: int) -> None:
    """The newest first; the link shows the rest."""
    for _ in range(closed):
        shelf.held(tell=ONCE)
        told(shelf.store)
    page = visitor.page("/telling")
    more = [each["href"] for each in page.all("a") if each.get("href", "").startswith("/telling?before=")]
    assert more == (["/telling?before=2"] if closed > CLOSED_SHOWN else [])
    for path in more:
        assert "bench-a 1, rule sugar-ketones: closed" in visitor.page(path).text


def test_a_stopped_strip_says_on_its_own_page_that_it_looks_critical(shelf: Stocked, visitor: Visitor) -> None:
    """HZ-I01: who mends the ID must not overlook it; once it is dealt with the page is silent."""
    met = finding("critical.met", severity=Severity.NOTE, sentence="Critical by the laboratory's rule one: Sugar.")
    stop = shelf.held(found=(finding("time.missing", severity=Severity.HOLD, sentence="No time is printed."), met), tell=ONCE)
    words = "Looks critical, and is not sent. Critical by the laboratory's rule one: Sugar. Run it again now, and follow your procedure for calling."
    assert words in visitor.page(f"/rejected/{stop}").text
    s.close(shelf.store, stop, StopEnd.DISCARDED)
    assert words not in visitor.page(f"/rejected/{stop}").text
    assert words not in visitor.page(f"/rejected/{shelf.held()}").text
