"""The pages as a person sees them, over a real loopback port: lists, details, actions, and hostile text everywhere."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest

from bridge.desk.actions import Desk
from bridge.lifecycle.states import StopState
from bridge.model import Actor, Answer, Format, Place, Priority, Purpose, Severity
from bridge.pages.views import SECTION
from bridge.tables.hold_table import HoldTable, ReleasePolicy
from tests.pages.stocked import GOOD, LISBON, MISTYPED, NOW, OTHER, POLICY, Page, Stocked, Visitor, finding

STAT = Priority.STAT
HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"
SEEN = HOSTILE  # what a person must read, character by character
UNSEEN = "44\u202e07\x1b\x00\u200b"
VISIBLE = "44U+202E07ESCNULU+200B"


def rows(page: Page) -> list[int]:
    """Give the stops that a page lists, in order."""
    return [int(link.removeprefix("/rejected/")) for link in page.links("/rejected/")]


def section(page: Page, group: str) -> str:
    """Give the HTML of one group's section."""
    found = re.search(rf'<section id="{group}">.*?</section>', page.html, re.DOTALL)
    assert found is not None
    return found.group()


# --- hostile text


def hostile_pages(shelf: Stocked, text: str, *, number: str = "") -> dict[str, str]:
    """Put a text into every field that comes from bytes, a receiver, a file's name or a person; give the pages that show it."""
    number = number or text
    stopped = shelf.rejected(
        text, number=number, specimen_id=text, operator=text, strip_lot=text, strip_type=text, label=text, value=text, unit=text,
        comment=text, name=text, payload=text.encode("utf-8", "surrogatepass"), found=finding(sentence=text, remedy=text),
    )  # fmt: skip
    refused = shelf.refused(text, text)
    file = shelf.refused_file(text, text.encode("utf-8", "surrogatepass"))
    result = shelf.coded(
        text, to=(Format.ORU_R01,), value=text, comment=text, number=number, message=b"MSH|^~\\&|" + text.encode()
    )
    shelf.answered(result, Answer.ACCEPTED, text)
    control = shelf.other(number=number, label=text, value=text)
    closed = shelf.rejected(text)
    shelf.desk.discard(closed, reason=text, actor=_actor(text), specimen="run again")
    urgent = shelf.held(
        text, priority=STAT, found=(finding("time.missing", severity=Severity.HOLD, sentence=text, releasable=True),)
    )
    return {
        "today": "/",
        "rejected": "/rejected",
        "one reason": "/rejected?rule=patient.check_digit",
        "stopped": f"/rejected/{stopped}",
        "refused": f"/rejected/{refused}",
        "file": f"/rejected/{file}",
        "closed": f"/rejected/{closed}",
        "held": f"/rejected/{urgent}",
        "results": "/results",
        "controls": "/results?kind=non_patient",
        "result": f"/results/{result}",
        "strip": f"/strips/{control}",
    }


def _actor(name: str) -> Actor:
    return Actor(name=name, verified="unverified")


def test_markup_in_any_field_is_text_on_every_page(shelf: Stocked, visitor: Visitor) -> None:
    """Patient ID, comment, analyzer's text, receiver's words, file name, reason, actor: shown as it came, never obeyed."""
    for name, path in hostile_pages(shelf, HOSTILE).items():
        page = visitor.page(path)
        assert page.all("script") == [
            {"src": "/static/padpost.js", "defer": ""},
            {"src": "/static/signals.js", "type": "module"},
        ], name
        assert page.all("img") == [], name
        assert not [its for _, its in page.elements if any(key.startswith("on") for key in its)], name
        assert SEEN in page.text, name


def test_unseen_characters_in_any_field_are_made_visible(shelf: Stocked, visitor: Visitor) -> None:
    """A direction override can turn one ID into another before the eye; an escape can hide a digit."""
    for name, path in hostile_pages(shelf, UNSEEN).items():
        page = visitor.page(path)
        assert not set(UNSEEN) - set("4407") & set(page.html), name
        assert VISIBLE in page.text, name


def test_a_search_for_markup_shows_it_as_text(still: Visitor) -> None:
    """What a person typed comes back in the field."""
    page = Page(still.post("/results", search=HOSTILE).text)
    assert [its["value"] for its in page.all("input", name="search")] == [HOSTILE]
    assert len(page.all("script")) == 2


def test_a_reason_in_the_address_is_text(still: Visitor) -> None:
    """The only free text that an address may hold is the reason's name."""
    page = still.page(f"/rejected?rule={HOSTILE}")
    assert len(page.all("script")) == 2


# --- Today


