"""When two records speak of one strip."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from bridge.identity.strip import NOT_UNDERSTOOD, contradicts, in_doubt, key_of, same_content, without_values
from bridge.model import StripContent, StripKey

WHOLE = StripContent(
    patient_id="4711", operator="12", strip_type="fern-3", strip_lot="L100", pads=(("glucose", 1), ("protein", 0))
)

texts = st.sampled_from(["", "a", "b"])
pad_rows = st.lists(st.tuples(st.sampled_from(["glucose", "protein", "nitrite"]), st.integers(-4, 2)), max_size=3).map(tuple)
contents = st.builds(StripContent, patient_id=texts, operator=texts, strip_type=texts, strip_lot=texts, pads=pad_rows)


def test_a_key_takes_leading_zeros_for_one_number() -> None:
    """The serial line prints 007 where the file prints 7: one strip."""
    assert key_of(analyzer="a", mode="m", series="s", number=int("007")) == StripKey(
        analyzer="a", mode="m", series="s", number="7"
    )
    assert key_of(analyzer="a", mode="m", series="", number=None).number == ""


def test_what_one_layout_does_not_print_is_no_contradiction() -> None:
    """The slip prints no lot and no operator; it is still the strip that the line sent."""
    assert same_content(WHOLE, replace(WHOLE, operator="", strip_lot=""))
    assert same_content(replace(WHOLE, patient_id=""), WHOLE)


def test_each_printed_difference_contradicts() -> None:
    """Patient, operator, strip type, lot and each pad are what a strip is known by."""
    for other in (
        replace(WHOLE, patient_id="4712"),
        replace(WHOLE, operator="13"),
        replace(WHOLE, strip_type="other"),
        replace(WHOLE, strip_lot="L101"),
        replace(WHOLE, pads=(("glucose", 2), ("protein", 0))),
    ):
        assert contradicts(WHOLE, other)
        assert not same_content(WHOLE, other)


def test_what_was_not_understood_is_neither_the_same_nor_a_contradiction() -> None:
    """A record with an unknown value, or torn, says less of the strip, not something else."""
    for partial in (
        replace(WHOLE, pads=(("glucose", NOT_UNDERSTOOD), ("protein", 0))),
        replace(WHOLE, pads=(("glucose", 1),)),
        replace(WHOLE, pads=()),
    ):
        assert not contradicts(WHOLE, partial)
        assert not same_content(WHOLE, partial)
    assert contradicts(WHOLE, replace(WHOLE, pads=(("glucose", NOT_UNDERSTOOD), ("protein", 1))))


def test_a_step_in_doubt_contradicts_only_another_one_in_doubt() -> None:
    """Units that are undecided make a step unsure: a sure one may be the same strip, another unsure one was printed otherwise."""
    doubtful = replace(WHOLE, pads=(("glucose", in_doubt(1)), ("protein", 0)))
    assert in_doubt(0) < NOT_UNDERSTOOD
    assert not contradicts(WHOLE, doubtful)
    assert not same_content(WHOLE, doubtful)
    assert same_content(doubtful, replace(doubtful, operator=""))
    assert contradicts(doubtful, replace(WHOLE, pads=(("glucose", in_doubt(2)), ("protein", 0))))
    assert contradicts(doubtful, replace(WHOLE, pads=(("glucose", 1), ("protein", 1))))


@given(contents, contents)
def test_the_comparison_has_no_direction(one: StripContent, other: StripContent) -> None:
    """Which of the two came first decides nothing, and the same is never a contradiction."""
    assert same_content(one, one)
    assert same_content(one, other) == same_content(other, one)
    assert contradicts(one, other) == contradicts(other, one)
    assert not (same_content(one, other) and contradicts(one, other))


# --- purged contents


def test_a_purged_content_holds_nothing_and_still_knows_its_like() -> None:
    """Nothing can be read of it; the same content, purged too or not, is the same, and any difference is a difference."""
    left = without_values(WHOLE)
    assert (left.patient_id, left.operator, left.strip_type, left.strip_lot, left.pads) == ("", "", "", "", ())
    assert len(left.digest) == 64
    assert same_content(WHOLE, left)
    assert same_content(left, WHOLE)
    assert same_content(left, without_values(left))
    for change in ({"patient_id": "4712"}, {"operator": ""}, {"strip_type": ""}, {"strip_lot": ""}, {"pads": (("glucose", 2),)}):
        assert not same_content(replace(WHOLE, **change), left)
        assert not contradicts(replace(WHOLE, **change), left)  # nothing is left that could contradict
