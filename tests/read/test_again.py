"""What is judged anew when a capture is read again, and what stays."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from bridge.model import Place, Reading, Unreadable
from bridge.read.again import Known, holds, one_anew, whole_anew


def _reading(index: int, digest: str) -> Reading:
    return Reading(index=index, place=_place(digest), analyzer="a", profile="p", record_digest=digest)


def _place(digest: str) -> Place:
    return Place(start=ord(digest[0]), end=ord(digest[0]) + 1)


def _known(digest: str, *, settled: bool = False) -> Known:
    return Known(place=_place(digest), record_digest=digest, is_settled=settled)


def test_a_strip_that_went_stays_when_its_neighbour_is_read_again() -> None:
    """The unreadable one is judged anew and the strip that was sent is not sent a second time."""
    readings = (_reading(0, "x"), _reading(1, "y"), _reading(2, "z"))
    known = {0: _known("x", settled=True), 1: _known("broken"), 2: _known("z")}
    assert whole_anew(readings, known) == readings[1:]


def test_another_strip_at_the_place_of_one_that_went_is_stopped() -> None:
    """It would take the other's identity and go as a correction into another patient's record; nothing of it is lost either."""
    readings = (_reading(0, "new"), _reading(1, "more"), _reading(2, "sent"))
    known = {0: _known("broken"), 1: _known("sent", settled=True)}
    first, moved, displaced = whole_anew(readings, known)
    assert (first, moved) == (readings[0], readings[2])  # the moved one is known by its bytes, and judged a copy
    assert isinstance(displaced, Unreadable)
    assert (displaced.index, displaced.place, displaced.record_digest) == (3, _place("more"), "more")
    assert (displaced.finding.rule, displaced.finding.place) == ("read.cut", _place("more"))
    again = whole_anew(readings, {**known, 3: _known("more")})
    assert again[2] == displaced  # the same index the next time: one row, not two


def test_one_strip_is_read_at_its_own_place() -> None:
    """A mended profile may read its bytes otherwise; that is what reading again is for."""
    known = {0: _known("x"), 1: _known("y")}
    readings = (_reading(0, "x"), _reading(1, "y, mended"))
    assert one_anew(readings, known, index=1, analyzer="a") == (readings[1],)
    assert one_anew(readings, known, index=0, analyzer="a") == (readings[0],)
    assert one_anew(readings, {}, index=1, analyzer="a") == (readings[1],)
    assert one_anew((), {}, index=1, analyzer="a") == ()


def test_one_strip_whose_place_is_gone_or_anothers_is_not_lost() -> None:
    """Its row would be closed and nothing would stand for it: it stays, and says why."""
    known = {0: _known("x"), 1: _known("y")}
    for readings in ((_reading(0, "x"),), (_reading(0, "w"), _reading(1, "x"), _reading(2, "y"))):
        (left,) = one_anew(readings, known, index=1, analyzer="a")
        assert isinstance(left, Unreadable)
        assert (left.index, left.place, left.record_digest, left.finding.rule) == (1, _place("y"), "y", "read.cut")


@given(
    st.lists(st.sampled_from("abcdef"), max_size=6),
    st.dictionaries(st.integers(0, 6), st.tuples(st.sampled_from("abcdef"), st.booleans()), max_size=6),
)
def test_reading_again_loses_nothing_and_touches_nothing_settled(digests: list[str], before: dict[int, tuple[str, bool]]) -> None:
    """Every strip is judged, stopped, or settled already at its own place; no index is used twice."""
    readings = tuple(_reading(index, digest) for index, digest in enumerate(digests))
    known = {index: replace(_known(digest), is_settled=settled) for index, (digest, settled) in before.items()}
    anew = whole_anew(readings, known)
    indexes = [each.index for each in anew]
    settled = {index: strip.record_digest for index, strip in known.items() if strip.is_settled}
    assert len(set(indexes)) == len(indexes)
    assert settled.keys().isdisjoint(indexes)
    stay = [reading.record_digest for reading in readings if settled.get(reading.index) == reading.record_digest]
    assert sorted([each.record_digest for each in anew] + stay) == sorted(digests)


def test_a_strip_is_held_by_its_bytes_and_only_as_a_strip() -> None:
    """A person's decision is about these bytes: a profile that cannot read them, or reads others, does not hold the strip."""
    unread = one_anew((_reading(0, "y"),), {0: _known("x"), 1: _known("y")}, index=0, analyzer="a")
    assert [each.record_digest for each in unread] == ["x"]
    assert holds((_reading(4, "x"),), _known("x"))
    assert not holds((_reading(0, "y"),), _known("x"))
    assert not holds(unread, _known("x"))
    assert not holds((_reading(0, "x"),), None)
