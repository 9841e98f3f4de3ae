"""On which terms people act on signals."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest

from bridge.desk.signals import SignalDesk
from bridge.errors import RefusedAction
from bridge.model import Actor
from bridge.signals.kinds import Kind
from bridge.signals.machine import SignalState
from tests.pages.stocked import NOW, Stocked
from tests.store.signal_contract import OPENED, keep

WHO = Actor(name=" Ben ", verified="unverified")
NOBODY = Actor(name=" ", verified="unverified")


@pytest.mark.parametrize(
    ("act", "sentence"),
    [
        (lambda desk: desk.acknowledge(1, note="", actor=NOBODY), "Say who you are: the name is kept with what you do."),
        (lambda desk: desk.note(1, text="x", actor=NOBODY), "Say who you are: the name is kept with what you do."),
        (lambda desk: desk.note(1, text=" ", actor=WHO), "Write what the note is to say."),
        (lambda desk: desk.mute(Kind.STAT, hours=1, reason=" ", actor=WHO), "Give a reason: it is kept with what you do."),
        (lambda desk: desk.mute(Kind.STAT, hours=900, reason="x", actor=WHO), "A kind is muted for 1, 4, 8 or 24 hours."),
        (lambda desk: desk.mute(Kind.TELLING, hours=4, reason="x", actor=WHO), "What may hurt a patient within the hour is muted for 1 hour at most. Acknowledge it if you have it in hand."),
        (lambda desk: desk.mute(Kind.STORE, hours=4, reason="x", actor=WHO), "What a process tells of itself cannot be muted: mend it, or start Padpost again."),
        (lambda desk: desk.mute(Kind.STAT, hours=1, reason="x", actor=NOBODY), "Say who you are: the name is kept with what you do."),
    ],
)  # fmt: skip
def test_nobody_acts_without_name_and_reason(shelf: Stocked, act: Callable[[SignalDesk], None], sentence: str) -> None:
    """HZ-I01: nothing is kept of what was not done; nothing is muted for good, and a critical result that nobody was told of for an hour at most."""
    keep(shelf.store, OPENED, at=NOW)
    with pytest.raises(RefusedAction) as refused:
        act(SignalDesk(shelf.store, lambda: NOW))
    assert str(refused.value) == sentence
    assert [each.state for each in shelf.store.standing_signals()] == [SignalState.OPEN]
    assert shelf.store.muted_kinds(now=NOW) == ()


def test_a_mute_ends_by_itself_and_by_hand(shelf: Stocked) -> None:
    """For some hours at most; 0 hours let it be heard at once."""
    desk = SignalDesk(shelf.store, lambda: NOW)
    keep(shelf.store, OPENED, at=NOW)
    desk.acknowledge(1, note="", actor=WHO)
    assert shelf.store.standing_signals()[0].acknowledged_by == "Ben"
    desk.mute(Kind.RECEIVER, hours=4, reason="works on the line", actor=WHO)
    (row,) = shelf.store.muted_kinds(now=NOW)
    assert (row.until, row.by.name, row.reason) == (NOW + timedelta(hours=4), "Ben", "works on the line")
    desk.mute(Kind.RECEIVER, hours=0, reason="line is mended", actor=WHO)
    assert shelf.store.muted_kinds(now=NOW) == ()
