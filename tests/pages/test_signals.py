"""The page Signals in the browser's eyes: what stands in plain words, forms that keep a name, refusals that say why."""

from __future__ import annotations

from dataclasses import replace

from bridge.pages.signals import STATE_WORDS, standing
from bridge.signals.kinds import Cause, Kind
from bridge.signals.machine import EASINGS, Signal, SignalState
from bridge.store.commands import NoteOnSignal
from tests.pages.stocked import NOW, Page, Stocked, Visitor
from tests.store.signal_contract import OPENED, keep
from tests.store.strips import BO

WHO = {"name": "Ana"}


def of(kind: Kind, *subjects: str, state: SignalState = SignalState.OPEN, count: int = 1) -> Signal:
    """Give a signal of these subjects."""
    causes = tuple(Cause(kind=kind, subject=subject, since=NOW, count=count) for subject in subjects)
    return replace(OPENED, kind=kind, causes=causes, state=state, since=NOW, opened_at=NOW, said_at=NOW, known=())


def test_every_kept_state_has_words() -> None:
    """What only rises is on no page."""
    assert set(STATE_WORDS) == set(SignalState) - {SignalState.RISING}


def test_nothing_is_said_calmly(still: Visitor) -> None:
    """A quiet site says so, and Today has no head of signals."""
    text = still.page("/signals").text
    assert "Nothing is signalled now." in text
    assert "Nothing is muted." in text
    assert "signals#signal" not in still.page("/").html


def test_signals_stand_on_today_and_on_their_page(shelf: Stocked, visitor: Visitor) -> None:
    """The most urgent first, in words and with links to where each is worked on; names of instruments cannot run."""
    keep(shelf.store, of(Kind.SILENT, "<script>alert(1)</script>"), at=NOW)
    keep(shelf.store, of(Kind.STAT, "stop:12", *(f"strip:{number}" for number in range(20, 40))), at=NOW)
    today, page = visitor.page("/"), visitor.page("/signals")
    for shown in (today.text, page.text):
        assert shown.index("21 STAT strips have not gone") < shown.index("An analyzer has been silent in opening hours")
    assert 'href="/signals#signal-2"' in today.html
    assert 'href="/rejected/12"' in page.html
    assert "and 9 more" in page.text
    assert "<script>alert" not in page.html
    assert [each.mark.value for each in standing(shelf.store, now=NOW)] == ["cannot", "decide"]


def test_a_person_takes_it_in_hand(shelf: Stocked, visitor: Visitor) -> None:
    """Once: who comes second is told, and sees who has it."""
    number = keep(shelf.store, of(Kind.RECEIVER, "records"), at=NOW)
    path = f"/signals/{number}/acknowledge"
    first = visitor.post(path, **WHO, note="calling them")
    assert (first.status_code, first.headers["location"]) == (303, "/signals")
    text = visitor.page("/signals").text
    assert "in hand, Ana since" in text
    assert ": acknowledged by Ana (unverified): calling them" in text
    assert "I have it in hand" not in text
    assert "in hand, Ana" in visitor.page("/").text
    second = visitor.post(path, name="Ben")
    assert second.status_code == 409
    assert "Not done. Somebody has acknowledged this signal already, or it is over." in Page(second.text).text
    assert visitor.post(path, **WHO, token="old").status_code == 403


def test_notes_are_kept_and_listed(shelf: Stocked, visitor: Visitor) -> None:
    """With who wrote them; an empty one is refused."""
    number = keep(shelf.store, of(Kind.RECEIVER, "records"), at=NOW)
    assert visitor.post(f"/signals/{number}/note", **WHO, note="cable <b>3</b>").status_code == 303
    assert ": note by Ana (unverified): cable <b>3</b>" in visitor.page("/signals").text
    assert visitor.post(f"/signals/{number}/note", **WHO, note=" ").status_code == 409
    assert visitor.post("/signals/999/note", **WHO, note="x").status_code == 409


def test_a_kind_is_muted_and_heard_again(shelf: Stocked, visitor: Visitor) -> None:
    """It stands with a name and a reason, and still on Today."""
    keep(shelf.store, of(Kind.RECEIVER, "records"), at=NOW)
    assert visitor.post("/signals/mute", kind="receiver", hours="4", reason="works on the line", **WHO).status_code == 303
    text = visitor.page("/signals").text
    assert "Muted until 16:00, in 4 h by Ana: works on the line" in text
    assert "A receiver takes nothing" in visitor.page("/").text
    assert visitor.post("/signals/mute", kind="receiver", hours="0", reason="mended", **WHO).status_code == 303
    assert "Nothing is muted." in visitor.page("/signals").text
    assert visitor.post("/signals/mute", kind="weather", hours="4", reason="x", **WHO).status_code == 422
    assert visitor.post("/signals/mute", kind="receiver", hours="3", reason="x", **WHO).status_code == 409


def test_what_is_over_is_listed(shelf: Stocked, visitor: Visitor) -> None:
    """With its time and who had it in hand; an easing one says that it may be back."""
    number = keep(shelf.store, of(Kind.WAITING, "records", count=9), at=NOW)
    shelf.store.submit(NoteOnSignal(signal_id=number, actor=BO, text="x", at=NOW)).result(10)
    (seen,) = shelf.store.standing_signals()
    keep(shelf.store, replace(seen, state=SignalState.EASING), at=NOW)
    assert SignalState.EASING in EASINGS
    assert "gone just now, perhaps for a moment" in visitor.page("/signals").text
    (seen,) = shelf.store.standing_signals()
    keep(shelf.store, replace(seen, state=SignalState.ENDED, acknowledged_by="Bo"), at=NOW)
    assert (
        "9 messages wait, the oldest for too long from 12:00, just now to 12:00, just now; in hand: Bo"
        in visitor.page("/signals").text
    )