def test_an_empty_day_says_that_nothing_waits(still: Visitor) -> None:
    """One sentence, no colour; and no control of a page that has nothing to act on."""
    page = still.page("/")
    assert "Nothing waits for you." in page.text
    assert "bench-a never heard from none yet" in page.text
    assert "No strip arrived today." in page.text
    assert "Not watched here. No critical rules are switched on: Padpost calls nothing critical." in page.text
    assert page.all("p", role="alert") == []


def test_today_says_when_the_last_result_went_through(shelf: Stocked, visitor: Visitor) -> None:
    """The proof that all is well is that something just went."""
    shelf.answered(shelf.coded(to=(Format.ORU_R01,)))
    shelf.now = NOW + timedelta(minutes=3)
    assert "Nothing waits for you. The last result went through at 12:00, 3 min ago." in visitor.page("/").text


def test_today_leads_to_what_is_stopped(shelf: Stocked, visitor: Visitor) -> None:
    """Three counts, each a link to its group; STAT rows by name."""
    shelf.rejected()
    urgent = shelf.held(priority=STAT, number="14")
    page = visitor.page("/")
    assert "1 waiting for your decision" in page.text
    assert "1 cannot be sent" in page.text
    assert "0 turned away by a receiver" in page.text
    assert page.links("/rejected") == [
        "/rejected",
        "/rejected#held",
        "/rejected#rejected",
        "/rejected",
        "/rejected?age=new",
        "/rejected?owner=-",
        f"/rejected/{urgent}",
        "/rejected?group=held&rule=time.missing",
        "/rejected?group=rejected&rule=patient.check_digit",
    ]
    assert f"STAT {GOOD} · bench-a 14 No time is printed. since 12:00, just now" in page.text


def test_a_missing_number_comes_with_the_way_to_send_it_again(shelf: Stocked, visitor: Visitor) -> None:
    """The profile's own plain steps."""
    shelf.coded(number="1")
    shelf.coded(number="4")
    text = visitor.page("/").text
    assert "bench-a 2 to 3 were read and never arrived. How to send it again Press Memory. Press Send." in text


def test_today_on_a_wall_is_larger(still: Visitor) -> None:
    """For a screen that is read from across the room."""
    assert still.page("/?wall=yes").all("body")[0]["class"] == "wall"
    assert "class" not in still.page("/").all("body")[0]


def test_many_controls_are_bounded_on_today(shelf: Stocked, visitor: Visitor) -> None:
    """Twelve, and a link to all."""
    for _ in range(14):
        shelf.other()
    page = visitor.page("/")
    assert len(page.links("/strips/")) == 12
    assert page.links("/results?kind=non_patient") == ["/results?kind=non_patient"]
    assert "All 14" in page.text


# --- Rejected messages


def test_an_empty_list_says_so(still: Visitor) -> None:
    """No empty groups to look through."""
    page = still.page("/rejected")
    assert "Nothing is stopped." in page.text
    assert page.all("section") == []
    assert page.all("form", action="/rejected") == []


def test_one_row_says_what_is_wrong_and_what_to_do(shelf: Stocked, visitor: Visitor) -> None:
    """Who, which strip, the sentence, the remedy, since when; and the way in words for those who do not see it."""
    stop = shelf.rejected(number="109")
    page = visitor.page("/rejected")
    assert rows(page) == [stop]
    assert (
        f"{MISTYPED} · bench-a 109 Patient ID fails its check digit. Scan the label again. New: since 12:00, just now; taken by nobody yet"
        in page.text
    )
    assert page.all("span", role="img")[0]["aria-label"] == "stopped at checked: Patient ID fails its check digit."
    assert "Waiting for your decision: 0 None." in page.text
    assert "Cannot be sent: 1" in page.text


def test_the_most_urgent_of_all_rows_stands_first_and_not_only_of_a_page(shelf: Stocked, visitor: Visitor) -> None:
    """500 rows: the STAT strip that came last is on the first page, then what waits longest; pages neither skip nor repeat. HZ-I05."""
    routine = [shelf.rejected() for _ in range(499)]
    urgent = shelf.rejected(priority=STAT)
    held = shelf.held()
    page = visitor.page("/rejected")
    assert rows(page) == [held, urgent, *routine[: SECTION - 1]]
    assert "Cannot be sent: 500" in page.text
    seen, more = [], page.links("/rejected?group=rejected")
    while more:
        page = visitor.page(more[0])
        assert "Waiting for your decision" not in page.text
        seen += rows(page)
        more = page.links("/rejected?group=rejected")
    assert [urgent, *routine[: SECTION - 1], *seen] == [urgent, *routine]
    assert len(seen) == 500 - SECTION


