"""The page Rejected messages: what it is narrowed to, whose a row is, notes, and two people at the same row. Its other tests: test_views.py."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta

import httpx
import pytest

from bridge.model import Answer, Format, NonPatient, Place, Priority
from bridge.pages.language import language
from bridge.pages.rejected import NEWEST
from tests.pages.stocked import GOOD, NOW, OTHER, Page, Stocked, Visitor, finding
from tests.store import strips


def _rows(page: Page) -> list[int]:
    return [int(its["href"].rpartition("/")[2]) for its in page.all("a", **{"class": "row"}) if "?" not in its["href"]]


# --- the list


def test_the_list_is_narrowed_by_its_address(shelf: Stocked, visitor: Visitor) -> None:
    """Reason, analyzer, receiver, age and owner, with the count of each; without script."""
    shelf.now = NOW - timedelta(hours=3)
    old = shelf.rejected(number="1")
    shelf.now = NOW
    other = shelf.rejected(number="2", analyzer="bench-b")
    refused = shelf.refused(number="3")
    visitor.post(f"/rejected/{other}/take", name="Ana")
    for query, expected in {
        "": [old, other, refused],
        "?rule=patient.check_digit": [old, other],
        "?analyzer=bench-b": [other],
        "?receiver=records": [refused],
        "?age=long": [old],
        "?age=new&rule=patient.check_digit": [other],
        "?owner=Ana": [other],
        "?owner=-": [old, refused],
        "?group=refused": [refused],
        "?owner=Ana&age=very+long": [],
    }.items():
        assert _rows(visitor.page(f"/rejected{query}")) == expected, query
    page = visitor.page("/rejected?owner=Ana")
    assert "bench-b (1)" in page.text
    assert "nobody yet (2)" in page.text
    assert "Cannot be sent: 1" in page.text
    assert "Turned away by a receiver: 0 None of these." in page.text
    assert visitor.get("/rejected?age=ancient").status_code == 422


def test_a_row_says_how_long_it_waits_and_whose_it_is(shelf: Stocked, visitor: Visitor) -> None:
    """By a word and not by colour alone (WCAG 2.2, 1.4.1). HZ-H12."""
    shelf.now = NOW - timedelta(hours=25)
    stop = shelf.rejected(number="1")
    shelf.now = NOW
    text = visitor.page("/rejected").text
    assert "Very long: since" in text
    assert "; taken by nobody yet" in text
    assert visitor.post(f"/rejected/{stop}/take", name=" Ana ").status_code == 303
    assert "; taken by Ana" in visitor.page("/rejected").text


def test_today_says_how_long_they_wait(shelf: Stocked, visitor: Visitor) -> None:
    """Each age leads to its rows, the oldest first; nothing of it where nothing waits. HZ-H12."""
    assert visitor.page("/").all("p", id="waits") == []
    shelf.now = NOW - timedelta(hours=25)
    old = shelf.rejected(number="1")
    shelf.now = NOW
    visitor.post(f"/rejected/{shelf.rejected(number='2')}/take", name="Ana")
    page = visitor.page("/")
    assert "How long they wait: 1 very long, 1 new. Taken by nobody yet: 1 of 2." in page.text
    (link,) = page.links("/rejected?age=very")
    assert _rows(visitor.page(link)) == [old]


def test_the_next_rows_keep_the_narrowing(shelf: Stocked, visitor: Visitor) -> None:
    """Else the second page would show what the first one left out."""
    for _ in range(52):
        shelf.rejected()
    shelf.rejected(analyzer="bench-b")
    page = visitor.page("/rejected?analyzer=bench-a")
    (more,) = page.links("/rejected?group=")
    assert more.startswith("/rejected?group=rejected&analyzer=bench-a&after=")
    assert len(_rows(visitor.page(more))) == 2


def test_what_came_since_is_a_piece_of_a_page(shelf: Stocked, visitor: Visitor) -> None:
    """The newest few, by the same narrowing; nothing where nothing came."""
    first = shelf.rejected()
    assert "<" not in visitor.get(f"/api/news/rejected?after={first}").text.strip()
    more = [shelf.rejected(number=str(n)) for n in range(NEWEST + 1)]
    urgent = shelf.held(priority=Priority.STAT)
    page = visitor.page(f"/api/news/rejected?after={first}")
    assert _rows(page) == [urgent, *reversed(more[2:])]
    assert "STAT" in page.text
    assert "More came. Show all in their place" in page.text
    assert _rows(visitor.page(f"/api/news/rejected?after={first}&group=held")) == [urgent]
    (data,) = [its["data-from"] for its in visitor.page("/rejected?group=held").all("div", id="newest")]
    assert data == f"/api/news/rejected?group=held&after={urgent}"


# --- whose it is, and notes


def test_a_row_is_taken_handed_on_and_given_back(shelf: Stocked, visitor: Visitor) -> None:
    """Each stands in the history with who did it."""
    stop = shelf.held()
    for action, fields in (
        ("take", {"name": "Ana", "before": ""}),
        ("assign", {"name": "Ana", "before": "Ana", "owner": "Ben"}),
        ("assign", {"name": "Ben", "before": "Ben"}),
    ):
        assert visitor.post(f"/rejected/{stop}/{action}", **fields).status_code == 303
    text = visitor.page(f"/rejected/{stop}").text
    assert "Taken by nobody yet" in text
    history = text.partition("History")[2]
    for said in ("taken by Ana (unverified)", "given to Ben by Ana (unverified)", "given back by Ben (unverified)"):
        assert said in history
    assert visitor.post(f"/rejected/{stop}/take", name="").status_code == 409
    assert visitor.post(f"/rejected/{stop}/assign", name="Ana", before="", owner=" ").status_code == 409


def test_a_note_stands_in_the_history(shelf: Stocked, visitor: Visitor) -> None:
    """Before and after the end; an empty one is none."""
    stop = shelf.rejected()
    assert visitor.post(f"/rejected/{stop}/note", name="Ana", note="Ward 3 looks for the label").status_code == 303
    assert "noted by Ana (unverified): Ward 3 looks for the label" in visitor.page(f"/rejected/{stop}").text
    assert visitor.post(f"/rejected/{stop}/note", name="Ana", note=" ").status_code == 409
    visitor.post(f"/rejected/{stop}/discard", name="Ana", reason="r", specimen="run again")
    assert visitor.post(f"/rejected/{stop}/note", name="Ben", note="Told the ward").status_code == 303
    assert visitor.api(f"/api/stops/{stop}/note", {"name": "Eda", "note": "Read it"}).status_code == 200


# --- two people at one row

_CORRECT = {"first": GOOD, "second": GOOD, "second_identifier": "109"}
_TIME = {"day": "2026-11-25", "clock": "11:00"}


@pytest.mark.parametrize(
    ("made", "action", "fields", "told"),
    [
        ("rejected", "correct", _CORRECT, "has dealt with this already: patient ID corrected."),
        ("held", "correct-time", _TIME, "has dealt with this already: time corrected."),
        ("held", "release", {}, "has dealt with this already: released."),
        ("refused", "send-again", {}, "has dealt with this already: sent again."),
        ("rejected", "read-again", {}, "has dealt with this already: read again."),
        ("rejected", "discard", {"specimen": "run again"}, "has dealt with this already: discarded."),
        ("rejected", "take", {"before": ""}, "has taken this meanwhile."),
        ("rejected", "assign", {"before": "", "owner": "Eda"}, "Eda has taken this meanwhile."),
    ],
)
def test_of_two_people_one_wins_and_the_other_is_told(
    shelf: Stocked, visitor: Visitor, made: str, action: str, fields: dict[str, str], told: str
) -> None:
    """Two browsers, one row, the same moment: one act stands, and the other person reads whose it is and what it was. HZ-K03."""
    stop = getattr(shelf, made)(**({"number": "109"} if action == "correct" else {}))
    ready = threading.Barrier(2)

    def act(name: str) -> httpx.Response:
        with httpx.Client(base_url=visitor.origin, timeout=20) as client:
            person = Visitor(client, visitor.port)
            person.page(f"/rejected/{stop}")
            ready.wait(20)
            return person.post(f"/rejected/{stop}/{action}", name=name, reason="r", **fields)

    with ThreadPoolExecutor(2) as people:
        answers = dict(zip(("Ana", "Ben"), people.map(act, ("Ana", "Ben")), strict=True))
    assert sorted(answer.status_code for answer in answers.values()) == [303, 409]
    (winner,) = [name for name, answer in answers.items() if answer.status_code == 303]
    (loser,) = [answer for answer in answers.values() if answer.status_code == 409]
    text = Page(loser.text).text
    assert told in text
    if action != "assign":
        assert f"Not done. {winner}" in text


def test_two_peoples_notes_are_both_kept(shelf: Stocked, visitor: Visitor) -> None:
    """Of notes none overtakes the other."""
    stop = shelf.rejected()
    note: Callable[[str], int] = lambda name: visitor.post(f"/rejected/{stop}/note", name=name, note=f"by {name}").status_code  # noqa: E731 - one line
    visitor.page(f"/rejected/{stop}")
    with ThreadPoolExecutor(2) as people:
        assert list(people.map(note, ("Ana", "Ben"))) == [303, 303]
    notes = {event.reason for event in shelf.store.events(f"stop:{stop}") if event.what == "stop.note"}
    assert notes == {"by Ana", "by Ben"}


# --- what is offered, and in which order


def test_an_identity_is_corrected_first_only_where_it_stopped_the_strip(shelf: Stocked, visitor: Visitor) -> None:
    """HZ-D05: of a strip whose unit is in doubt the first act is not about its patient, and its values say that they are not to be used."""
    unit = finding("unit.differs", sentence="Unit is not the declared one.", remedy="Set the units.")
    page = visitor.page(f"/rejected/{shelf.rejected(GOOD, found=unit)}")
    assert "Unit in doubt: do not use these values." in page.text
    assert page.text.index("Unit in doubt") < page.text.index("GLUC")
    assert page.text.index("Read again with the current profile") < page.text.index("Correct the patient ID")
    page = visitor.page(f"/rejected/{shelf.rejected()}")
    assert "Unit in doubt" not in page.text
    assert page.text.index("Correct the patient ID") < page.text.index("Read again with the current profile")


def test_what_a_receiver_has_is_not_offered_for_correction(shelf: Stocked, visitor: Visitor) -> None:
    """It would be refused: the way leads to the result's own page, where it is moved or withdrawn."""
    result = shelf.coded(GOOD, to=(Format.ORU_R01, Format.FHIR), number="7")
    shelf.answered(result, Answer.ACCEPTED, "filed", "chart")
    shelf.answered(result, Answer.REFUSED, "no such patient")
    (stop,) = shelf.store.stops()
    page = visitor.page(f"/rejected/{stop.stop_id}")
    assert "chart has this result as it was, or may have it." in page.text
    assert page.all("form", action=f"/rejected/{stop.stop_id}/correct") == []
    assert f"/results/{result}" in page.links("/results/")
    assert "The strip itself has none." in page.text
    alone = shelf.refused(OTHER, number="8")
    assert len(visitor.page(f"/rejected/{alone}").all("form", action=f"/rejected/{alone}/correct")) == 1


