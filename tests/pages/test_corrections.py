"""A result's page with its versions, and the page Corrections, over a real store and a real server."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest

from bridge.model import Actor, Answer, Format
from bridge.store.commands import BearMessage
from tests.pages.stocked import GOOD, OTHER, Page, Stocked, Visitor

WHO = {"name": "Ana", "colleague": "Rui", "reason": "the ward called"}


@pytest.fixture
def sent(shelf: Stocked) -> str:
    """Give a result that its receiver has accepted."""
    result = shelf.coded(to=(Format.ORU_R01,), number="17", specimen_id="U-17")
    shelf.answered(result, Answer.ACCEPTED, "filed")
    return result


def test_a_corrected_result_shows_its_versions_in_order(shelf: Stocked, visitor: Visitor, sent: str) -> None:
    """Which, by whom and why, and where each stands at each receiver; the forms stay, for the newest."""
    answer = visitor.post(f"/results/{sent}/correct", version="1", order_number="", specimen_id="U-71", **WHO)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/results/{sent}")
    page = visitor.page(f"/results/{sent}")
    assert "1 first report records: received" in page.text
    assert re.search(
        r"2 corrected: specimen number Ana \(unverified\) with Rui, 12:\S+ just now: the ward called records: waiting", page.text
    )
    assert "specimen number, previously reported as U-17" in page.text
    assert "records, version 1: received" in page.text
    assert page.all("input", name="version")[0]["value"] == "2"
    assert visitor.page("/corrections").links("/results/") == [f"/results/{sent}"]


def test_a_number_with_unseen_characters_stays_as_it_is_unless_it_is_typed_anew(shelf: Stocked, visitor: Visitor) -> None:
    """The form shows them in brackets, and never takes what it shows for a new number."""
    number = "U\u202e17"
    result = shelf.coded(to=(Format.ORU_R01,), number="17", specimen_id=number)
    shelf.answered(result, Answer.ACCEPTED, "filed")
    shown = visitor.page(f"/results/{result}").all("input", name="specimen_id")[0]["value"]
    assert shown == "U[U+202E]17"
    answer = visitor.post(f"/results/{result}/correct", version="1", specimen_id=shown, comment="Collected at home.", **WHO)
    assert answer.status_code == 303
    found = shelf.store.result(result)
    assert found is not None
    assert found.result is not None
    assert (found.version, found.result.specimen_id) == (2, number)


def test_a_result_of_the_wrong_patient_leads_to_the_right_one(shelf: Stocked, visitor: Visitor, sent: str) -> None:
    """And back; the wrong record's page offers no more to do."""
    fields = {"version": "1", "first": OTHER, "second": OTHER, "second_identifier": "U-17", **WHO}
    assert visitor.post(f"/results/{sent}/move", **fields).status_code == 303
    page = visitor.page(f"/results/{sent}")
    assert "Withdrawn." in page.text
    assert page.all("form", action=f"/results/{sent}/withdraw") == []
    (row,) = shelf.store.corrections()
    new = row.correction.new_result_id
    assert f"/results/{new}" in page.links("/results/")
    there = visitor.page(f"/results/{new}")
    assert OTHER in there.text
    assert GOOD not in there.text
    assert f"/results/{sent}" in there.links("/results/")
    assert len(there.all("form", action=f"/results/{new}/withdraw")) == 1


def test_a_withdrawn_result_stays_on_the_list(shelf: Stocked, visitor: Visitor, sent: str) -> None:
    """Its strip is a withdrawn one."""
    assert visitor.post(f"/results/{sent}/withdraw", version="1", **WHO).status_code == 303
    page = visitor.page(f"/results/{sent}")
    assert "records may still show it: its withdrawal is on its way." in page.text
    assert "2 withdrawn Ana" in page.text
    assert visitor.page("/results").links("/results/") == [f"/results/{sent}"]
    strip = shelf.store.result(sent)
    assert strip is not None
    assert "withdrawn: it was posted in error" in visitor.page(f"/strips/{strip.strip.strip_id}").text


