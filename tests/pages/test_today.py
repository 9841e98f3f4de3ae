"""What Today gathers: faults once, what is urgent, missing numbers, receivers, and sums that add up."""

from __future__ import annotations

from datetime import timedelta

import pytest

from bridge.bench.tally import Fate
from bridge.lifecycle.states import DestinationState, StopGroup
from bridge.model import Answer, Format, Priority, Purpose
from bridge.pages import words
from bridge.pages.today import (
    EXTRA_TERMS,
    STORE_AWAY,
    STORE_FAILED,
    STORE_FULL,
    URGENT,
    Term,
    fate_terms,
    faults,
    standing_terms,
    today,
)
from bridge.store.commands import SetDestination
from tests.pages.stocked import GOOD, NOW, OTHER, Stocked

STAT = Priority.STAT


class Sick:
    """A store that says what is wrong with it; nothing else of it is asked."""

    def __init__(self, fault: str = "", away: str = "", shortage: str = "") -> None:
        self.fault = fault
        self.away = away
        self.shortage = shortage


def test_an_empty_store_has_an_empty_day(shelf: Stocked) -> None:
    """Nothing is wrong, nothing is stopped, and both receivers stand there as open and empty."""
    day = today(shelf.store, shelf.site(), now=NOW)
    assert (day.faults, day.stopped, day.urgent, day.last_through, day.missing) == ((), 0, (), None, ())
    assert [(row.name, row.state, row.waiting) for row in day.destinations] == [
        ("records", DestinationState.OPEN, 0),
        ("chart", DestinationState.OPEN, 0),
    ]
    assert (day.tally.series, day.unreadable_captures, day.refused_files) == ((), 0, 0)


def test_what_is_stopped_is_counted_by_group(shelf: Stocked) -> None:
    """Held, rejected and turned away are three different asks."""
    shelf.held(), shelf.rejected(), shelf.unread(), shelf.refused_file(), shelf.refused()
    day = today(shelf.store, shelf.site(), now=NOW)
    assert dict(day.counts) == {StopGroup.HELD: 1, StopGroup.REJECTED: 3, StopGroup.REFUSED: 1}
    assert (day.stopped, day.unreadable_captures, day.refused_files) == (5, 1, 1)


def test_the_urgent_list_holds_stat_alone_and_what_waits_longest_first(shelf: Stocked) -> None:
    """Over all three groups; bounded, since the list of Rejected messages has them all. HZ-I05."""
    first = shelf.held(priority=STAT)
    shelf.rejected()
    more = [shelf.rejected(priority=STAT) for _ in range(URGENT)]
    urgent = today(shelf.store, shelf.site(), now=NOW).urgent
    assert [stop.stop_id for stop in urgent] == [first, *more[:-1]]


def test_the_last_strip_that_went_through_is_said(shelf: Stocked) -> None:
    """Today's last acknowledgement; on a quiet morning the one of the newest result."""
    result = shelf.coded(to=(Format.ORU_R01,))
    assert today(shelf.store, shelf.site(), now=NOW).last_through is None
    shelf.now = NOW + timedelta(minutes=1)
    shelf.answered(result)
    assert today(shelf.store, shelf.site(), now=NOW).last_through == NOW + timedelta(minutes=1)
    assert today(shelf.store, shelf.site(), now=NOW + timedelta(days=3)).last_through == NOW + timedelta(minutes=1)


def test_a_number_that_never_came_is_missing(shelf: Stocked) -> None:
    """Whatever became of a strip, its number was used; a control's and a stopped one's as well."""
    shelf.coded(number="1")
    shelf.rejected(number="2")
    shelf.other(number="4")
    shelf.coded(number="7")
    missing = today(shelf.store, shelf.site(), now=NOW).missing
    assert [(part.gap.analyzer, part.gap.first, part.gap.last) for part in missing] == [("bench-a", 3, 3), ("bench-a", 5, 6)]


def test_the_day_adds_up(shelf: Stocked) -> None:
    """Every strip is in one term of its series, every result in one term of its receiver."""
    accepted = shelf.coded(GOOD, to=(Format.ORU_R01, Format.FHIR))
    shelf.answered(accepted)
    shelf.coded(OTHER, to=(Format.ORU_R01,))
    shelf.rejected()
    shelf.held()
    control = shelf.other()
    shelf.other(Purpose.TRAINING)
    shelf.copy(control, number="5")
    day = today(shelf.store, shelf.site(), now=NOW)
    (series,) = day.tally.series
    assert [(term.words, term.count) for term in fate_terms(series.strips)] == [
        ("sent on", 2),
        ("waiting for your decision", 1),
        ("cannot be sent", 1),
        ("control", 1),
        ("other than patients", 1),
    ]
    assert [(term.words, term.count) for term in fate_terms(series.strips, EXTRA_TERMS)] == [("copy", 1)]
    assert (series.used, series.first_readings, series.readings, series.difference) == (6, 6, 7, 0)
    by_name = {each.destination: each for each in day.tally.destinations}
    assert [(term.words, term.count) for term in standing_terms(by_name["records"].strips)] == [("received", 1), ("waiting", 1)]
    assert [(term.words, term.count) for term in standing_terms(by_name["chart"].strips)] == [("waiting", 1)]