def test_the_history_of_a_row_is_in_the_reader_s_language(shelf: Stocked) -> None:
    """How it ended, and what becomes of the specimen; a reason stays as it was written."""
    stop = shelf.rejected()
    with shelf.serving(languages=(language("es"),), language="es") as visitor:
        done = visitor.post(f"/rejected/{stop}/discard", name="Ana", reason="released by mistake", specimen="collected again")
        text = visitor.page(f"/rejected/{stop}").text
    assert done.status_code == 303
    assert "Muestra: recogida de nuevo." in text
    assert "descartado por Ana (sin verificar). Motivo: released by mistake" in text[text.index("Historial") :]
    assert "muestra: recogida de nuevo por Ana" in text


def test_why_nothing_is_corrected_here_is_said_in_the_reader_s_language(shelf: Stocked) -> None:
    """It is what the desk would say if somebody tried."""
    result = shelf.coded(GOOD, to=(Format.ORU_R01, Format.FHIR), number="7")
    shelf.answered(result, Answer.ACCEPTED, "filed", "chart")
    shelf.answered(result, Answer.REFUSED, "no such patient")
    (stop,) = shelf.store.stops()
    with shelf.serving(languages=(language("es"),), language="es") as visitor:
        assert "chart tiene este resultado como era, o puede tenerlo." in visitor.page(f"/rejected/{stop.stop_id}").text


