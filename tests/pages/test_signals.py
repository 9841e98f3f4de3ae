"""The page Signals in the browser's eyes: what stands in plain words, forms that keep a name, refusals that say why."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta

from bridge.model import Actor
from bridge.pages.language import language
from bridge.pages.signals import SAY_MARKS, SAY_WORDS, STATE_WORDS, standing
from bridge.pages.site import ShownDigest, ShownWay
from bridge.signals.kinds import Cause, Kind
from bridge.signals.machine import EASINGS, Signal, SignalState, What
from bridge.store.commands import NoteOnSignal, NoteSaid
from bridge.store.rows import SayState
from tests.pages.stocked import NOW, Page, Stocked, Visitor
from tests.store.signal_contract import MAIL, OPENED, keep
from tests.store.strips import BO

WHO = {"name": "Ana"}


def of(kind: Kind, *subjects: str, state: SignalState = SignalState.OPEN, count: int = 1) -> Signal:
    """Give a signal of these subjects."""
    causes = tuple(Cause(kind=kind, subject=subject, since=NOW, count=count) for subject in subjects)
    return replace(OPENED, kind=kind, causes=causes, state=state, since=NOW, opened_at=NOW, said_at=NOW, known=())


def test_every_kept_state_has_words() -> None:
    """What only rises is on no page."""
    assert set(STATE_WORDS) == set(SignalState) - {SignalState.RISING}
    assert set(SAY_WORDS) == set(SAY_MARKS) == set(SayState)


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
    assert "was first. Somebody has acknowledged this signal already, or it is over." in Page(second.text).text
    assert visitor.post(path, **WHO, token="old").status_code == 403


def test_notes_are_kept_and_listed(shelf: Stocked, visitor: Visitor) -> None:
    """With who wrote them; an empty one is refused."""
    number = keep(shelf.store, of(Kind.RECEIVER, "records"), at=NOW)
    assert visitor.post(f"/signals/{number}/note", **WHO, note="cable <b>3</b>").status_code == 303
    assert ": note by Ana (unverified): cable <b>3</b>" in visitor.page("/signals").text
    assert visitor.post(f"/signals/{number}/note", **WHO, note=" ").status_code == 409
    assert visitor.post("/signals/999/note", **WHO, note="x").status_code == 409


def test_a_kind_is_muted_and_heard_again(shelf: Stocked, visitor: Visitor) -> None:
    """HZ-I01: it stands with a name and a reason, and still on Today, which says what is muted also while nothing of it is signalled."""
    keep(shelf.store, of(Kind.RECEIVER, "records"), at=NOW)
    assert visitor.post("/signals/mute", kind="receiver", hours="4", reason="works on the line", **WHO).status_code == 303
    text = visitor.page("/signals").text
    assert "Muted until 16:00, in 4 h by Ana: works on the line" in text
    today = visitor.page("/").text
    assert "A receiver takes nothing" in today
    assert "Muted: Receiver down, until 16:00, in 4 h, by Ana: works on the line" in today
    assert visitor.post("/signals/mute", kind="telling", hours="4", reason="x", **WHO).status_code == 409
    assert visitor.post("/signals/mute", kind="telling", hours="1", reason="the ward is called", **WHO).status_code == 303
    assert "Muted: Critical result not told, until 13:00, in 1 h, by Ana: the ward is called" in visitor.page("/").text
    visitor.post("/signals/mute", kind="telling", hours="0", reason="told", **WHO)
    assert visitor.post("/signals/mute", kind="receiver", hours="0", reason="mended", **WHO).status_code == 303
    assert "Nothing is muted." in visitor.page("/signals").text
    assert "Muted" not in visitor.page("/").text
    assert visitor.post("/signals/mute", kind="weather", hours="4", reason="x", **WHO).status_code == 422
    assert visitor.post("/signals/mute", kind="receiver", hours="3", reason="x", **WHO).status_code == 409


def test_a_site_without_ways_says_so(still: Visitor) -> None:
    """No button that would do nothing."""
    page = still.page("/signals")
    assert "This site tells signals on its pages only." in page.text
    assert "Send a test" not in page.text


def test_ways_and_causes_are_said_in_the_reader_s_language(shelf: Stocked) -> None:
    """Their names are no language's; what they are, what they hear of and when they are spared is."""
    keep(shelf.store, of(Kind.STAT, "stop:12", "strip:9"), at=NOW)
    keep(shelf.store, of(Kind.SILENT, "strip of the ward"), at=NOW)
    ways = (
        ShownWay(name="pager", host="pager.example", kinds=(Kind.STAT, Kind.ROOM), quiet_from="22:00", quiet_to="06:00"),
        ShownWay(name="desk", host="mail.example", addresses=2),
    )
    with shelf.serving(ways=ways) as visitor:
        text = visitor.page("/signals").text
        assert (
            "pager: signed web hook at pager.example; STAT stuck, Room runs short; quiet from 22:00 to 06:00, but for what is urgent"
            in text
        )
    with shelf.serving(ways=ways, languages=(language("en"), language("es")), language="es") as visitor:
        text = visitor.page("/signals").text
    assert "mensaje rechazado 12" in text
    assert "tira 9" in text
    assert "strip of the ward" in text
    assert "pager: web hook firmado en pager.example; " in text
    assert "; en silencio de 22:00 a 06:00, salvo lo urgente" in text
    assert "desk: correo a 2 direcciones por mail.example; todos los tipos" in text