def test_a_row_that_was_dealt_with_between_two_pages_loses_no_other(shelf: Stocked, visitor: Visitor) -> None:
    """The next page goes on behind the last row's place in the order, though that row is gone."""
    stops = [shelf.rejected() for _ in range(SECTION + 3)]
    (more,) = visitor.page("/rejected").links("/rejected?group=rejected")
    for stop in stops[:SECTION]:
        shelf.desk.discard(stop, reason="r", actor=_actor("Ana"), specimen="run again")
    assert rows(visitor.page(more)) == stops[SECTION:]


def test_one_reason_at_a_time(shelf: Stocked, visitor: Visitor) -> None:
    """The count of a reason is its group's count then; the choice keeps what was chosen. HZ-G06."""
    wanted = shelf.rejected()
    shelf.rejected(found=finding("pad.error"))
    shelf.unread()
    page = visitor.page("/rejected?rule=patient.check_digit")
    assert rows(page) == [wanted]
    assert "Cannot be sent: 1" in page.text
    assert [its["value"] for its in page.all("option") if "selected" in its] == ["patient.check_digit"]
    assert {"pad.error", "patient.check_digit", "read.torn"} <= {its["value"] for its in page.all("option")}


def test_repeats_of_one_failing_file_are_one_row_with_a_counter(shelf: Stocked, visitor: Visitor) -> None:
    """A computer that writes the same bad file each minute buries nothing."""
    shelf.refused_file()
    shelf.refused_file()
    shelf.refused_file()
    page = visitor.page("/rejected")
    assert len(rows(page)) == 1
    assert "came 2 more times" in page.text


def test_the_receivers_own_words_stand_in_the_list(shelf: Stocked, visitor: Visitor) -> None:
    """They say what to mend there."""
    shelf.refused(text="Unknown key identifier")
    assert "records said: Unknown key identifier" in visitor.page("/rejected").text


@pytest.mark.parametrize("query", ["group=nothing", "after=x", "group="])
def test_an_address_that_was_altered_is_answered_in_words(still: Visitor, query: str) -> None:
    """A page, not a stack trace."""
    answer = still.get(f"/rejected?{query}")
    assert answer.status_code == 422
    assert "Something is missing or not of its kind" in answer.text


# --- one stop


def test_a_stop_shows_the_bytes_beside_what_was_understood(shelf: Stocked, visitor: Visitor) -> None:
    """With the offending bytes marked, and each station of the way leading to what happened there."""
    payload = b"P|1||40700008\r"
    stop = shelf.rejected(payload=payload, name="day.txt", found=finding(place=Place(start=5, end=13)), operator="07")
    page = visitor.page(f"/rejected/{stop}")
    assert page.text.startswith("Patient ID fails its check digit · Padpost")
    assert "<mark>4</mark>" not in page.html
    assert '<mark>40700008</mark><span class="unseen">CR</span>' in page.html
    assert "File day.txt, 12:00, just now 14 bytes. Control characters stand as words." in page.text
    assert "Patient ID 40700008 Specimen U26-1 Analyzer, number bench-a 1 Strip type, lot sedge-5 24A01 Operator 07" in page.text
    assert "Findings Cannot be sent: Patient ID fails its check digit." in page.text
    assert page.links("#")[1:] == ["#received", "#read", "#checked"]
    assert {"received", "read", "checked"} <= {its["id"] for _, its in page.elements if "id" in its}
    assert "To send it again from the analyzer Press Memory. Press Send." in page.text


@pytest.mark.parametrize(
    ("kind", "offered"),
    [
        ("rejected", ["correct", "read-again", "discard"]),
        ("held", ["correct-time", "release", "read-again", "correct", "discard"]),
        ("held fast", ["read-again", "correct", "discard"]),
        ("unread", ["read-again", "discard"]),
        ("refused_file", ["discard"]),
        ("refused", ["send-again", "correct", "discard"]),
    ],
)
def test_only_what_can_be_done_is_offered(shelf: Stocked, visitor: Visitor, kind: str, offered: list[str]) -> None:
    """An offer that would be refused wastes the minute that a technician has."""
    fast = (finding("copy.conflict", severity=Severity.HOLD, releasable=False),)
    stop = shelf.held(found=fast) if kind == "held fast" else getattr(shelf, kind)()
    page = visitor.page(f"/rejected/{stop}")
    assert [its["action"] for its in page.all("form", method="post")] == [
        f"/rejected/{stop}/{each}" for each in (*offered, "take", "assign", "note")
    ]
    for its in page.all("input"):
        assert its.get("type") in {"hidden", "checkbox"} or "required" in its, (
            its
        )  # no half-filled form leaves, with or without script


