"""A shared bench over HTTP: marked by a supervisor, opened by a password, switched at by badge or PIN. tests/browser/test_benches.py has the keyboard."""

from __future__ import annotations

from datetime import timedelta

import pytest

from bridge.accounts.people import Role
from tests.pages.peopled import NAMES, PASSWORD, TERMS, House, Person
from tests.pages.stocked import NOW

PIN = "407316"
BADGE = "LAB-0004711"


def chosen(house: House, role: Role = Role.TECHNICIAN) -> None:
    """Let somebody choose a PIN and make their badge known."""
    person = house.person(role)
    assert person.post("/quick", old=PASSWORD, pin=PIN, pin_again=PIN).status_code == 303
    assert person.post("/quick", old=PASSWORD, badge=BADGE, badge_again=f"{BADGE}\r\n").status_code == 303


def bench(house: House) -> Person:
    """Give a browser that a supervisor marked, and in which they are signed in."""
    browser = house.person(Role.SUPERVISOR)
    assert browser.post("/bench", bench_name="Bench 1").status_code == 303
    return browser


def switch(browser: Person, **fields: str) -> tuple[int, str]:
    """Switch; give the status, and who is signed in after it."""
    answer = browser.send("/switch", token=browser.token("/switch"), **fields)
    found = browser.get("/password")
    shown = [name for name in NAMES.values() if f">{name}</a>" in found.text]
    return answer.status_code, shown[0] if shown else ""


@pytest.mark.parametrize("shown", [{"badge": BADGE}, {"person": "ana  lima", "pin": PIN}])
def test_a_technician_switches_and_acts_in_their_own_name(house: House, shown: dict[str, str]) -> None:
    """HZ-J04: the name is another one at once, the history says by what it is known, and a form of the person before is not taken."""
    chosen(house)
    browser = bench(house)
    before = browser.token()
    assert switch(browser, **shown) == (303, "Ana Lima")
    assert browser.send("/hand-over", token=before, text="by Sam?").status_code == 403
    assert browser.post("/hand-over", text="new lot").status_code == 303
    (note,) = house.stocked.store.hand_over(since=NOW)
    assert note.by == "Ana Lima"
    account = house.stocked.store.account_named("Ana Lima")
    assert account is not None
    last = house.stocked.store.events(f"account:{account.account_id}")[-1]
    known = "badge" if "badge" in shown else "PIN"
    assert (last.what, last.verified, last.reason) == ("account.switched", known, "from 127.0.0.1, bench Bench 1")


def test_what_is_grave_asks_for_the_password_and_no_pin(house: House) -> None:
    """HZ-J04: a badge that was found, or a PIN that was watched, releases nothing."""
    chosen(house)
    browser = bench(house)
    switch(browser, badge=BADGE)
    for password in ("", PIN, BADGE):
        answer = browser.post("/rejected/99/release", reason="r", own_password=password)
        assert (answer.status_code, 'name="own_password"' in answer.text) == (403, True)
    assert browser.post("/rejected/99/release", reason="r").status_code == 404


@pytest.mark.parametrize("role", [Role.SUPERVISOR, Role.ADMINISTRATOR])
def test_nobody_who_may_more_switches(house: House, role: Role) -> None:
    """HZ-J04: they choose neither; and one that was a technician's is no good once its person may more."""
    assert house.person(role).post("/quick", old=PASSWORD, pin=PIN, pin_again=PIN).status_code == 409
    chosen(house)
    account = house.stocked.store.account_named(NAMES[Role.TECHNICIAN])
    assert account is not None
    admin = house.person(Role.ADMINISTRATOR)
    assert admin.post(f"/accounts/{account.account_id}/role", role=role.value, reason="promoted").status_code == 303
    assert switch(bench(house), badge=BADGE)[0] == 403


