"""What an insert prints, on the ladders of the invented strip types Quill 10 and Sorrel 14."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import TableError
from bridge.model import UnitSystem
from bridge.tables.expected import ranks_between, ranks_of_words, scale, step_text
from bridge.tables.types import StripPad
from tests.tables.shipped_tables import tables

CONVENTIONAL, SI, ARBITRARY = UnitSystem.CONVENTIONAL, UnitSystem.SI, UnitSystem.ARBITRARY


def pad(name: str, strip: str = "quill-10") -> StripPad:
    """Give one pad of a shipped strip type."""
    return next(each for each in tables().strip_types[strip].pads if each.pad == name)


@pytest.mark.parametrize(
    ("name", "low", "high", "system", "ranks"),
    [
        ("glucose", "negative", "negative", CONVENTIONAL, (0,)),
        ("glucose", "negative", "trace", CONVENTIONAL, (0, 1)),
        ("glucose", "120", "600", CONVENTIONAL, (2, 3, 4)),
        ("glucose", "6.7", "33.3", SI, (2, 3, 4)),
        ("glucose", "1+", "3+", ARBITRARY, (2, 3, 4)),
        ("glucose", "1+", "600", CONVENTIONAL, (2, 3, 4)),  # one end as a grade, the other as a number
        ("glucose", "100", "500", CONVENTIONAL, (2, 3)),  # ends that are no steps: the steps between count
        ("glucose", "300", ">=1200", CONVENTIONAL, (3, 4, 5)),
        ("specific_gravity", "1.005", "1.015", CONVENTIONAL, (1, 2)),
        ("specific_gravity", "1.0060", "1.0160", CONVENTIONAL, (1, 2, 3)),  # more zeros than the scale's are the same number
        ("specific_gravity", "0.999", "1.006", CONVENTIONAL, (0, 1)),
        ("ph", "5.5", "7", CONVENTIONAL, (1, 2, 3)),
        ("nitrite", "positive", "positive", CONVENTIONAL, (1,)),
        ("urobilinogen", "normal", "2.5", CONVENTIONAL, (0, 1)),
    ],
)
def test_a_range_is_the_steps_between_its_ends(
    name: str, low: str, high: str, system: UnitSystem, ranks: tuple[int, ...]
) -> None:
    """Both ends count, as the insert prints them; no number is moved to a step and no unit is converted."""
    assert ranks_between(pad(name), low, high, system=system) == ranks


@pytest.mark.parametrize(
    ("name", "low", "high", "system", "key", "sentence"),
    [
        ("glucose", "100", "110", CONVENTIONAL, "high", "No step of glucose lies from 100 to 110."),
        ("glucose", "600", "120", CONVENTIONAL, "high", "No step of glucose lies from 600 to 120."),
        (
            "glucose",
            "300",
            "1500",
            CONVENTIONAL,
            "high",
            "1500 lies inside the step >=1200 of glucose, which is open at one end.",
        ),
        (
            "glucose",
            "1500",
            ">=1200",
            CONVENTIONAL,
            "low",
            "1500 lies inside the step >=1200 of glucose, which is open at one end.",
        ),
        (
            "glucose",
            "300",
            "1200",
            CONVENTIONAL,
            "high",
            "1200 lies inside the step >=1200 of glucose, which is open at one end.",
        ),
        (
            "glucose",
            "0",
            "60",
            CONVENTIONAL,
            "low",
            "Whether negative of glucose belongs to a range from 0 is not said by numbers.",
        ),
        ("glucose", "120", "600", ARBITRARY, "low", "'120' is no step of glucose in arbitrary values."),
        ("glucose", "positive", "positive", CONVENTIONAL, "low", "'positive' is no step of glucose in conventional values."),
        ("glucose", "60", ">=600", CONVENTIONAL, "high", "'>=600' is no step of glucose in conventional values."),
        ("glucose", "60", "1,2", CONVENTIONAL, "high", "'1,2' is no step of glucose in conventional values."),
        ("nitrite", "1", "2", CONVENTIONAL, "low", "'1' is no step of nitrite in conventional values."),
    ],
)
def test_what_the_ladder_cannot_decide_is_refused(
    name: str, low: str, high: str, system: UnitSystem, key: str, sentence: str
) -> None:
    """A range that was guessed would pass a bad analyzer or fail a good one; the person with the insert in hand decides."""
    with pytest.raises(TableError) as caught:
        ranks_between(pad(name), low, high, system=system, path=("expected", 0))
    assert (caught.value.sentence, caught.value.path) == (sentence, ("expected", 0, key))


def test_the_remedy_shows_the_scale() -> None:
    """Whoever types from an insert sees what can be typed."""
    with pytest.raises(TableError) as caught:
        ranks_between(pad("glucose"), "1,2", "60", system=CONVENTIONAL)
    assert caught.value.remedy == ("Write it as the insert prints it, on this scale: negative, 60, 120, 300, 600, >=1200.")


def test_a_step_open_below_counts_whole_or_not_at_all() -> None:
    """Albumin's lowest step is 1.2 and less: a range from 1.0 would cut it."""
    albumin = pad("albumin", "pebble-2")
    assert ranks_between(albumin, "<=1.2", "3.5", system=CONVENTIONAL) == (0, 1)
    assert ranks_between(albumin, "1.5", "9", system=CONVENTIONAL) == (1, 2)
    with pytest.raises(TableError, match=r"1\.0 lies inside the step <=1\.2 of albumin"):
        ranks_between(albumin, "1.0", "9", system=CONVENTIONAL)


def test_words_are_told_one_by_one() -> None:
    """Colours have no order: each that the insert allows is named."""
    color = next(each for each in tables().strip_types["sorrel-14"].pads if each.ladder[0].word)
    words = [step.word for step in color.ladder]
    assert ranks_of_words(color, [words[1], words[0], words[1]]) == (0, 1)
    with pytest.raises(TableError, match="has no word 'mauve'") as caught:
        ranks_of_words(color, [words[0], "mauve"], path=("here",))
    assert caught.value.path == ("here", "words", 1)
    with pytest.raises(TableError, match="nitrite has no word 'negative'") as caught:
        ranks_of_words(pad("nitrite"), ["negative"])
    assert caught.value.remedy == "It has grades or numbers: give low and high."


def test_steps_as_people_write_them() -> None:
    """The form for a new lot shows the ladder in the unit system of the insert."""
    assert scale(pad("glucose"), SI) == "negative, 3.3, 6.7, 16.7, 33.3, >=66.6"
    assert scale(pad("glucose"), ARBITRARY) == "negative, trace, 1+, 2+, 3+, 4+"
    assert scale(pad("specific_gravity"), SI).startswith("1.000, 1.006")
    assert step_text(pad("nitrite").ladder[1], CONVENTIONAL) == "positive"


@given(st.sampled_from(["conventional", "si"]), st.decimals(0, 2000, places=1), st.decimals(0, 2000, places=1))
def test_a_range_never_takes_in_a_number_outside_it(system: str, low: Decimal, high: Decimal) -> None:
    """Whatever two numbers stand on an insert: each step that is allowed lies between them, and each step between them is allowed."""
    glucose, units = pad("glucose"), UnitSystem(system)
    try:
        ranks = ranks_between(glucose, str(low), str(high), system=units)
    except TableError:
        return
    numbers = {step.rank: step.si if units is SI else step.conventional for step in glucose.ladder}
    between = {rank for rank, number in numbers.items() if number and low <= number.value <= high}
    assert set(ranks) == between