def test_a_long_capture_is_leafed_through(shelf: Stocked, visitor: Visitor) -> None:
    """Ten megabytes are not one page."""
    stop = shelf.rejected(payload=b"x" * 10_000)
    page = visitor.page(f"/rejected/{stop}")
    assert "10 000 bytes; shown from 0 to 4 096" in page.text
    assert page.links(f"/rejected/{stop}?start=") == [f"/rejected/{stop}?start=4096#received"]
    later = visitor.page(f"/rejected/{stop}?start=4096")
    assert later.links(f"/rejected/{stop}?start=") == [
        f"/rejected/{stop}?start=0#received",
        f"/rejected/{stop}?start=8192#received",
    ]


@pytest.mark.parametrize("path", ["/rejected/999", "/results/NONE", "/strips/999", "/nowhere"])
def test_what_is_not_there_is_said(still: Visitor, path: str) -> None:
    """With a way back."""
    answer = still.get(path)
    assert answer.status_code == 404
    assert Page(answer.text).links("/") != []
    assert "There is no such page" in answer.text


# --- acting


def test_a_mistyped_id_is_corrected(shelf: Stocked, visitor: Visitor) -> None:
    """Scanned twice, a second identifier, a reason and a name; then the page says who did it."""
    stop = shelf.rejected(number="109")
    answer = visitor.post(
        f"/rejected/{stop}/correct", first=GOOD, second=GOOD, second_identifier="U26-109", name="Ana", reason="typing slip"
    )
    assert (answer.status_code, answer.headers["location"]) == (303, f"/rejected/{stop}")
    page = visitor.page(f"/rejected/{stop}")
    assert "Dealt with: patient ID corrected by Ana (unverified), 12:00, just now. Reason: typing slip" in page.text
    assert "patient ID corrected by Ana (unverified). Reason: typing slip" in page.text
    assert [its["action"] for its in page.all("form", method="post")] == [f"/rejected/{stop}/note"]


def test_a_refused_action_says_why_and_keeps_name_and_reason(shelf: Stocked, visitor: Visitor) -> None:
    """Not the IDs: those are to be scanned again."""
    stop = shelf.rejected()
    answer = visitor.post(
        f"/rejected/{stop}/correct", first=GOOD, second=OTHER, second_identifier="1", name="Ana", reason="typing slip"
    )
    assert answer.status_code == 409
    page = Page(answer.text)
    assert "Not done. The two entries of the patient ID differ. Scan or key it twice again." in page.text
    assert len(page.all("p", role="alert")) == 1
    assert {its["value"] for its in page.all("input", name="name")} == {"Ana"}
    assert {its["value"] for its in page.all("input", name="reason")} == {"typing slip"}
    assert [its.get("value", "") for its in page.all("input", name="first")] == [""]
    row = shelf.store.stop(stop)
    assert row is not None
    assert row.state is StopState.OPEN


def test_the_second_person_is_told_who_was_first(shelf: Stocked, visitor: Visitor) -> None:
    """Two technicians, one row: the later one sees whose action stands."""
    stop = shelf.rejected()
    assert visitor.post(f"/rejected/{stop}/discard", name="Ana", reason="no urine left", specimen="run again").status_code == 303
    answer = visitor.post(f"/rejected/{stop}/discard", name="Ben", reason="same", specimen="run again")
    assert answer.status_code == 409
    assert "Not done. Ana (unverified) has dealt with this already: discarded." in Page(answer.text).text


def test_release_send_again_and_read_again(shelf: Stocked, visitor: Visitor) -> None:
    """Each action of the page does what its words say."""
    held, refused, unread = shelf.held(), shelf.refused(), shelf.unread()
    for stop, action in ((held, "release"), (refused, "send-again"), (unread, "read-again")):
        assert visitor.post(f"/rejected/{stop}/{action}", name="Ana", reason="r").status_code == 303
    done = [shelf.store.stop(stop) for stop in (held, refused, unread)]
    assert [row.closed_how for row in done if row] == ["released", "sent again", "read again"]


def test_an_action_that_does_not_exist_is_not_done(shelf: Stocked, visitor: Visitor) -> None:
    """An address that was altered changes nothing."""
    stop = shelf.rejected()
    assert visitor.post(f"/rejected/{stop}/alter-value", name="Ana", reason="r").status_code == 404
    assert visitor.post("/rejected/999/discard", name="Ana", reason="r", specimen="run again").status_code == 404


def test_a_field_longer_than_its_bound_is_named_and_nothing_is_done(shelf: Stocked, visitor: Visitor) -> None:
    """A pasted page of text is no reason: 501 characters are refused by the field's name, 500 are taken."""
    stop = shelf.rejected()
    answer = visitor.post(f"/rejected/{stop}/discard", name="Ana", reason="r" * 501, specimen="run again")
    assert answer.status_code == 422
    assert "Look at: reason." in answer.text
    row = shelf.store.stop(stop)
    assert row is not None
    assert row.closed_how == ""
    assert visitor.post(f"/rejected/{stop}/discard", name="Ana", reason="r" * 500, specimen="run again").status_code == 303


