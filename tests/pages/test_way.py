"""The way line: which station a strip stands at, how it is drawn, and the same in a sentence."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from bridge.lifecycle.states import StopGroup, StopState
from bridge.model import DeliveryState, Format
from bridge.pages.way import STATIONS, Way, times_of, way_of_result, way_of_stop, way_of_strip
from bridge.pages.words import Mark
from tests.pages.stocked import NOW, Stocked, finding

S = DeliveryState


def drawn(way: Way) -> str:
    """Give a way as one word a station."""
    return " ".join(station.mark.value for station in way.stations)


def words(way: Way) -> list[str]:
    """Give the words that stand at stations."""
    return [station.word for station in way.stations if station.word]


def test_the_stations_are_those_of_every_strip() -> None:
    """One order, everywhere."""
    assert STATIONS == ("received", "read", "checked", "coded", "sent", "acknowledged")
    assert tuple(station.name for station in way_of_result([]).stations) == STATIONS


@pytest.mark.parametrize(
    ("rule", "at", "word"),
    [
        ("patient.check_digit", 2, "patient ID fails its check digit"),
        ("read.torn", 1, "stopped in the middle"),
        ("code.unmapped", 3, "no code for a pad or value"),
        ("render.charset", 4, "character that the receiver lacks"),
    ],
)
def test_a_stop_ends_where_its_rule_stands(shelf: Stocked, rule: str, at: int, word: str) -> None:
    """Solid up to the station, the reason's sign and word there, nothing behind."""
    stop = shelf.store.stop(shelf.rejected(found=finding(rule, sentence="It stopped.")))
    assert stop is not None
    way = way_of_stop(stop)
    assert drawn(way) == " ".join(["done"] * at + ["cannot"] + ["ahead"] * (5 - at))
    assert way.stations[at].word == word
    assert words(way) == [word]
    assert way.sentence == f"stopped at {STATIONS[at]}: It stopped."


def test_the_three_groups_are_drawn_differently(shelf: Stocked) -> None:
    """Waiting for a decision, cannot be sent, turned away: each its own sign."""
    stops = [shelf.store.stop(each) for each in (shelf.held(), shelf.rejected(), shelf.refused())]
    ways = [way_of_stop(stop) for stop in stops if stop]
    assert [drawn(way) for way in ways] == [
        "done done decide ahead ahead ahead",
        "done done cannot ahead ahead ahead",
        "done done done done done turned",
    ]
    assert words(ways[2]) == ["turned away"]


def test_a_file_that_was_not_taken_stops_at_received(shelf: Stocked) -> None:
    """Nothing of it was kept, so nothing was read."""
    stop = shelf.store.stop(shelf.refused_file())
    assert stop is not None
    assert drawn(way_of_stop(stop)) == "cannot ahead ahead ahead ahead ahead"
    assert words(way_of_stop(stop)) == ["file or message not taken"]


def test_a_closed_stop_asks_for_nothing(shelf: Stocked) -> None:
    """What a person dealt with is no longer drawn as waiting for one."""
    stop = shelf.store.stop(shelf.rejected())
    assert stop is not None
    assert drawn(way_of_stop(replace(stop, state=StopState.CLOSED))) == "done done end ahead ahead ahead"
    assert {group: way_of_stop(replace(stop, group=group)).stations[-1].mark for group in StopGroup} == {
        StopGroup.HELD: Mark.AHEAD,
        StopGroup.REJECTED: Mark.AHEAD,
        StopGroup.REFUSED: Mark.TURNED,
    }