def test_a_test_says_what_came_of_each_way(shelf: Stocked) -> None:
    """By every way, with the name of who asked; without one nothing is sent."""
    asked: list[Actor] = []

    async def say(actor: Actor) -> tuple[tuple[str, str], ...]:
        asked.append(actor)
        return ("desk", ""), ("pager", "The address answered 503.")

    ways = (ShownWay(name="desk", host="mail.example", addresses=1),)
    with shelf.serving(ways=ways, test_ways=say) as visitor:
        assert "desk: mail to 1 address by mail.example; every kind" in visitor.page("/signals").text
        nobody = visitor.post("/signals/test", name=" ")
        assert (nobody.status_code, asked) == (409, [])
        answer = Page(visitor.post("/signals/test", **WHO).text)
        assert visitor.post("/signals/test", **WHO, token="old").status_code == 403
    assert "desk: taken. Look whether it arrived." in answer.text
    assert "pager: it did not go. The address answered 503." in answer.text
    assert asked == [Actor(name="Ana", verified="unverified")]


def test_what_was_said_is_listed(shelf: Stocked) -> None:
    """With the server's own words where it did not go, and how often it was tried."""
    keep(shelf.store, of(Kind.RECEIVER, "records"), replace(MAIL, due_at=NOW), at=NOW)
    (row,) = shelf.store.due_says(now=NOW, limit=1)
    shelf.store.submit(NoteSaid(say_id=row.say_id, at=NOW, fault="452 no room", due_at=NOW + timedelta(minutes=1))).result(10)
    ways = (ShownWay(name="mail", host="mail.example", addresses=2),)
    with shelf.serving(ways=ways, way_notes=lambda: {"mail": ("the last key runs out",)}) as visitor:
        text = visitor.page("/signals").text
    assert (
        "mail: mail to 2 addresses by mail.example; every kind Its last word did not go: 452 no roomTo look at: the last key runs out"
        in text
    )
    assert text.count("mail, opened: to be said 12:01, in 1 min: 452 no room 1 try") == 2


def test_what_was_said_of_a_signal_is_in_the_reader_s_language(shelf: Stocked) -> None:
    """And of its gender: a signal is another word there than what else is opened."""
    keep(
        shelf.store,
        of(Kind.RECEIVER, "records"),
        *(replace(MAIL, what=what, due_at=NOW) for what in (What.OPENED, What.NEWS, What.REPEATED)),
        at=NOW,
    )
    ways = (ShownWay(name="mail", host="mail.example", addresses=2),)
    with shelf.serving(ways=ways, languages=(language("fr"),), language="fr") as visitor:
        text = visitor.page("/signals").text
    for said in ("ouvert", "du nouveau", "répété"):
        assert f"mail, {said}:" in text, said


def test_a_process_shows_what_it_tells_of_itself(shelf: Stocked) -> None:
    """On Today's head too; nobody can acknowledge what no store keeps."""
    own = replace(of(Kind.LOOP, "host purge"), signal_id=0)
    with shelf.serving(own_signals=lambda: (own,)) as visitor:
        assert "Of this process itself A part of Padpost fell over and was started again" in visitor.page("/signals").text
        assert "A part of Padpost fell over" in visitor.page("/").text
        assert visitor.client.get("/signals/ringing").json() == {"ringing": 1}


def test_what_rings_is_open_heard_and_in_nobodys_hand(shelf: Stocked, visitor: Visitor) -> None:
    """The sound of a page follows it; an acknowledgement or a mute ends it."""
    first = keep(shelf.store, of(Kind.RECEIVER, "records"), at=NOW)
    keep(shelf.store, of(Kind.SILENT, "bench-a"), at=NOW)
    assert visitor.client.get("/signals/ringing").json() == {"ringing": 2}
    visitor.post(f"/signals/{first}/acknowledge", **WHO)
    assert visitor.client.get("/signals/ringing").json() == {"ringing": 1}
    visitor.post("/signals/mute", kind="silent", hours="1", reason="holiday", **WHO)
    assert visitor.client.get("/signals/ringing").json() == {"ringing": 0}


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


def test_the_digest_of_a_shift_is_shown_and_tried(shelf: Stocked) -> None:
    """Its times and ways, what it would say now, and a test that says what came of each way; nobody tries it without a name."""
    asked: list[str] = []

    async def say(actor: Actor) -> tuple[tuple[str, str], ...]:
        asked.append(actor.name)
        return (("mail", "The mail server does not answer."),)

    digest = ShownDigest(times=(time(7, 30), time(15, 30)), ways=("mail",), now=lambda: "What waits:\n- 2 <none>", test=say)
    with shelf.serving(ways=(ShownWay(name="mail", host="mail.example", addresses=1),), digest=digest) as visitor:
        page = visitor.page("/signals")
        assert "Each day at 07:30, 15:30 by mail: what is open, by cause." in page.text
        assert "What waits: - 2 <none> Your name" in page.text
        assert visitor.post("/signals/digest", name=" ").status_code == 409
        assert asked == []
        assert (
            "mail: it did not go. The mail server does not answer." in Page(visitor.post("/signals/digest", name="Ana").text).text
        )
        assert asked == ["Ana"]
    with shelf.serving() as without:
        assert without.post("/signals/digest", name="Ana").status_code == 404