def test_an_action_without_any_field_is_refused_for_its_token(shelf: Stocked, visitor: Visitor) -> None:
    """A form that was sent empty is answered like one that is too old, not like a defect."""
    stop = shelf.rejected()
    assert visitor.client.post(f"/rejected/{stop}/discard").status_code == 403


def test_all_of_one_reason_are_read_again_after_a_preview(shelf: Stocked, visitor: Visitor) -> None:
    """The page shows which, and how many; that count is what the button sends."""
    stops = [shelf.rejected() for _ in range(3)]
    other = shelf.unread()
    page = visitor.page("/rejected?rule=patient.check_digit")
    assert "Read 3 rows of the reason “patient ID fails its check digit” again with the current profile" in page.text
    assert [its["value"] for its in page.all("input", name="expected")] == ["3"]
    answer = visitor.post("/rejected/read-again", rule="patient.check_digit", expected="3", name="Ana", reason="profile mended")
    assert answer.status_code == 200
    assert "3 rows of the reason “patient ID fails its check digit” are being read again" in Page(answer.text).text
    assert {row.closed_how for row in map(shelf.store.stop, stops) if row} == {"read again"}
    assert [row.stop_id for row in shelf.store.stops()] == [other]


def test_another_count_than_the_previews_stops_the_reading_again(shelf: Stocked, visitor: Visitor) -> None:
    """What came in between was not looked at."""
    for _ in range(4):
        shelf.rejected()
    answer = visitor.post("/rejected/read-again", rule="patient.check_digit", expected="3", name="Ana", reason="r")
    assert answer.status_code == 409
    assert "There are 4 of these now, not 3. Look at the list again." in Page(answer.text).text
    assert len(shelf.store.stops()) == 4


def two_persons(shelf: Stocked) -> None:
    """Let the site's terms ask for two persons, and allow a late strip to be decided about with others."""
    terms = {"time.too_old": ReleasePolicy(persons=2, bulk=True)}
    shelf.desk = Desk(shelf.store, POLICY, lambda: shelf.now, zone=LISBON, holds=HoldTable(policies=terms))


def late(shelf: Stocked) -> int:
    """Put a strip there that is held for its age alone."""
    return shelf.held(found=(finding("time.too_old", severity=Severity.HOLD, sentence="s", releasable=True),))


def test_the_terms_of_a_release_stand_on_its_form(shelf: Stocked) -> None:
    """Where two persons are asked for the form has a place for the second name, and the row says both afterwards."""
    two_persons(shelf)
    stop, other = late(shelf), shelf.held()
    with shelf.serving() as visitor:
        page = visitor.page(f"/rejected/{stop}")
        assert "This needs two persons here: a second one looks at it too." in page.text
        assert len(page.all("input", name="second_person")) == 1
        assert visitor.page(f"/rejected/{other}").all("input", name="second_person") == []
        alone = visitor.post(f"/rejected/{stop}/release", name="Ana", reason="r", second_person="ana")
        assert alone.status_code == 409
        assert "Not done. The second person must be another one than you." in Page(alone.text).text
        assert visitor.post(f"/rejected/{stop}/release", name="Ana", reason="r", second_person="Ben").status_code == 303
        text = visitor.page(f"/rejected/{stop}").text
    assert "Dealt with: released by Ana (unverified) with Ben, 12:00, just now." in text
    assert "agreed by Ben (unverified). Reason: r" in text


def test_a_discard_asks_for_the_specimen_and_shows_the_answer(shelf: Stocked, visitor: Visitor) -> None:
    """On the form of a patient's reading, with what was chosen still there after a refusal; not where nothing was read."""
    stop = shelf.rejected()
    page = visitor.page(f"/rejected/{stop}")
    assert [its["value"] for its in page.all("option")] == [
        "",
        "run again",
        "collected again",
        "order cancelled",
        "nothing to do",
    ]
    assert visitor.page(f"/rejected/{shelf.unread()}").all("select", name="specimen") == []
    refused = visitor.post(f"/rejected/{stop}/discard", name="Ana", reason="", specimen="collected again")
    assert 'value="collected again" selected' in refused.text
    assert visitor.post(f"/rejected/{stop}/discard", name="Ana", reason="spilt", specimen="collected again").status_code == 303
    text = visitor.page(f"/rejected/{stop}").text
    assert "Specimen: collected again." in text
    assert "specimen: collected again by Ana (unverified)" in text


