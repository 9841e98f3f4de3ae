"""What keeps Padpost from a door: each fault closes the destination, under a code that is safe for logs, with words for a technician."""

from __future__ import annotations

import pytest

from bridge.lifecycle.answers import DOOR, DoorFault, Silence, describe, door_words, no_answer
from bridge.model import Acknowledgement, Answer


@pytest.mark.parametrize("fault", DoorFault)
def test_each_fault_closes_the_destination_and_says_why(fault: DoorFault) -> None:
    """Nothing is consumed by a certificate or a token; the page has our words, the receiver's stay in the text."""
    given = no_answer(fault, "their own words")
    assert given == Acknowledgement(answer=Answer.CLOSED, code=fault.value, text="their own words")
    assert door_words(given) == f"{fault.value}: {DOOR[fault].why}"
    assert f"| {fault.value} | destination closed | {DOOR[fault].why} |" in describe()


def test_no_two_codes_are_the_same() -> None:
    """The page finds its words by the code."""
    codes = [*map(str, DoorFault), *map(str, Silence)]
    assert len(codes) == len(set(codes))
    assert set(DOOR) == set(DoorFault)
