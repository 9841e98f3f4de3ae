"""What every act is kept with."""

from __future__ import annotations

import pytest

from bridge.desk.who import named, require_name, require_other, require_reason
from bridge.errors import RefusedAction
from bridge.model import Actor

ANA = Actor(name=" Ana Reyes ", verified="unverified")


def test_a_name_and_a_reason_are_asked_for() -> None:
    """Blanks are neither."""
    assert named(ANA) == Actor(name="Ana Reyes", verified="unverified")
    for refused in (
        lambda: require_name(Actor(name=" ", verified="unverified")),
        lambda: named(Actor(name="", verified="unverified")),
    ):
        with pytest.raises(RefusedAction, match="Say who you are"):
            refused()
    require_reason("spilt")
    with pytest.raises(RefusedAction, match="Give a reason"):
        require_reason("\t")


def test_the_second_person_is_another_one() -> None:
    """Also where the name is written a little otherwise."""
    require_other("Rui", ANA)
    with pytest.raises(RefusedAction, match="must be another one than you"):
        require_other("ana  reyes", ANA)
