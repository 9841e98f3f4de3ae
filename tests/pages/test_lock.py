"""Locking over HTTP: by hand, by the idle time, and going on again. tests/browser/test_lock.py has the page that is covered."""

from __future__ import annotations

import re
from datetime import timedelta

from bridge.accounts.people import Role
from bridge.pages.language import language
from tests.pages.peopled import NAMES, PASSWORD, House, Person, people, serving
from tests.pages.stocked import NOW, Stocked

IDLE = timedelta(minutes=15)


def _events(house: House, role: Role) -> list[str]:
    account = house.stocked.store.account_named(NAMES[role])
    assert account is not None
    return [each.what for each in house.stocked.store.events(f"account:{account.account_id}")]


def _unlock(person: Person, password: str = PASSWORD) -> tuple[int, str]:
    answer = person.api("/api/session/unlock", {"password": password})
    return answer.status_code, answer.json().get("state") or answer.json()["detail"]


def test_why_a_page_stays_locked_is_said_in_its_language(shelf: Stocked) -> None:
    """The cover shows the answer as it is."""
    people(shelf)
    with serving(shelf, languages=(language("en"), language("es")), language="es") as house:
        person = house.person(Role.TECHNICIAN)
        person.post("/lock", next="/results")
        status, said = _unlock(person, "wrong")
        assert (status, said.startswith("El nombre o la contraseña no es correcto.")) == (403, True), said


def test_a_session_is_locked_by_hand_and_goes_on_by_its_persons_password(house: House) -> None:
    """HZ-J04: locked it opens nothing; the token is a new one after it (OWASP ASVS 5.0 7.2.4), and forms that were open are good still."""
    person = house.person(Role.TECHNICIAN)
    token, mark = person.token(), person.get("/api/session").json()
    assert mark["state"] == "open"
    cookie = person.client.cookies[house.door.cookie]
    answer = person.post("/lock", next="/results")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?next=%2Fresults")
    assert person.get("/").headers["location"] == "/sign-in?next=%2F"
    assert person.get("/api/stops").status_code == 401
    assert person.get("/api/session/used").status_code == 401
    assert person.get("/api/session").json() == {**mark, "state": "locked"}
    page = person.get("/sign-in").text
    assert "Ana Lima</b>, sign in again to go on." in page
    assert _unlock(person, "wrong") == (
        403,
        "The name or the password is not right. After several wrong ones in a row the next is taken only after a while.",
    )
    assert person.get("/").status_code == 303
    assert _unlock(person) == (200, "open")
    assert person.client.cookies[house.door.cookie] != cookie
    assert person.get("/api/session").json() == mark
    assert person.send("/day-log", token=token, analyzer="bench-a", what="cleaning").status_code != 403
    assert house.browser(cookie).get("/").status_code == 303
    assert _events(house, Role.TECHNICIAN)[-3:] == ["account.locked", "sign_in.failed", "account.unlocked"]
    assert _unlock(person) == (409, "This sign-in is over. Sign in again.")


def test_somebody_else_in_the_same_browser_has_another_mark_and_no_form_of_the_first(house: House) -> None:
    """HZ-J04: what one person left open is not sent in the name of another."""
    person = house.person(Role.TECHNICIAN)
    token, mark = person.token(), person.get("/api/session").json()["mark"]
    person.post("/lock")
    assert person.sign_in(NAMES[Role.SUPERVISOR]).status_code == 303
    assert person.get("/api/session").json()["mark"] != mark
    assert person.send("/day-log", token=token, analyzer="bench-a", what="cleaning").status_code == 403


