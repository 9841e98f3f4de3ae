"""Values that are made fast are the values that their class makes."""

from __future__ import annotations

import copy
import pickle
from dataclasses import FrozenInstanceError, dataclass, field, replace

import pytest

from bridge.making import maker
from bridge.model import Place, Printed, PrintedPad

PLACE = Place(start=3, end=7)
make_place = maker(Place)


def test_it_is_the_value_that_the_class_makes() -> None:
    made = make_place(start=3, end=7)
    assert type(made) is Place
    assert (made, hash(made), repr(made)) == (PLACE, hash(PLACE), "Place(start=3, end=7)")


def test_it_is_frozen() -> None:
    made = make_place(start=3, end=7)
    with pytest.raises(FrozenInstanceError):
        made.start = 4  # type: ignore[misc]  # what is tried is what must fail
    assert made == PLACE


def test_defaults_stand_in_for_what_is_not_given() -> None:
    said = Printed(text="1+", place=PLACE)
    make = maker(PrintedPad)
    assert make(label=said, value=said) == PrintedPad(label=said, value=said)
    assert make(label=said, value=said, mark=said) == PrintedPad(label=said, value=said, mark=said)


def test_it_is_changed_copied_and_pickled_like_any_other() -> None:
    made = make_place(start=3, end=7)
    assert replace(made, end=9) == Place(start=3, end=9)
    assert copy.deepcopy(made) == PLACE
    assert pickle.loads(pickle.dumps(made)) == PLACE


@pytest.mark.parametrize("given", [{"start": 3}, {"start": 3, "end": 7, "stop": 9}])
def test_a_wrong_field_is_refused(given: dict[str, int]) -> None:
    with pytest.raises(TypeError):
        make_place(**given)


@dataclass(frozen=True)
class _WithoutSlots:
    start: int


@dataclass(frozen=True, slots=True)
class _Worked:
    start: int

    def __post_init__(self) -> None:
        assert self.start


@dataclass(frozen=True, slots=True)
class _Listed:
    starts: list[int] = field(default_factory=list)


class _Plain:
    pass


@pytest.mark.parametrize("kind", [_WithoutSlots, _Worked, _Listed, _Plain])
def test_a_class_whose_making_does_more_is_refused(kind: type) -> None:
    with pytest.raises(TypeError, match=kind.__name__):
        maker(kind)