@pytest.mark.parametrize(("action", "word"), [("release", "released"), ("discard", "discarded")])
def test_many_of_one_reason_are_decided_about_together(shelf: Stocked, action: str, word: str) -> None:
    """Preview, count, newest row, one decision; what the terms do not allow is not offered."""
    two_persons(shelf)
    stops = [late(shelf) for _ in range(2)]
    shelf.held()
    given = {"rule": "time.too_old", "name": "Ana", "reason": "found today", "second_person": "Ben", "specimen": "run again"}
    with shelf.serving() as visitor:
        assert "together" not in visitor.page("/rejected?rule=time.missing").text
        page = visitor.page("/rejected?rule=time.too_old")
        assert f"{action.capitalize()} 2 rows of the reason “strip too old” together" in page.text
        assert {its["value"] for its in page.all("input", name="newest")} == {str(stops[-1])}
        stale = visitor.post(f"/rejected/all/{action}", **given, expected="1", newest=str(stops[0]))
        assert stale.status_code == 409
        assert "There are 2 of these now, and not just the 1 that you saw. Look at the list again." in Page(stale.text).text
        done = visitor.post(f"/rejected/all/{action}", **given, expected="2", newest=str(stops[-1]))
        assert f"2 rows of the reason “strip too old” were {word}." in Page(done.text).text
        assert visitor.post("/rejected/all/alter", **given, expected="2", newest="1").status_code == 422
    assert [row.closed_how for row in map(shelf.store.stop, stops) if row] == [word, word]


# --- Results


def test_no_result_yet(still: Visitor) -> None:
    """And nothing to page through."""
    page = still.page("/results")
    assert "No result yet." in page.text
    assert page.all("table") == []


def test_500_results_are_paged(shelf: Stocked, visitor: Visitor) -> None:
    """Newest first, each once."""
    made = [shelf.coded() for _ in range(500)]
    page, seen = visitor.page("/results"), []
    while True:
        seen += [link.removeprefix("/results/") for link in page.links("/results/")]
        more = page.links("/results?before=")
        if not more:
            break
        page = visitor.page(more[0])
    assert seen == made[::-1]


@pytest.mark.parametrize(
    ("fields", "found"),
    [
        ({"search": GOOD}, [1, 3]),
        ({"search": f" {GOOD} "}, [1, 3]),
        ({"search": "12"}, [2]),
        ({"search": "U26-12"}, [2]),
        ({"search": "M000002O"}, [2]),
        ({"search": GOOD[:4]}, []),
        ({"search": "%"}, []),
        ({"day": "2026-11-25"}, [1, 2]),
        ({"day": "2026-11-24"}, [3]),
        ({"day": "2026-11-24", "search": OTHER}, []),
        ({"state": "received"}, [1]),
        ({"state": "waiting"}, [2]),
        ({"state": "turned away"}, [3]),
        ({"state": "received", "search": GOOD}, [1]),
        ({"state": "nonsense"}, [1, 2, 3]),
        ({}, [1, 2, 3]),
    ],
)
def test_results_are_found_by_what_people_know(
    shelf: Stocked, visitor: Visitor, fields: dict[str, str], found: list[int]
) -> None:
    """Patient, number, specimen or control ID as a whole; day of arrival; where the delivery stands."""
    one = shelf.coded(GOOD, to=(Format.ORU_R01,), number="11")
    two = shelf.coded(OTHER, to=(Format.ORU_R01,), number="12")
    three = shelf.coded(GOOD, to=(Format.ORU_R01,), number="13", arrived_at=NOW - timedelta(days=1))
    shelf.answered(one)
    shelf.answered(three, Answer.REFUSED)
    names = {one: 1, two: 2, three: 3}
    page = Page(visitor.post("/results", **fields).text)
    assert sorted(names[link.removeprefix("/results/")] for link in page.links("/results/")) == found
    if not found:
        assert "Nothing was found." in page.text


def test_found_results_are_paged_without_an_identifier_in_the_address(shelf: Stocked, visitor: Visitor) -> None:
    """The next page is a form, too."""
    made = [shelf.coded(GOOD) for _ in range(SECTION + 2)]
    page = Page(visitor.post("/results", search=GOOD).text)
    assert GOOD not in " ".join(page.links("/"))
    (before,) = [its["value"] for its in page.all("input", name="before")]
    page = Page(visitor.post("/results", search=GOOD, before=before).text)
    assert [link.removeprefix("/results/") for link in page.links("/results/")] == [made[1], made[0]]
    assert page.all("input", name="before") == []


@pytest.mark.parametrize("fields", [{"day": "25.11.2026"}, {"before": "x"}])
def test_a_day_that_is_none_is_answered_in_words(still: Visitor, fields: dict[str, str]) -> None:
    """With how to write one."""
    answer = still.post("/results", **fields)
    assert answer.status_code == 422
    assert "Write it as 2026-11-25" in answer.text


