"""A list is narrowed by what stands in its address, and says what it could be narrowed to with how many rows."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from bridge.lifecycle.ageing import Age
from bridge.lifecycle.states import StopGroup
from bridge.pages.narrowed import Digest, Narrowed, count_of, digest, facets
from bridge.store.rows import StopCount, StopSearch

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
HELD, REFUSED = StopGroup.HELD, StopGroup.REFUSED


def count(number: int, group: StopGroup = HELD, rule: str = "copy.possible", **more: object) -> StopCount:
    """Count so many rows that are alike."""
    alike = {"analyzer": "bench-a", "destination": "", "owner": "", "age": 0, "oldest": NOW, **more}
    return StopCount(group=group, rule=rule, count=number, **alike)  # type: ignore[arg-type]  # the fields vary by row


COUNTS = (
    count(3),
    count(4, analyzer="bench-b", owner="Bo", age=1),
    count(5, rule="time.missing", age=3),
    count(6, REFUSED, "deliver.refused", destination="records", owner="Ana"),
)


def _told(narrowed: Narrowed) -> dict[str, list[tuple[str, str, int]]]:
    return {each.name: [(o.value, o.words, o.count) for o in each.options] for each in facets(COUNTS, narrowed)}


def test_every_value_that_is_there_has_its_count() -> None:
    """In the order of its words; ages from the new to the old, and what nobody has taken before all names."""
    told = _told(Narrowed())
    assert [(value, number) for value, _, number in told["rule"]] == [
        ("time.missing", 5),
        ("copy.possible", 7),
        ("deliver.refused", 6),
    ]
    assert told["analyzer"] == [("bench-a", "bench-a", 14), ("bench-b", "bench-b", 4)]
    assert told["receiver"] == [("records", "records", 6)]
    assert told["age"] == [
        ("new", "new: less than 30 minutes", 9),
        ("waiting", "waiting: 30 minutes to 2 hours", 4),
        ("very long", "very long: a day or more", 5),
    ]
    assert told["owner"] == [("-", "nobody yet", 8), ("Ana", "Ana", 6), ("Bo", "Bo", 4)]


def test_a_count_is_of_what_the_others_leave() -> None:
    """Else a person would choose a value and find nothing. What is chosen stays in the list, with none if so."""
    told = _told(Narrowed(rule="copy.possible", age="very long"))
    assert told["age"] == [
        ("new", "new: less than 30 minutes", 3),
        ("waiting", "waiting: 30 minutes to 2 hours", 4),
        ("very long", "very long: a day or more", 0),
    ]
    assert [(value, number) for value, _, number in told["rule"]] == [("time.missing", 5), ("copy.possible", 0)]
    assert told["analyzer"] == []
    assert _told(Narrowed(group=REFUSED))["analyzer"] == [("bench-a", "bench-a", 6)]


def test_a_group_counts_what_is_shown_of_it() -> None:
    """Of nothing chosen, all of it."""
    assert [count_of(COUNTS, Narrowed(), group) for group in (HELD, REFUSED)] == [12, 6]
    assert [count_of(COUNTS, Narrowed(owner="-"), group) for group in (HELD, REFUSED)] == [8, 0]


def test_what_waits_is_summed_up_by_age() -> None:
    """The oldest first, since that is what a shift hands over; and what nobody has taken."""
    assert digest(COUNTS) == Digest(ages=((Age.VERY_LONG, 5), (Age.WAITING, 4), (Age.NEW, 9)), free=8)
    assert digest(()) == Digest(ages=(), free=0)


def test_the_store_is_asked_the_same() -> None:
    """Nobody's is an empty owner, an age is a span of time, and what is not chosen narrows nothing."""
    assert Narrowed().search(now=NOW) == StopSearch()
    asked = Narrowed(group=HELD, rule="a.a", analyzer="bench-a", receiver="records", age="long", owner="-", after=7)
    assert asked.search(now=NOW) == StopSearch(
        group=HELD,
        rule="a.a",
        analyzer="bench-a",
        destination="records",
        owner="",
        opened_after=NOW - timedelta(hours=24),
        opened_until=NOW - timedelta(hours=2),
    )
    assert Narrowed(owner="Bo").search(now=NOW) == StopSearch(owner="Bo")
    assert Narrowed(age="very long").search(now=NOW) == StopSearch(opened_until=NOW - timedelta(hours=24))


def test_the_address_keeps_what_was_chosen() -> None:
    """Over to the next rows, and back to all groups."""
    asked = Narrowed(group=HELD, analyzer="bench a&b", after=3)
    assert asked.query(after=9) == "?group=held&analyzer=bench+a%26b&after=9"
    assert asked.query(group=None) == "?analyzer=bench+a%26b"
    assert Narrowed(after=3).query() == ""
    assert (asked.is_narrowed, Narrowed(group=HELD).is_narrowed) == (True, False)
