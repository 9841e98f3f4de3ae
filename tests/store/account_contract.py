"""What every store must keep of accounts, sessions, tries and keys (HZ-J01, HZ-J04)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta

import pytest

from bridge.accounts.envelope import ACCOUNT as EMERGENCY
from bridge.accounts.people import Account, ApiKey, Role, Session
from bridge.accounts.taken import OWN, Taken
from bridge.errors import Overtaken, RefusedAction
from bridge.store.account_commands import (
    BeginTry,
    EndKey,
    EndSession,
    EnterKey,
    KeepAccount,
    LockSession,
    MakeSure,
    NoteAccess,
    OpenSession,
    TouchSession,
)
from bridge.store.api import Store
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, later

ANA = Account(account_id=0, name="Ana Lima", role=Role.ADMINISTRATOR, secret="hash of Ana")
BEN = Account(account_id=0, name="Ben Reis", role=Role.TECHNICIAN, code_digest="c0de", code_until=later(60))
CARA = Account(account_id=0, name="Cara Nunes", role=Role.TECHNICIAN, issuer="https://staff.example", subject="u-1")
TRY = BeginTry(name_key="name:1", address_key="address:127.0.0.1", at=NOW)
KEY = ApiKey(key_id=0, name="ward list", digest="d1", acts=False, until=later(600), made_by="Bo", made_at=NOW)


def add(store: Store, account: Account = ANA) -> Account:
    """Keep a new account; give it as it is kept."""
    command = KeepAccount(account=account, what="account.added", actor=BO, at=NOW)
    return replace(account, account_id=store.submit(command).result(WAIT), version=1)


def change(store: Store, account: Account, *, ends_sessions: bool = False, taken: Taken = OWN) -> None:
    """Keep what an account has become."""
    command = KeepAccount(
        account=account,
        what="account.role",
        actor=EDA,
        at=later(1),
        reason="moved",
        ends_sessions=ends_sessions,
        taken=taken,
    )
    store.submit(command).result(WAIT)


def sign_in(
    store: Store, account: Account, digest: str = "s1", *, replaces: str = "", at: int = 0, begun: BeginTry | None = TRY
) -> Session:
    """Open a session as sign-in does."""
    session = Session(digest=digest, account_id=account.account_id, opened_at=later(at), seen_at=later(at))
    command = OpenSession(
        session=session,
        version=account.version,
        replaces=replaces,
        begun=begun,
        actor=BO,
        address="from 127.0.0.1",
        what="account.signed_in",
        forget_before=later(at) - timedelta(hours=12),
    )
    store.submit(command).result(WAIT)
    return session


class AccountContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_an_account_outlives_a_restart_and_every_change_is_an_event_without_a_secret(self, opened: Opened) -> None:
        """An account is found by its name however it is written, and no hash or code goes into the history."""
        ana, ben = add(opened.store), add(opened.store, BEN)
        change(opened.store, replace(ben, role=Role.SUPERVISOR))
        store = opened.restart()
        assert store.accounts() == (ana, replace(ben, role=Role.SUPERVISOR, version=2))
        assert store.account(ana.account_id) == ana
        assert store.account_named("ana  LIMA") == ana
        assert (store.account(99), store.account_named("nobody")) == (None, None)
        told = [(each.what, each.actor, each.after, each.reason) for each in store.events(f"account:{ben.account_id}")]
        assert told == [("account.added", "Bo", "technician", ""), ("account.role", "Eda", "supervisor", "moved")]

    def test_a_name_is_one_account_s(self, opened: Opened) -> None:
        """Two people of one name would sign as one."""
        add(opened.store)
        with pytest.raises(RefusedAction, match="Another account has this name"):
            add(opened.store, replace(BEN, name=" ana lima"))
        with pytest.raises(RefusedAction, match="Another account has this name"):
            add(opened.store, replace(BEN, name="emergency  Account"))
        assert len(opened.store.accounts()) == 1

    def test_of_two_who_change_an_account_one_is_told(self, opened: Opened) -> None:
        """Who saw an older version changes nothing, nor who changes what is not there."""
        add(opened.store)
        ben = add(opened.store, BEN)
        change(opened.store, replace(ben, is_on=False))
        for stale in (ben, replace(ben, account_id=99, name="Nobody")):
            with pytest.raises(Overtaken, match="changed meanwhile"):
                change(opened.store, stale)

    def test_somebody_is_left_who_may_administer(self, opened: Opened) -> None:
        """The last administrator keeps the role and stays on."""
        ana = add(opened.store)
        for less in (replace(ana, is_on=False), replace(ana, role=Role.VIEWER)):
            with pytest.raises(RefusedAction, match="Nobody would be left"):
                change(opened.store, less)
        assert opened.store.accounts() == (ana,)
        add(opened.store, replace(BEN, role=Role.ADMINISTRATOR))
        change(opened.store, replace(ana, is_on=False))

    def test_who_comes_in_no_more_is_nobody_who_may_administer(self, opened: Opened) -> None:
        """An administrator of a directory counts while the site has it; after that its own last one is kept, else nobody could change that ever again."""
        ana = add(opened.store)
        add(opened.store, replace(CARA, role=Role.ADMINISTRATOR))
        off = replace(ana, is_on=False)
        with pytest.raises(RefusedAction, match="Nobody would be left"):
            change(opened.store, off)
        change(opened.store, off, taken=Taken(issuer=CARA.issuer))
        change(opened.store, replace(off, version=2, role=Role.VIEWER))  # there was nobody before it either
        assert [each.role for each in opened.store.accounts()] == [Role.VIEWER, Role.ADMINISTRATOR]

    def test_the_first_administrator_is_made_once(self, opened: Opened) -> None:
        """Of two first-run codes that are used at once one makes an administrator; who cannot come in, or not administer, is in nobody's way."""
        for each in (replace(CARA, role=Role.ADMINISTRATOR), EMERGENCY, BEN):
            add(opened.store, each)
        taken = Taken(issuer=CARA.issuer)
        first = KeepAccount(account=ANA, what="account.first", actor=BO, at=NOW, is_first=True)
        second = replace(first, account=replace(ANA, name="Eva Dias"))
        with pytest.raises(Overtaken, match="There is an account already"):
            opened.store.submit(replace(first, taken=taken)).result(WAIT)
        faults = [each.exception(WAIT) for each in (opened.store.submit(first), opened.store.submit(second))]
        assert [str(each) for each in faults if each] == [
            "There is an account already: sign in, or ask your administrator for a code."
        ]
        own = [each.name for each in opened.store.accounts() if each.role is Role.ADMINISTRATOR and not each.issuer]
        assert len(own) == 1

    def test_an_account_of_a_directory_is_found_by_issuer_and_subject_alone(self, opened: Opened) -> None:
        """Another issuer's same subject is somebody else, and so is an account of the site (HZ-J01)."""
        ana = add(opened.store)
        cara = add(opened.store, CARA)
        store = opened.restart()
        assert store.account_of("https://staff.example", "u-1") == cara
        assert store.account(cara.account_id) == cara
        assert [
            store.account_of(*pair) for pair in (("https://other.example", "u-1"), ("https://staff.example", "U-1"), ("", ""))
        ] == [None] * 3
        with pytest.raises(Overtaken, match="changed meanwhile"):
            add(store, replace(CARA, name="Cara Dias"))
        sign_in(store, cara)
        assert store.session("s1") == (Session(digest="s1", account_id=cara.account_id, opened_at=NOW, seen_at=NOW), cara)
        change(store, replace(cara, role=Role.VIEWER))
        assert store.accounts() == (ana, replace(cara, role=Role.VIEWER, version=2))

    def test_a_directory_may_take_the_last_administrator_s_role(self, opened: Opened) -> None:
        """Its groups decide alone; a person may not."""
        cara = add(opened.store, replace(CARA, role=Role.ADMINISTRATOR))
        lower = replace(cara, role=Role.VIEWER)
        with pytest.raises(RefusedAction, match="Nobody would be left"):
            change(opened.store, lower, taken=Taken(issuer=CARA.issuer))
        command = KeepAccount(account=lower, what="account.role", actor=BO, at=later(1), by_directory=True)
        assert opened.store.submit(command).result(WAIT) == cara.account_id
        assert opened.store.accounts() == (replace(lower, version=2),)

    def test_who_signs_in_without_a_password_takes_no_wrong_try_back(self, opened: Opened) -> None:
        """Wrong ones at a name are somebody's guesses still."""
        cara = add(opened.store, CARA)
        for _ in range(5):
            opened.store.submit(TRY).result(WAIT)
        sign_in(opened.store, cara, begun=None)
        assert opened.store.submit(TRY).result(WAIT) is not None

    def test_a_session_is_found_by_its_digest_until_it_ends(self, opened: Opened) -> None:
        """A new one takes the old one's place; a touch moves it forward only; the end is an event, once."""
        ana = add(opened.store)
        sign_in(opened.store, ana)
        second = sign_in(opened.store, ana, "s2", replaces="s1", at=2)
        store = opened.restart()
        assert store.session("s1") is None
        assert store.session("s2") == (second, ana)
        store.submit(TouchSession(digest="s2", at=later(5))).result(WAIT)
        store.submit(TouchSession(digest="s2", at=later(4))).result(WAIT)
        store.submit(TouchSession(digest="gone", at=later(4))).result(WAIT)
        assert store.session("s2") == (replace(second, seen_at=later(5)), ana)
        for _ in range(2):
            store.submit(EndSession(digest="s2", actor=BO, at=later(7))).result(WAIT)
        assert store.session("s2") is None
        assert [(each.what, each.reason) for each in store.events(f"account:{ana.account_id}")] == [
            ("account.added", ""),
            ("account.signed_in", "from 127.0.0.1"),
            ("account.signed_in", "from 127.0.0.1"),
            ("account.signed_out", ""),
        ]

    def test_an_account_that_is_switched_off_has_no_session(self, opened: Opened) -> None:
        """Whoever leaves is out at once, and comes in no more."""
        add(opened.store)
        ben = add(opened.store, BEN)
        sign_in(opened.store, ben)
        change(opened.store, replace(ben, is_on=False), ends_sessions=True)
        assert opened.store.session("s1") is None
        with pytest.raises(Overtaken, match="switched off"):
            sign_in(opened.store, ben, "s2")
        assert opened.store.session("s2") is None

    def test_who_was_let_in_by_what_an_account_was_before_has_no_session(self, opened: Opened) -> None:
        """Its password is taken away while it is looked at: the old one opens nothing after that (HZ-J04)."""
        add(opened.store)
        ben = add(opened.store, BEN)
        change(opened.store, replace(ben, secret="", code_digest="c2", code_until=later(60)), ends_sessions=True)
        with pytest.raises(Overtaken, match="changed while you signed in"):
            sign_in(opened.store, ben)
        assert opened.store.session("s1") is None
        sign_in(opened.store, replace(ben, version=2))
        assert opened.store.session("s1") is not None

    def test_old_sessions_are_forgotten(self, opened: Opened) -> None:
        """What nobody signed out of does not stay for ever."""
        ana = add(opened.store)
        sign_in(opened.store, ana)
        sign_in(opened.store, ana, "s2", at=13 * 60)
        assert opened.store.session("s1") is None

    def test_wrong_tries_make_the_next_one_wait_by_name_and_by_address(self, opened: Opened) -> None:
        """Four are free, then 1, 2, 4 s; another name from the same address goes on; a day without one forgets all (NIST SP 800-63B 5.2.2: throttled)."""
        add(opened.store)
        for _ in range(5):
            assert opened.store.submit(TRY).result(WAIT) is None
        store = opened.restart()
        assert store.submit(TRY).result(WAIT) == NOW + timedelta(seconds=1)
        again = replace(TRY, at=NOW + timedelta(seconds=1))
        assert store.submit(again).result(WAIT) is None
        assert store.submit(again).result(WAIT) == NOW + timedelta(seconds=3)
        other = replace(TRY, name_key="name:2")
        for number in range(15):
            assert store.submit(replace(other, name_key=f"name:{number + 2}", at=again.at)).result(WAIT) is None
        assert store.submit(replace(other, name_key="name:99", at=again.at)).result(WAIT) == again.at + timedelta(seconds=1)
        assert store.submit(replace(TRY, at=NOW + timedelta(hours=25))).result(WAIT) is None

    def test_a_right_try_takes_the_wrong_ones_back(self, opened: Opened) -> None:
        """Who signs in may mistype as often again; what others did from the address stays."""
        ana = add(opened.store)
        for _ in range(5):
            opened.store.submit(TRY).result(WAIT)
        sign_in(opened.store, ana)
        for _ in range(5):
            assert opened.store.submit(TRY).result(WAIT) is None
        assert opened.store.submit(TRY).result(WAIT) is not None

    def test_a_key_is_found_by_its_digest_and_ends_once(self, opened: Opened) -> None:
        """The key itself is kept nowhere."""
        made: int = opened.store.submit(EnterKey(key=KEY, actor=BO, at=NOW)).result(WAIT)
        store = opened.restart()
        kept = replace(KEY, key_id=made)
        assert (store.api_key("d1"), store.api_keys(), store.api_key("other")) == (kept, (kept,), None)
        end = EndKey(key_id=made, actor=EDA, reason="lost", at=later(3))
        store.submit(end).result(WAIT)
        ended = replace(kept, ended_by="Eda", ended_at=later(3))
        assert (kept.counts(NOW), ended.counts(NOW), kept.counts(later(600))) == (True, False, False)
        assert store.api_keys() == (ended,)
        with pytest.raises(Overtaken, match="ended already"):
            store.submit(end).result(WAIT)
        told = [(each.what, each.actor, each.after, each.reason) for each in store.events(f"key:{made}")]
        assert told == [("key.made", "Bo", "reads", ""), ("key.ended", "Eda", "ended", "lost")]

    def test_a_session_is_made_sure_and_locked_and_each_is_an_event(self, opened: Opened) -> None:
        """A lock stays as it was first; neither brings back a session that is over (HZ-J04)."""
        ana = add(opened.store)
        session = replace(Session(digest="s1", account_id=ana.account_id, opened_at=NOW, seen_at=NOW), sure_at=NOW, line="line")
        command = OpenSession(
            session=session,
            version=ana.version,
            replaces="",
            begun=TRY,
            actor=BO,
            address="",
            what="account.signed_in",
            forget_before=NOW - timedelta(1),
        )
        opened.store.submit(command).result(WAIT)
        opened.store.submit(MakeSure(digest="s1", begun=TRY, actor=BO, address="from x", at=later(1))).result(WAIT)
        for minute in (2, 3):
            opened.store.submit(LockSession(digest="s1", actor=BO, at=later(minute))).result(WAIT)
        store = opened.restart()
        assert store.session("s1") == (replace(session, sure_at=later(1), locked_at=later(2)), ana)
        told = [(each.what, each.reason) for each in store.events(f"account:{ana.account_id}")][-2:]
        assert told == [("password.again", "from x"), ("account.locked", "")]
        store.submit(LockSession(digest="none", actor=BO, at=NOW)).result(WAIT)
        with pytest.raises(Overtaken):
            store.submit(MakeSure(digest="none", begun=TRY, actor=BO, address="", at=NOW)).result(WAIT)

    def test_who_was_not_let_in_is_kept(self, opened: Opened) -> None:
        """A wrong password is an event of its own."""
        note = NoteAccess(what="sign_in.failed", subject="sign-in", actor=BO, reason="from 127.0.0.1", at=NOW)
        opened.store.submit(note).result(WAIT)
        assert [(each.what, each.reason) for each in opened.store.events("sign-in")] == [("sign_in.failed", "from 127.0.0.1")]