def test_of_a_large_file_the_first_others_stand_beside_the_piece(shelf: Stocked, visitor: Visitor) -> None:
    """HZ-D04: an analyzer's whole memory may come as one file, and the page stays one that opens at once."""
    file = strips.keep(shelf.store, b"24|A" * 60)
    for index in range(52):
        reading = replace(strips.reading(str(24 + index)), index=index)
        strips.record(shelf.store, reading, NonPatient(checked=strips.checked(reading)), capture_id=file, ends=False)
    torn = strips.record(shelf.store, strips.unreadable(index=52), None, capture_id=file)
    page = visitor.page(f"/rejected/{torn.stop_id}")
    assert "brook-1 73 stored and shown in no patient's record and 2 more" in page.text.replace(";", "")


def test_a_piece_that_could_not_be_read_has_the_others_of_its_file_beside_it(shelf: Stocked, visitor: Visitor) -> None:
    """HZ-D04: what of a cut file is safe stands beside what is not, and the label in the cut piece finds it."""
    file = strips.keep(shelf.store, b"24|A;26|40703266|GL")
    first, cut = strips.reading("24"), replace(strips.unreadable(index=1), place=Place(start=5, end=19))
    strips.record(shelf.store, first, NonPatient(checked=strips.checked(first)), capture_id=file, ends=False)
    torn = strips.record(shelf.store, cut, None, capture_id=file)
    page = visitor.page(f"/rejected/{torn.stop_id}")
    assert "This piece could not be read; it stands marked among the bytes." in page.text
    assert "What else came with it: brook-1 24 stored and shown" in page.text
    alone = shelf.unread(payload=b"27|40703274|GL")
    assert "What else came with it" not in visitor.page(f"/rejected/{alone}").text
    found = Page(visitor.post("/find", text="40703266").text)
    assert "No strip here is known as 40703266." in found.text
    assert "It stands in what could not be read: brook-1" in found.text
    assert found.links("/rejected/") == [f"/rejected/{torn.stop_id}"]
    assert "It stands in what could not be read" not in Page(visitor.post("/find", text="24|A").text).text
    assert "It stands in what could not be read" not in Page(visitor.post("/find", text="407").text).text