@pytest.mark.parametrize(
    ("states", "line", "sentence"),
    [
        ([], "done done done end ahead ahead", "ended at coded: not sent to any receiver"),
        ([S.UNBORN], "done done done done wait ahead", "coded, waiting to be sent"),
        ([S.QUEUED, S.ACCEPTED], "done done done done wait ahead", "coded, waiting to be sent"),
        ([S.SENDING], "done done done done done wait", "sent, waiting to be acknowledged"),
        ([S.RETRYING, S.QUEUED], "done done done done done wait", "sent, waiting to be acknowledged"),
        ([S.ACCEPTED, S.ACCEPTED], "done done done done done done", "acknowledged: received by every receiver"),
        ([S.ACCEPTED, S.REFUSED], "done done done done done turned", "stopped at acknowledged: turned away by a receiver"),
        ([S.EXPIRED, S.SENDING], "done done done done done turned", "stopped at acknowledged: turned away by a receiver"),
        ([S.SUPERSEDED, S.ACCEPTED], "done done done done done done", "acknowledged: received by every receiver"),
        ([S.DISCARDED], "done done done end ahead ahead", "ended at coded: not sent to any receiver"),
        ([S.SUPERSEDED], "done done done end ahead ahead", "ended at coded: not sent to any receiver"),
    ],
)
def test_a_result_is_as_far_as_its_slowest_receiver(states: list[DeliveryState], line: str, sentence: str) -> None:
    """Acknowledged means by every receiver; one that turned it away shows first, as a person is needed there."""
    way = way_of_result(states)
    assert (drawn(way), way.sentence) == (line, sentence)


def test_a_strip_that_became_no_result(shelf: Stocked) -> None:
    """Controls and copies end at checked and ask for nothing; a stopped strip ends with its reason."""
    first = shelf.other()
    copy = shelf.copy(first)
    shelf.rejected()
    shelf.unread()
    shelf.held()
    shelf.coded(to=(Format.ORU_R01,))
    strips = {strip.outcome: strip for strip in shelf.store.strips()}
    assert shelf.store.strip(copy) == strips["copy"]
    assert {outcome: drawn(way_of_strip(strip, [S.QUEUED])) for outcome, strip in strips.items()} == {
        "non_patient": "done done end ahead ahead ahead",
        "copy": "done done end ahead ahead ahead",
        "rejected": "done done cannot ahead ahead ahead",
        "unreadable": "done cannot ahead ahead ahead ahead",
        "held": "done done decide ahead ahead ahead",
        "coded": "done done done done wait ahead",
    }
    assert {outcome: words(way_of_strip(strip, [])) for outcome, strip in strips.items()} == {
        "non_patient": ["stored and shown; in no patient's record"],
        "copy": ["a copy of an earlier strip; not sent"],
        "rejected": ["patient ID fails its check digit"],
        "unreadable": ["stopped in the middle"],
        "held": ["no date and time"],
        "coded": ["not sent"],
    }
    assert way_of_strip(strips["copy"], []).sentence == "ended at checked: a copy of an earlier strip; not sent"
    assert way_of_strip(strips["unreadable"], []).sentence == "stopped at read: could not be read"


def test_each_station_has_its_time(shelf: Stocked) -> None:
    """Sent with the first try, acknowledged once every receiver has it; what lies ahead has none."""
    result_id = shelf.coded(to=(Format.ORU_R01, Format.FHIR))
    shelf.now = NOW + timedelta(minutes=3)
    shelf.answered(result_id)
    detail = shelf.store.result(result_id)
    assert detail is not None
    half = times_of(detail.strip, [(each, tries) for each, _, tries in detail.deliveries])
    assert half == {**dict.fromkeys(("received", "read", "checked", "coded"), NOW), "sent": shelf.now}
    shelf.now = NOW + timedelta(minutes=5)
    shelf.answered(result_id, destination="chart")
    detail = shelf.store.result(result_id)
    assert detail is not None
    whole = times_of(detail.strip, [(each, tries) for each, _, tries in detail.deliveries])
    assert whole["acknowledged"] == shelf.now
    assert whole["sent"] == NOW + timedelta(minutes=3)
    with shelf.serving() as visitor:
        page = visitor.page(f"/results/{result_id}")
    assert [its["datetime"] for its in page.all("time")] == [whole[name].isoformat() for name in STATIONS]


def test_a_strip_that_is_no_result_was_not_coded(shelf: Stocked) -> None:
    """Its stations end where it stopped."""
    shelf.rejected()
    (strip,) = shelf.store.strips()
    assert times_of(strip) == dict.fromkeys(("received", "read", "checked"), NOW)
    with shelf.serving() as visitor:
        assert len(visitor.page(f"/strips/{strip.strip_id}").all("time")) == 3