@pytest.mark.parametrize(
    ("action", "fields", "why"),
    [
        ("correct", {}, "Nothing would change"),
        ("move", {"first": OTHER, "second": GOOD, "second_identifier": "U-17"}, "differ"),
        ("withdraw", {"colleague": "Ana"}, "another name"),
        ("withdraw", {"version": "7"}, "does not stand as you saw it"),
    ],
)
def test_what_is_refused_says_why_and_changes_nothing(
    shelf: Stocked, visitor: Visitor, sent: str, action: str, fields: dict[str, str], why: str
) -> None:
    """409, the sentence, and what was typed."""
    given = {"version": "1", "specimen_id": "U-17", **WHO, **fields}
    answer = visitor.post(f"/results/{sent}/{action}", **given)
    assert answer.status_code == 409
    page = Page(answer.text)
    assert why in page.text
    assert page.all("input", name="reason")[0]["value"] == "the ward called"
    assert shelf.store.corrections() == ()
    assert visitor.post(f"/results/{sent}/undo", version="1").status_code in (404, 422)
    assert visitor.post(f"/results/{sent}/withdraw", version="1", token="x", **WHO).status_code == 403
    assert visitor.post("/results/NONE/withdraw", version="1", **WHO).status_code == 404


def test_whom_to_telephone_stands_on_three_pages_until_it_was_read_back(shelf: Stocked, visitor: Visitor, sent: str) -> None:
    """HZ-I03: nobody has acknowledged it in time. Today, Corrections and the result ask for both units; each call is kept."""
    fields = {"version": "1", "first": OTHER, "second": OTHER, "second_identifier": "U-17", **WHO}
    visitor.post(f"/results/{sent}/move", **fields)
    assert "Nobody is to be telephoned." in visitor.page("/corrections").text
    assert "somebody is to be telephoned" not in visitor.page("/").text
    shelf.now += timedelta(minutes=30)
    assert "1 correction: somebody is to be telephoned." in visitor.page("/").text
    assert (
        "Telephone the unit that has the wrong result and the unit of the right patient now."
        in visitor.page(f"/results/{sent}").text
    )
    page = visitor.page("/corrections")
    units = [each["value"] for each in page.all("input", name="unit")]
    assert units == ["the unit that has the wrong result", "the unit of the right patient"]
    (form, _) = page.all("form", **{"class": "act"})
    assert visitor.post(form["action"], unit=units[0], told="", name="Ana").status_code == 409
    assert visitor.post(form["action"], unit=units[0], told="Eva, ward 3", name="Ana", read_back="yes").status_code == 303
    assert visitor.post(form["action"], unit=units[1], told="Ilse, ward 5", name="Ana").status_code == 303
    page = visitor.page("/corrections")
    assert [each["value"] for each in page.all("input", name="unit")] == units[1:]
    assert "Ilse, ward 5, by Ana (unverified), not read back" in page.text
    visitor.post(form["action"], unit=units[1], told="Ilse, ward 5", name="Ana", read_back="yes")
    assert "Nobody is to be telephoned." in visitor.page("/corrections").text
    assert "somebody is to be telephoned" not in visitor.page("/").text


def born(shelf: Stocked, result_id: str) -> None:
    """Let the message of a result's second version be made."""
    ((number, result),) = shelf.store.unborn("records", limit=9)
    sent = ("records", 1)
    (first,) = [message for row, message, _ in shelf.store.result(result_id).deliveries if (row.destination, row.version) == sent]  # type: ignore[union-attr]  # it is there
    made = type(first)(
        destination="records", format=first.format, control_id="M2", payload=first.payload, result_id=result_id, version=2,
        lane=first.lane, priority=result.priority,
    )  # fmt: skip
    shelf.store.submit(BearMessage(delivery_id=number, message=made, at=shelf.now)).result(10)


def test_an_acknowledged_withdrawal_asks_for_nobody(shelf: Stocked, visitor: Visitor, sent: str) -> None:
    """In time or late."""
    visitor.post(f"/results/{sent}/withdraw", version="1", **WHO)
    born(shelf, sent)
    shelf.answered(sent, Answer.ACCEPTED, "filed")
    shelf.now += timedelta(hours=2)
    assert "Nobody is to be telephoned." in visitor.page("/corrections").text


def test_a_way_is_that_of_the_newest_version(shelf: Stocked, visitor: Visitor, sent: str) -> None:
    """A receiver's yes to an earlier version is no yes to the one that was turned away and given up."""
    visitor.post(f"/results/{sent}/correct", version="1", specimen_id="U-71", **WHO)
    born(shelf, sent)
    shelf.answered(sent, Answer.REFUSED)
    (stop,) = shelf.store.stops()
    shelf.desk.discard(stop.stop_id, reason="r", actor=Actor(name="Ana", verified="unverified"))
    strip = shelf.store.result(sent)
    assert strip is not None
    for page in (f"/results/{sent}", f"/strips/{strip.strip.strip_id}"):
        labels = [its["aria-label"] for its in visitor.page(page).all("ol", **{"class": "way"})]
        assert labels == ["The strip's way: ended at coded: not sent to any receiver"], page
