"""Whether a printed time can be believed: the median's limits, the usual causes, and the order of the numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.check.clock import clock_right, off_words, order_kept, usual_cause
from bridge.model import ClockFacts, Finding, SeriesState, Severity, StripKey
from bridge.tables.types import ClockRule

BERLIN, NEW_YORK = ZoneInfo("Europe/Berlin"), ZoneInfo("America/New_York")
ARRIVED = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
RULE = ClockRule()
MINUTE = timedelta(minutes=1)
KEY = StripKey(analyzer="bench-1", mode="all", series="2026-11-25", number="43")


def doubts(
    own: timedelta, known: timedelta | None = None, *, fresh: bool = True, rule: ClockRule = RULE, arrived_at: datetime = ARRIVED,
    zone: ZoneInfo = BERLIN,
) -> tuple[Finding, ...]:  # fmt: skip
    """Judge a strip that was printed ``own`` before it arrived, by a clock that is known to be off by ``known``."""
    facts = ClockFacts(offset=known, strips=5, is_fresh=fresh)
    return clock_right((arrived_at - own).astimezone(zone), None, arrived_at=arrived_at, clock=facts, rule=rule)


def rules(found: tuple[Finding, ...]) -> list[str]:
    """Name the rules of findings."""
    return [each.rule for each in found]


@pytest.mark.parametrize(
    ("known", "rule"),
    [
        (timedelta(), None),
        (3 * MINUTE, None),
        (15 * MINUTE, None),
        (16 * MINUTE, "time.clock_off"),
        (-16 * MINUTE, "time.clock_off"),
        (timedelta(hours=25), "time.clock_off"),
        (timedelta(days=365), "time.clock_off"),
        (None, None),
    ],
)
def test_the_median_decides_beyond_the_sites_limit(known: timedelta | None, rule: str | None) -> None:
    """Hazard HZ-D08 at 0, 3 and 16 minutes, 25 hours and a year: held beyond the limit, exactly the limit is in order."""
    found = doubts(known or timedelta(), known, fresh=False)
    assert rules(found) == ([rule] if rule else [])
    assert all(each.severity is Severity.HOLD and each.releasable for each in found)


def test_the_sentence_says_which_way() -> None:
    """The technician sets the clock by it."""
    assert doubts(16 * MINUTE, 16 * MINUTE)[0].sentence == "By its last 5 strips the analyzer's clock is 16 min behind."
    assert doubts(-80 * MINUTE, -80 * MINUTE)[0].sentence == "By its last 5 strips the analyzer's clock is 1 h 20 min ahead."
    assert (off_words(30 * MINUTE), off_words(-timedelta(days=2))) == ("30 min behind", "48 h 0 min ahead")


def test_a_clock_that_was_set_right_is_believed_at_once() -> None:
    """Its own time agrees with its arrival: the strips before it say nothing of it any more. A batch has only the last known offset."""
    assert doubts(MINUTE, timedelta(hours=2)) == ()
    assert rules(doubts(MINUTE, timedelta(hours=2), fresh=False)) == ["time.clock_off"]


def test_one_late_strip_is_no_clock() -> None:
    """Sent five hours after it was read, by an analyzer whose clock is known to be right: nothing is wrong with it."""
    assert doubts(timedelta(hours=5), timedelta()) == ()


def test_a_site_may_let_it_go_with_a_note() -> None:
    """Whether a doubtful time stops a strip is the laboratory's word."""
    (found,) = doubts(16 * MINUTE, 16 * MINUTE, rule=replace(RULE, stops=False))
    assert found.severity is Severity.NOTE
    assert clock_right(ARRIVED, None, arrived_at=ARRIVED, clock=ClockFacts(offset=timedelta(days=1), strips=5), rule=None) == ()


@pytest.mark.parametrize(
    ("hours", "minutes", "is_near"),
    [(11, 58, True), (12, 2, True), (-11, -58, True), (-12, -2, True), (11, 44, False), (12, 16, False), (11, 45, True)],
)
def test_near_twelve_hours_is_a_finding_of_its_own(hours: int, minutes: int, is_near: bool) -> None:
    """Hazard HZ-K06 at 11:58 and 12:02: one strip that was sent as it was read is enough, and a known clock too."""
    own = timedelta(hours=hours, minutes=minutes)
    assert (rules(doubts(own)) == ["time.half_day"]) is is_near
    assert (rules(doubts(own, own, fresh=False)) == ["time.half_day"]) is is_near