def test_controls_copies_and_discarded_strips_have_their_lists(shelf: Stocked, visitor: Visitor) -> None:
    """Nothing that arrived is out of reach."""
    control = shelf.other()
    quality = shelf.other(Purpose.PROFICIENCY)
    copy = shelf.copy(control)
    shelf.desk.discard(shelf.rejected(), reason="r", actor=_actor("Ana"), specimen="run again")
    page = visitor.page("/results?kind=non_patient")
    assert page.links("/strips/") == [f"/strips/{quality}", f"/strips/{control}"]
    assert "proficiency" in page.text
    assert visitor.page("/results?kind=copy").links("/strips/") == [f"/strips/{copy}"]
    assert len(visitor.page("/results?kind=discarded").links("/strips/")) == 1
    assert visitor.get("/results?kind=all").status_code == 422


def test_a_sent_control_shows_its_way_and_no_patient(shelf: Stocked, visitor: Visitor) -> None:
    """In every list it is a control; its result has codes, message and answer, and what it printed for a patient heads nothing."""
    result = shelf.sent_control(number="21")
    (strip,) = shelf.store.strips()
    listed = visitor.page("/results")
    assert listed.links("/results/") == [f"/results/{result}"]
    assert "control bench-a 21" in listed.text
    assert "CTRL-LOW" not in listed.text
    assert visitor.page("/results?kind=non_patient").links("/results/") == [f"/results/{result}"]
    assert f"/results/{result}#messages" in visitor.page(f"/strips/{strip.strip_id}").links("/results/")
    shelf.answered(result, Answer.ACCEPTED, "filed", destination="qc")
    page = visitor.page(f"/results/{result}")
    assert page.text.count("CTRL-LOW") == 0
    assert "Control bench-a 21" in page.text
    assert "it goes only to receivers that ask for controls" in page.text
    assert "qc: received 12:00, just now: AA filed Message M000001Q" in page.text
    assert "Controls besides" in visitor.page("/").text


def test_a_refused_control_offers_no_patient_id_to_correct(shelf: Stocked, visitor: Visitor) -> None:
    """It is a row like any other, to send again, read again or discard; but it was never a patient's."""
    shelf.answered(shelf.sent_control(), Answer.REFUSED, "no such lot", destination="qc")
    (stop,) = shelf.store.stops()
    assert "control · bench-a" in visitor.page("/rejected").text
    page = visitor.page(f"/rejected/{stop.stop_id}")
    assert "Correct the patient ID" not in page.text
    assert "Send again" in page.text
    assert "for patient" not in page.text
    assert "Control, ID as printed CTRL-LOW" in page.text


def test_500_controls_are_paged(shelf: Stocked, visitor: Visitor) -> None:
    """As results are."""
    made = [shelf.other() for _ in range(SECTION * 2 + 1)]
    page, seen = visitor.page("/results?kind=non_patient"), []
    while True:
        seen += [int(link.removeprefix("/strips/")) for link in page.links("/strips/")]
        more = page.links("/results?kind=non_patient&before=")
        if not more:
            break
        page = visitor.page(more[0])
    assert seen == made[::-1]


def test_a_result_shows_its_codes_messages_and_tries(shelf: Stocked, visitor: Visitor) -> None:
    """From the record back to the bytes: what was printed, coded, rendered, sent and answered."""
    result = shelf.coded(GOOD, to=(Format.ORU_R01, Format.FHIR), number="11", comment="cloudy")
    shelf.answered(result, Answer.ACCEPTED, "filed")
    page = visitor.page(f"/results/{result}")
    assert "Protein 1+ in no message abnormal Negative 57735-3 (PrThr)" in page.text
    assert "records: received 12:00, just now: AA filed Message M000001O" in page.text
    assert "chart: waiting to be sent Not tried yet. Message M000001F" in page.text
    assert "MSH|^~\\&amp;|PADPOST|BENCH|||20261125120000||ORU^R01^ORU_R01|M000001O|P|2.5.1\nPID|1||40700007" in page.html
    assert "&#34;value&#34;: 1.010" in page.html
    assert "cloudy" in page.text
    assert page.links("/strips/")[0] == "/strips/1#received"


def test_a_strip_shows_where_it_ended(shelf: Stocked, visitor: Visitor) -> None:
    """A copy leads to its original."""
    first = shelf.other()
    copy = shelf.copy(first)
    page = visitor.page(f"/strips/{copy}")
    assert "a copy of an earlier strip; not sent" in page.text
    assert page.links(f"/strips/{first}") == [f"/strips/{first}"]
    assert "GLUCNEG PROT1+abnormal" in page.text


# --- what every page has