def test_controls_that_are_sent_stand_beside_the_receivers_sum(shelf: Stocked) -> None:
    """They are controls of their series as before; at their receiver they are no results sent on, so both sums come out."""
    shelf.coded(GOOD, to=(Format.ORU_R01,))
    assert today(shelf.store, shelf.site(), now=NOW).has_sent_controls is False
    shelf.answered(shelf.sent_control(), destination="qc")
    shelf.sent_control(Purpose.COMPARISON)
    shelf.other()
    day = today(shelf.store, shelf.site(), now=NOW)
    (series,) = day.tally.series
    assert [(term.words, term.count) for term in fate_terms(series.strips)] == [
        ("sent on", 1),
        ("controls", 2),
        ("other than patients", 1),
    ]
    assert series.difference == 0
    qc, records = day.tally.destinations
    assert (qc.destination, qc.sent_on, len(qc.unaccounted), standing_terms(qc.strips)) == ("qc", 1, 1, ())
    assert [(term.words, term.count) for term in standing_terms(qc.controls)] == [("received", 1), ("waiting", 1)]
    assert (records.destination, standing_terms(records.controls)) == ("records", ())
    assert day.has_sent_controls is True


def test_yesterdays_strips_are_not_todays(shelf: Stocked) -> None:
    """By arrival within the site's own day."""
    shelf.coded(arrived_at=NOW - timedelta(hours=13))  # 23:00 the day before, in Lisbon
    shelf.coded(arrived_at=NOW - timedelta(hours=11))
    (series,) = today(shelf.store, shelf.site(), now=NOW).tally.series
    assert series.readings == 1


def test_a_receiver_without_an_answer_says_since_when_and_until_when(shelf: Stocked) -> None:
    """Why, since when, and when the next result tries: in our words, on the row of the receiver."""
    reason = "timeout: Sent, and no answer in time: its fate is unknown; the same bytes go again."
    state = SetDestination(name="records", state=DestinationState.RESTING, reason=reason, at=NOW)
    shelf.store.submit(state).result(10)
    with shelf.serving(next_tries=lambda: {"records": NOW + timedelta(minutes=2)}) as visitor:
        page = visitor.get("/").text
    row = next(line for line in page.splitlines() if ">records</a></td>" in line)
    assert "gives no answer, so one result at a time tries: timeout: Sent, and no answer in time" in row
    at = [words.when(then, now=shelf.now, zone=shelf.site().zone) for then in (NOW, NOW + timedelta(minutes=2))]
    assert f"since {at[0]}; next try {at[1]}" in row


def test_a_former_receiver_is_still_shown(shelf: Stocked) -> None:
    """One that the configuration no longer names may have messages waiting."""
    shelf.store.submit(SetDestination(name="attic", state=DestinationState.SHUT, reason="No plan.", at=NOW)).result(10)
    shelf.coded(to=(Format.ORU_R01,))
    rows = today(shelf.store, shelf.site(), now=NOW).destinations
    assert [(row.name, row.state, row.reason, row.waiting) for row in rows] == [
        ("records", DestinationState.OPEN, "", 1),
        ("chart", DestinationState.OPEN, "", 0),
        ("attic", DestinationState.SHUT, "No plan.", 0),
    ]


def test_a_result_turned_away_counts_at_its_receiver(shelf: Stocked) -> None:
    """The receivers' table and the sum agree."""
    shelf.refused()
    result = shelf.coded(to=(Format.ORU_R01,))
    shelf.answered(result, Answer.TRY_AGAIN)
    day = today(shelf.store, shelf.site(), now=NOW)
    assert (day.destinations[0].waiting, day.destinations[0].refused) == (1, 1)
    (receiver,) = day.tally.destinations
    assert [(term.words, term.count) for term in standing_terms(receiver.strips)] == [
        ("waiting", 1),
        ("turned away or given up", 1),
    ]


def test_terms_list_the_strips_that_they_count() -> None:
    """A sum that is doubted can be walked back to its strips; an empty term is left out."""
    assert fate_terms({Fate.SENT_ON: (3, 4), Fate.HELD: ()}) == (Term(words="sent on", count=2, strips=(3, 4)),)


@pytest.mark.parametrize(
    ("store", "loops", "expected"),
    [
        (Sick(), (), ()),
        (Sick(), ("source drops: fell over; see the log",), ("source drops: fell over; see the log",)),
        (Sick(fault="Writing failed."), ("Writing failed.",), (f"{STORE_FAILED} Writing failed.",)),
        (Sick(away="Nobody answers."), ("source a: Nobody answers.",), (f"{STORE_AWAY} Nobody answers.",)),
        (Sick(shortage="The disk is full."), (), (f"{STORE_FULL} The disk is full.",)),
        (Sick(shortage="The disk is full."), ("analyzer a: The disk is full.",), (f"{STORE_FULL} The disk is full.",)),
        (
            Sick(fault="Writing failed.", shortage="The disk is full."),
            ("x: y", "x: y"),
            (f"{STORE_FAILED} Writing failed.", f"{STORE_FULL} The disk is full.", "x: y"),
        ),
    ],
)
def test_what_keeps_the_service_from_working_is_said_once(
    shelf: Stocked, store: Sick, loops: tuple[str, ...], expected: tuple[str, ...]
) -> None:
    """In words for a technician first; the loops' repetition of the store's own words is left out."""
    assert faults(store, shelf.site(not_ready=lambda: loops)) == expected  # type: ignore[arg-type]  # only these are asked