def test_the_half_day_is_told_with_both_times() -> None:
    """The technician sees which half of the day is meant."""
    (found,) = doubts(timedelta(hours=12))
    assert found.sentence == (
        "The strip says 2026-11-24 22:00 and arrived at 2026-11-25 10:00: near twelve hours apart, as if morning and afternoon were mixed up."
    )


# The nights as zoneinfo has them; each with the change in minutes (summer begins: forward)
CHANGES = [
    (BERLIN, datetime(2026, 3, 29, 1, 0, tzinfo=UTC), 60),
    (BERLIN, datetime(2026, 10, 25, 1, 0, tzinfo=UTC), -60),
    (NEW_YORK, datetime(2026, 3, 8, 7, 0, tzinfo=UTC), 60),
    (NEW_YORK, datetime(2026, 11, 1, 6, 0, tzinfo=UTC), -60),
    (ZoneInfo("Australia/Lord_Howe"), datetime(2026, 10, 3, 15, 30, tzinfo=UTC), 30),
]


@pytest.mark.parametrize(("zone", "change", "minutes"), CHANGES)
def test_a_change_of_the_clocks_that_was_missed(zone: ZoneInfo, change: datetime, minutes: int) -> None:
    """Hazard HZ-D09, both nights and two continents, against zoneinfo: the analyzer prints the old offset's time for three days, then it is drift."""
    before, after = (change + timedelta(seconds=by) for by in (-1, 0))
    assert (after.astimezone(zone).utcoffset() or timedelta()) - (
        before.astimezone(zone).utcoffset() or timedelta()
    ) == minutes * MINUTE
    for arrived_at, rule in (
        (change + timedelta(hours=4), "time.clock_change"),
        (change + timedelta(days=2, hours=23), "time.clock_change"),
        (change + timedelta(days=4), "time.clock_off"),
    ):
        wall = (arrived_at.astimezone(zone) - minutes * MINUTE).replace(tzinfo=None)  # what an unset clock shows
        own = arrived_at - wall.replace(tzinfo=zone).astimezone(UTC)
        assert own == minutes * MINUTE
        assert rules(doubts(own, own, fresh=False, arrived_at=arrived_at, zone=zone)) == [rule]
    own = minutes * MINUTE
    assert usual_cause(-own, change.astimezone(zone), arrived_at=change + timedelta(hours=4)) is None
    early = usual_cause(-own, change.astimezone(zone), arrived_at=change - timedelta(days=1))  # set a day too early
    assert early is not None
    assert early[0] == "time.clock_change"


@pytest.mark.parametrize(("off", "is_change"), [(54, False), (55, True), (65, True), (66, False)])
def test_the_missed_change_is_near_the_hour(off: int, is_change: bool) -> None:
    """Hazard HZ-D09: 55 to 65 minutes near a change night; another offset is the clock's own."""
    arrived_at = datetime(2026, 3, 29, 9, 0, tzinfo=UTC)
    expected = "time.clock_change" if is_change else "time.clock_off"
    assert rules(doubts(off * MINUTE, off * MINUTE, fresh=False, arrived_at=arrived_at)) == [expected]


@pytest.mark.parametrize(("zone", "change", "minutes"), CHANGES)
@given(second=st.integers(-3 * 3600, 3 * 3600))
def test_a_right_clock_is_right_through_the_night(zone: ZoneInfo, change: datetime, minutes: int, second: int) -> None:
    """Both faces of an hour that comes twice are instants: a strip printed half a minute before it arrives is never in doubt."""
    arrived_at = change + timedelta(seconds=second)
    assert abs(minutes) in {30, 60}
    assert doubts(timedelta(seconds=30), timedelta(seconds=30), arrived_at=arrived_at, zone=zone) == ()