def test_every_page_can_be_read_by_a_machine(shelf: Stocked, visitor: Visitor) -> None:
    """One h1, the landmarks, a language, a title, a skip link, and a label for every field (WCAG 2.2: 1.3.1, 2.4.1, 2.4.2, 3.1.1, 3.3.2)."""
    for path in [*hostile_pages(shelf, "plain").values(), "/nowhere"]:
        page = Page(visitor.get(path).text)
        assert len(page.all("h1")) == 1, path
        assert [len(page.all(tag)) for tag in ("header", "nav", "main", "footer", "title")] == [1, 1, 1, 1, 1], path
        assert page.all("html") == [{"lang": "en"}], path
        assert page.all("a")[0] == {"class": "skip", "href": "#main"}, path
        assert page.html.count("<label") >= len([its for its in page.all("input") if its.get("type") != "hidden"]), path
        for label in re.findall(r"<label[^>]*>(.*?)</label>", page.html, re.DOTALL):
            assert re.sub(r"<[^>]*>", "", label).strip(), path
        ids = [its["id"] for _, its in page.elements if "id" in its]
        assert len(ids) == len(set(ids)), path


def test_a_page_knows_what_was_newest_when_it_was_opened(shelf: Stocked, visitor: Visitor) -> None:
    """The bar of news counts from there."""
    shelf.coded()
    stop = shelf.rejected()
    body = visitor.page("/rejected").all("body")[0]
    assert (body["data-watch"], body["data-stop"], body["data-strip"]) == ("stops", str(stop), "2")
    assert visitor.page("/").all("body")[0]["data-watch"] == "strips"
    assert visitor.page(f"/rejected/{stop}").all("body")[0]["data-watch"] == "row"


# --- purged by the site's rule, and in doubt after a restore


def test_a_purged_result_shows_its_proof_and_no_patient(shelf: Stocked, visitor: Visitor) -> None:
    """What is left is said plainly: that it was purged and when, and for each receiver the control ID, the digest and the answers."""
    result = shelf.coded(GOOD, to=(Format.ORU_R01,), name=f"{GOOD}.txt")
    shelf.answered(result, Answer.ACCEPTED, f"filed for {GOOD}")
    strip_id = shelf.purged(result)
    page = visitor.page(f"/results/{result}")
    digest = shelf.store.deliveries(result)[0].payload_digest
    for words in ("Purged by the site's rule, 12:00, just now", "M000001O", digest, "records: received", "12:00, just now: AA"):
        assert words in page.text
    strip = visitor.page(f"/strips/{strip_id}")
    for words in ("Purged by the site's rule, 12:00, just now", "the bytes as received are kept no longer", "SHA-256"):
        assert words in strip.text
    pages = (page, strip, visitor.page("/results"), visitor.page("/"))
    assert not [each for each in pages if GOOD in each.html]
    shown = visitor.get(f"/api/results/{result}").json()
    assert (shown["pads"], shown["purged_at"], shown["deliveries"][0]["message"]) == ([], "2026-11-25T12:00:00Z", "")
    assert shown["deliveries"][0]["message_sha256"] == digest


def test_a_purged_stop_shows_who_ended_it_and_by_which_rule(shelf: Stocked, visitor: Visitor) -> None:
    """The sentence is gone, since it may name what was printed; the rule's name stands for it."""
    stop_id = shelf.rejected()
    shelf.desk.discard(stop_id, reason="run again", actor=Actor(name="Ana", verified="unverified"), specimen="run again")
    stop = shelf.store.stop(stop_id)
    assert stop is not None
    shelf.purge(stop.capture_id or 0)
    page = visitor.page(f"/rejected/{stop_id}")
    for words in (
        "Patient ID fails its check digit",
        "Purged by the site's rule, 12:00, just now",
        "discarded by Ana (unverified)",
    ):
        assert words in page.text
    assert MISTYPED not in page.html


def test_a_result_in_doubt_after_a_restore_asks_for_a_decision(shelf: Stocked, visitor: Visitor) -> None:
    """It is no turned-away message: it stands among those that wait for a decision, and says where to look first."""
    result = shelf.coded(GOOD, to=(Format.ORU_R01,))
    shelf.restored()
    (stop,) = shelf.store.stops()
    listed = visitor.page("/rejected")
    assert "may have been sent to records after the backup of" in section(listed, "held")
    page = visitor.page(f"/rejected/{stop.stop_id}")
    for words in ("may have been sent to records after the backup of", "Look for it in records.", "Send again", "Discard"):
        assert words in page.text
    assert "Correct the patient ID" not in page.text
    assert "Release" not in page.text
    assert "may have been sent; waiting for your decision" in visitor.page(f"/results/{result}").text