def test_only_at_a_bench_and_only_while_it_is_open(house: House) -> None:
    """HZ-J04: another browser, one before anybody's password, after the longest time, and an ended bench switch nobody."""
    chosen(house)
    assert switch(house.person(Role.TECHNICIAN), badge=BADGE)[0] == 403
    browser = bench(house)
    house.stocked.now = NOW + TERMS.longest
    assert switch(browser, badge=BADGE) == (403, "")
    assert browser.sign_in(NAMES[Role.VIEWER]).status_code == 303
    assert switch(browser, badge=BADGE) == (303, "Ana Lima")
    supervisor = house.person(Role.SUPERVISOR)
    (shared,) = house.stocked.store.benches()
    assert "Bench 1" in supervisor.get("/bench").text
    assert supervisor.post(f"/bench/{shared.bench_id}/end", reason="").status_code == 409
    assert supervisor.post(f"/bench/{shared.bench_id}/end", reason="moved").status_code == 303
    assert switch(browser, badge=BADGE)[0] == 403


def test_wrong_ones_are_waited_for_and_are_events(house: House) -> None:
    """HZ-J04: guesses of a PIN cost waiting; the password of the same person is not shut by them."""
    chosen(house)
    browser = bench(house)
    for _ in range(5):
        assert switch(browser, person="Ana Lima", pin="000111")[0] == 403
    token = browser.token("/switch")
    assert "Wait" in browser.send("/switch", token=token, person="Ana Lima", pin=PIN).text
    account = house.stocked.store.account_named("Ana Lima")
    assert account is not None
    last = house.stocked.store.events(f"account:{account.account_id}")[-1]
    assert (last.what, last.actor) == ("switch.failed", "not signed in")
    house.stocked.now += timedelta(minutes=1)
    assert switch(browser, person="Ana Lima", pin=PIN) == (303, "Ana Lima")


def test_a_bench_that_is_locked_is_switched_at_and_its_person_goes_on_with_it(house: House) -> None:
    """HZ-J04: whoever comes by with a badge has their own session; the one before is over."""
    chosen(house)
    browser = bench(house)
    browser.post("/lock")
    assert switch(browser, badge=BADGE) == (303, "Ana Lima")
    browser.post("/lock")
    assert browser.get("/api/session").json()["state"] == "locked"
    assert switch(browser, badge=BADGE) == (303, "Ana Lima")


@pytest.mark.parametrize(("fields", "word"), [
    ({"pin": "123456", "pin_again": "123456"}, "one of the first"),
    ({"pin": PIN, "pin_again": "407317"}, "not the same"),
    ({"badge": "4711", "badge_again": "4711"}, "8 to 100"),
    ({}, "Choose a PIN"),
    ({"pin": PIN, "pin_again": PIN, "old": "wrong"}, "Your password is not right"),
])  # fmt: skip
def test_what_cannot_be_chosen_is_said(house: House, fields: dict[str, str], word: str) -> None:
    """And nothing is kept."""
    answer = house.person(Role.TECHNICIAN).post("/quick", **{"old": PASSWORD, **fields})
    assert (answer.status_code, word in answer.text) == (409, True)


def test_a_pin_and_a_badge_are_taken_away(house: House) -> None:
    """By their person; another one's badge is not taken as one's own."""
    chosen(house)
    taken = house.person(Role.VIEWER).post("/quick", old=PASSWORD, badge=BADGE, badge_again=BADGE)
    assert (taken.status_code, "another account" in taken.text) == (409, True)
    person = house.person(Role.TECHNICIAN)
    assert "You have a PIN." in person.get("/quick").text
    assert person.post("/quick", old=PASSWORD, drops="yes").status_code == 303
    assert "You have no PIN." in person.get("/quick").text
    assert switch(bench(house), badge=BADGE)[0] == 403


def test_a_bench_has_a_name(house: House) -> None:
    """Events say where somebody switched."""
    answer = house.person(Role.SUPERVISOR).post("/bench", bench_name=" ")
    assert (answer.status_code, "2 to 60" in answer.text) == (409, True)