@pytest.mark.parametrize(("zone", "hour_utc"), [(BERLIN, 23), (NEW_YORK, 5)])
def test_midnight_is_no_edge(zone: ZoneInfo, hour_utc: int) -> None:
    """Read twenty seconds before midnight, arrived ten after it: half a minute is half a minute, whatever the date says."""
    arrived_at = datetime(2026, 11, 24, hour_utc, 0, 10, tzinfo=UTC)
    printed = arrived_at - timedelta(seconds=30)
    assert printed.astimezone(zone).date() != arrived_at.astimezone(zone).date()
    assert doubts(timedelta(seconds=30), timedelta(), arrived_at=arrived_at, zone=zone) == ()


def test_day_and_month_the_other_way_round() -> None:
    """Hazard HZ-D10: 3 April read as 4 March, on a live line; the twelfth of December is the same either way."""
    arrived_at = datetime(2026, 4, 3, 9, 0, tzinfo=UTC)
    (found,) = doubts(arrived_at - datetime(2026, 3, 4, 9, 0, tzinfo=UTC), arrived_at=arrived_at)
    assert found.rule == "time.day_month"
    assert found.sentence == (
        "The strip says 2026-03-04 10:00; with day and month the other way round it would be of 2026-04-03, when it arrived."
    )
    assert (
        usual_cause(timedelta(days=30), datetime(2026, 12, 12, tzinfo=BERLIN), arrived_at=datetime(2027, 1, 11, tzinfo=UTC))
        is None
    )
    assert (
        usual_cause(timedelta(days=30), datetime(2026, 3, 13, tzinfo=BERLIN), arrived_at=datetime(2026, 4, 12, tzinfo=UTC))
        is None
    )


def test_every_day_of_a_year_that_has_another_reading_is_found() -> None:
    """Hazard HZ-D10, over a year: 132 of 365 days have another valid reading (own count); each that was printed the wrong way is told."""
    told = []
    for day in range(365):
        read_at = datetime(2026, 1, 1, 12, 0, tzinfo=BERLIN) + timedelta(days=day)
        if read_at.day <= 12 and read_at.day != read_at.month:
            printed = read_at.replace(month=read_at.day, day=read_at.month)
            arrived_at = read_at.astimezone(UTC) + MINUTE
            told.append(usual_cause(arrived_at - printed.astimezone(UTC), printed, arrived_at=arrived_at))
    assert [each[0] for each in told if each] == ["time.day_month"] * 132


def ordered(printed: datetime, newest: SeriesState | None, *, key: StripKey = KEY, rule: ClockRule | None = RULE) -> list[str]:
    """Name what the order of the numbers says."""
    return rules(order_kept(key, printed, newest, arrived_at=ARRIVED, rule=rule))


def test_time_goes_on_with_the_numbers() -> None:
    """Number 43 was read after 42: a batch in which it says an earlier time has a clock that was set back, or was wrong before."""
    newest = SeriesState(series=KEY.series, last_number=42, last_printed_at=ARRIVED - 60 * MINUTE)
    assert ordered(ARRIVED - 75 * MINUTE, newest) == ["time.order"]
    assert ordered(ARRIVED - 61 * MINUTE, newest) == []  # one layout prints seconds, another minutes
    assert ordered(ARRIVED - 30 * MINUTE, newest) == []
    assert ordered(ARRIVED - 75 * MINUTE, newest, key=replace(KEY, number="41")) == []  # an earlier one that comes late
    assert ordered(ARRIVED - 75 * MINUTE, newest, key=replace(KEY, series="2026-11-24")) == []
    assert ordered(ARRIVED - 75 * MINUTE, newest, rule=None) == []
    assert ordered(ARRIVED - 75 * MINUTE, None) == []
    assert ordered(ARRIVED + 16 * MINUTE, replace(newest, last_printed_at=ARRIVED + 30 * MINUTE)) == []  # its own time cannot be
    ahead = replace(newest, last_printed_at=ARRIVED + timedelta(hours=20))
    assert ordered(ARRIVED - 75 * MINUTE, ahead) == []  # it was held itself; what comes after it is not its fault
    (found,) = order_kept(KEY, (ARRIVED - 75 * MINUTE).astimezone(BERLIN), newest, arrived_at=ARRIVED, rule=RULE)
    assert found.sentence == "Number 43 says 2026-11-25 08:45, but number 42, read before it, says 2026-11-25 09:00."
