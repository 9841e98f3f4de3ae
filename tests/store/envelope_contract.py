"""What every store must keep of sealed envelopes (HZ-J04)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta

import pytest

from bridge.accounts.envelope import BY_ENVELOPE, NAME, Envelope
from bridge.accounts.people import Account, Role, Session
from bridge.errors import Overtaken, RefusedAction
from bridge.model import Actor
from bridge.signals.kinds import Cause, Kind
from bridge.signals.machine import Signal, SignalState
from bridge.store.account_commands import KeepAccount, OpenSession
from bridge.store.api import Store
from bridge.store.commands import AcknowledgeSignal, KeepSignals
from bridge.store.envelope_commands import LookIntoEnvelope, OpenEnvelope, SealEnvelope
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, later

EMERGENCY = Actor(name=NAME, verified=BY_ENVELOPE)


def seal(store: Store, digest: str = "d1", at: int = 0) -> int:
    """Seal an envelope; give its id."""
    number: int = store.submit(SealEnvelope(digest=digest, actor=BO, reason="the yearly one", at=later(at))).result(WAIT)
    return number


def opening(store: Store, digest: str = "d1", token: str = "s1") -> OpenEnvelope:
    """Give the command that opens an envelope, by Ana Lima ten minutes later."""
    account = store.account_of("padpost:envelope", "emergency")
    assert account is not None
    session = Session(digest=token, account_id=account.account_id, opened_at=later(10), seen_at=later(10))
    opens = OpenSession(
        session=session, version=account.version, replaces="", begun=None, actor=EMERGENCY, address="from 10.0.0.7", what="account.signed_in",
        forget_before=later(10) - timedelta(hours=12),
    )  # fmt: skip
    return OpenEnvelope(digest=digest, by="Ana Lima", why="directory down", opens=opens)


class EnvelopeContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_an_envelope_opens_a_session_once(self, opened: Opened) -> None:
        """Its account is a supervisor's without a password; what was typed is kept with the opening, the secret nowhere."""
        number = seal(opened.store)
        store = opened.restart()
        (account,) = store.accounts()
        assert (account.name, account.role, account.secret, account.is_on) == (NAME, Role.SUPERVISOR, "", True)
        store.submit(opening(store)).result(WAIT)
        assert store.session("s1") is not None
        with pytest.raises(RefusedAction, match="opened already"):
            store.submit(opening(store, token="s2")).result(WAIT)
        assert store.session("s2") is None
        store = opened.restart()
        kept = Envelope(
            envelope_id=number, digest="d1", sealed_by="Bo", sealed_at=NOW, opened_by="Ana Lima", opened_at=later(10), opened_why="directory down"
        )  # fmt: skip
        assert store.envelopes(limit=5) == (kept,)
        assert store.envelopes_opened() == (kept,)
        told = [(each.what, each.actor, each.verified, each.after, each.reason) for each in store.events(f"envelope:{number}")]
        assert told == [
            ("envelope.sealed", "Bo", BO.verified, "", "the yearly one"),
            ("envelope.opened", NAME, BY_ENVELOPE, "Ana Lima", "directory down"),
        ]

    def test_only_the_newest_envelope_opens_anything(self, opened: Opened) -> None:
        """An older one that lies about opens nothing; a wrong secret spends none."""
        seal(opened.store)
        newest = seal(opened.store, "d2", at=5)
        for wrong in ("d1", "guess", ""):
            with pytest.raises(RefusedAction, match="newest envelope"):
                opened.store.submit(opening(opened.store, wrong)).result(WAIT)
        opened.store.submit(opening(opened.store, "d2")).result(WAIT)
        assert [each.envelope_id for each in opened.store.envelopes_opened()] == [newest]
        assert [each.digest for each in opened.store.envelopes(limit=1)] == ["d2"]
        assert len(opened.store.accounts()) == 1

    def test_an_account_that_is_switched_off_opens_nothing_and_spends_nothing(self, opened: Opened) -> None:
        """A site may shut this way; the envelope stays good for when it is opened again."""
        seal(opened.store)
        account = opened.store.account_named(NAME)
        assert account is not None
        ada = Account(account_id=0, name="Ada", role=Role.ADMINISTRATOR)
        for each in (ada, replace(account, is_on=False)):
            opened.store.submit(KeepAccount(account=each, what="account.off", actor=BO, at=NOW)).result(WAIT)
        with pytest.raises(Overtaken, match="switched off"):
            opened.store.submit(opening(opened.store)).result(WAIT)
        assert opened.store.envelopes_opened() == ()

    def test_somebody_else_looks_into_an_opening_once(self, opened: Opened) -> None:
        """Not the emergency account, not who opened it however they write their name; and nobody into what was not opened."""
        number = seal(opened.store)
        look = LookIntoEnvelope(envelope_id=number, actor=EDA, reason="Ana, rightly", at=later(90))
        with pytest.raises(Overtaken, match="not opened"):
            opened.store.submit(look).result(WAIT)
        opened.store.submit(opening(opened.store)).result(WAIT)
        for actor, words in ((EMERGENCY, "its own use"), (Actor(name="ana  lima", verified="password"), "You opened")):
            with pytest.raises(RefusedAction, match=words):
                opened.store.submit(replace(look, actor=actor)).result(WAIT)
        opened.store.submit(look).result(WAIT)
        with pytest.raises(Overtaken, match=r"^Eda was first\. Somebody looked into this already"):
            opened.store.submit(look).result(WAIT)
        store = opened.restart()
        (kept,) = store.envelopes(limit=5)
        assert (kept.looked_by, kept.looked_at, kept.looked_why) == ("Eda", later(90), "Ana, rightly")
        assert store.envelopes_opened() == ()
        last = store.events(f"envelope:{number}")[-1]
        assert (last.what, last.actor, last.reason) == ("envelope.looked_into", "Eda", "Ana, rightly")

    def test_its_signal_is_not_acknowledged_in_passing(self, opened: Opened) -> None:
        """It stands until somebody has looked into the opening."""
        cause = Cause(kind=Kind.EMERGENCY, subject="envelope:1", since=NOW)
        signal = Signal(kind=Kind.EMERGENCY, state=SignalState.OPEN, causes=(cause,), since=NOW, opened_at=NOW)
        (number,) = opened.store.submit(KeepSignals(signals=((signal, ()),), at=NOW)).result(WAIT)
        with pytest.raises(RefusedAction, match="in passing"):
            opened.store.submit(AcknowledgeSignal(signal_id=number, actor=EDA, reason="", at=later(1))).result(WAIT)
        assert [each.state for each in opened.store.standing_signals()] == [SignalState.OPEN]