def test_what_was_sent_after_the_idle_time_is_kept_for_its_person(house: House) -> None:
    """HZ-J04: without script the form comes again with its fields once the password is given; nothing of it can be read before."""
    person = house.person(Role.TECHNICIAN)
    token = person.token()
    house.stocked.now = NOW + IDLE
    asked = person.send("/hand-over", token=token, text="<b>new lot tomorrow</b>")
    assert (asked.status_code, "new lot" in asked.text) == (401, False)
    assert "It is kept in this page for 30 minutes, and you see it again." in asked.text
    kept = _kept(asked.text)
    fields = {"name": NAMES[Role.TECHNICIAN], "token": person.token("/sign-in"), "kept": kept}
    wrong = person.send("/sign-in", password="wrong", **fields)
    assert (wrong.status_code, _kept(wrong.text)) == (403, kept)
    again = person.send("/sign-in", password=PASSWORD, **fields)
    assert again.status_code == 200
    assert '<input type="hidden" name="text" value="&lt;b&gt;new lot tomorrow&lt;/b&gt;">' in again.text
    assert 'name="own_password"' not in again.text
    (new,) = set(re.findall(r'name="token" value="([0-9a-f]{64})"', again.text))
    assert person.send("/hand-over", token=new, text="<b>new lot tomorrow</b>").status_code == 303
    assert [each.text for each in house.stocked.store.hand_over(since=NOW)] == ["<b>new lot tomorrow</b>"]


def test_what_was_sent_is_shown_to_nobody_else(house: House) -> None:
    """HZ-J04: whoever signs in with another account goes on as if nothing had been sent."""
    person = house.person(Role.TECHNICIAN)
    token = person.token()
    house.stocked.now = NOW + IDLE
    kept = _kept(person.send("/hand-over", token=token, text="new lot").text)
    other = person.send(
        "/sign-in", name=NAMES[Role.SUPERVISOR], password=PASSWORD, token=person.token("/sign-in"), kept=kept, next="/results"
    )
    assert (other.status_code, other.headers["location"]) == (303, "/results")


def test_a_grave_act_that_was_sent_while_locked_asks_for_the_password_with_it(house: House) -> None:
    """HZ-J04: signing in is one thing, the act another; a form without its token is not kept at all."""
    person = house.person(Role.TECHNICIAN)
    token = person.token()
    house.stocked.now = NOW + IDLE
    assert person.send("/rejected/9/release", token="0" * 64, reason="r").status_code == 401
    kept = _kept(person.send("/rejected/9/release", token=token, reason="compared", own_password=PASSWORD).text)
    fields = {"name": NAMES[Role.TECHNICIAN], "token": person.token("/sign-in"), "kept": kept}
    again = person.send("/sign-in", password=PASSWORD, **fields)
    assert 'name="own_password"' in again.text
    assert 'name="reason" value="compared"' in again.text
    assert "<dt>Reason</dt><dd>compared</dd>" in again.text


def test_leaving_and_locking_ask_for_nothing_once_it_is_locked(house: House) -> None:
    """Who is locked is not asked for the password in order to be locked."""
    person = house.person(Role.TECHNICIAN)
    token = person.token()
    person.post("/lock")
    for path in ("/lock", "/sign-out"):
        answer = person.send(path, token=token)
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")


def test_typing_is_a_use_and_asking_is_none(house: House) -> None:
    """HZ-J04: a page tells of typing; what it asks by itself keeps nothing open."""
    person = house.person(Role.TECHNICIAN)
    for minute in (10, 20):
        house.stocked.now = NOW + timedelta(minutes=minute)
        assert person.get("/api/session/used").json()["state"] == "open"
    house.stocked.now = NOW + timedelta(minutes=34)
    assert person.get("/api/session").json()["state"] == "open"
    house.stocked.now = NOW + timedelta(minutes=35)
    assert person.get("/api/session").json()["state"] == "locked"
    house.stocked.now = NOW + timedelta(hours=13)
    assert person.get("/api/session").json()["state"] == "over"
    assert house.browser().get("/api/session").json() == {"state": "over", "mark": ""}


def _kept(page: str) -> str:
    (kept,) = re.findall(r'name="kept" value="([^"]+)"', page)
    return str(kept)
