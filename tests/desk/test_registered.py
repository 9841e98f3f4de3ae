"""On which terms an identifier is registered as no patient's."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from bridge.desk.registered import RegisterDesk
from bridge.errors import RefusedAction
from bridge.model import Actor, Purpose
from tests.pages.stocked import GOOD, NOW, Stocked
from tests.store.registered_contract import ROUND

WHO = Actor(name="Ben", verified="unverified")
NOBODY = Actor(name=" ", verified="unverified")


@pytest.mark.parametrize(
    ("more", "actor", "sentence"),
    [
        ({}, NOBODY, "Say who you are"),
        ({"text": "*"}, WHO, "3 signs of its own"),
        ({"purpose": Purpose.PATIENT}, WHO, "Choose proficiency, comparison or training."),
        ({"purpose": Purpose.CONTROL}, WHO, "Controls are known by their lot."),
        ({"scheme": " "}, WHO, "Give the scheme"),
        ({"until": date(2026, 10, 31)}, WHO, "Give a first and a last day"),
        ({"until": ROUND.since + timedelta(days=401)}, WHO, "at most 400 days apart"),
        ({"text": GOOD}, WHO, "A result of a patient has this identifier already."),
    ],
)
def test_what_cannot_stand_is_refused(shelf: Stocked, more: dict[str, Any], actor: Actor, sentence: str) -> None:
    """Hazard HZ-K07: also an identifier under which a patient's result went."""
    shelf.coded(GOOD)
    desk = RegisterDesk(shelf.store, lambda: NOW)
    with pytest.raises(RefusedAction, match=sentence):
        desk.register(replace(ROUND, **more), actor=actor)
    assert shelf.store.registrations() == ()


def test_it_is_signed_and_ended_by_name(shelf: Stocked) -> None:
    """Nothing happens without one, and nothing ends without a reason."""
    desk = RegisterDesk(shelf.store, lambda: NOW)
    made = desk.register(ROUND, actor=WHO)
    with pytest.raises(RefusedAction):
        desk.sign(made, actor=NOBODY)
    desk.sign(made, actor=Actor(name="Ana", verified="unverified"))
    with pytest.raises(RefusedAction, match="Give a reason"):
        desk.end(made, reason=" ", actor=WHO)
    desk.end(made, reason=" over ", actor=WHO)
    (kept,) = shelf.store.registrations()
    assert (kept.entered_by, kept.signed_by, kept.ended_by, kept.reason) == ("Ben", "Ana", "Ben", "over")
