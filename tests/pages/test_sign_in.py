"""People come in and go by real forms over HTTP (HZ-J01, HZ-J04)."""

from __future__ import annotations

import asyncio
import re
from datetime import timedelta

import pytest

from bridge.accounts.people import Role
from bridge.desk.access import CODE_NOT_RIGHT, NOT_RIGHT
from bridge.pages.sign_in import inside
from tests.pages.peopled import BOOT, NAMES, PASSWORD, House, Person, people, serving
from tests.pages.stocked import NOW, Stocked

ANA = NAMES[Role.TECHNICIAN]


def first(person: Person, name: str, code: str, password: str, again: str = "") -> tuple[int, str]:
    """Send the form of the first sign-in."""
    fields = {"token": person.token("/first-sign-in"), "name": name, "code": code, "password": password}
    answer = person.send("/first-sign-in", **fields, again=again or password)
    return answer.status_code, answer.text


def test_a_right_password_opens_a_session_whose_token_is_kept_nowhere(house: House) -> None:
    """The cookie is out of reach of scripts and other sites, and its token new at every sign-in (checklist S35, S36)."""
    person = house.browser()
    answer = person.sign_in(" ana  lima", onward="/results")
    assert (answer.status_code, answer.headers["location"]) == (303, "/results")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("padpost_session=")
    assert {part.strip() for part in cookie.split(";")[1:]} == {"HttpOnly", "Path=/", "SameSite=lax"}
    token = person.client.cookies["padpost_session"]
    assert len(token) == 43
    assert person.get("/results").status_code == 200
    assert token.encode() not in b"".join(path.read_bytes() for path in house.stocked.files())
    assert person.sign_in(ANA).status_code == 303
    assert person.client.cookies["padpost_session"] != token
    assert house.browser(token).get("/").status_code == 303


def test_behind_tls_the_cookie_goes_over_nothing_else(shelf: Stocked) -> None:
    """RFC 6265bis 4.1.3.2: __Host- asks for Secure, the path / and no domain."""
    people(shelf)
    with serving(shelf, behind_tls=True) as house:
        cookie = house.browser().sign_in(ANA).headers["set-cookie"]
    assert cookie.startswith("__Host-padpost_session=")
    assert {part.strip() for part in cookie.split(";")[1:]} == {"HttpOnly", "Path=/", "SameSite=lax", "Secure"}


def test_a_wrong_name_and_a_wrong_password_get_one_answer_and_are_kept(house: House) -> None:
    """Nobody learns which names there are; each failure is an event without the name that was typed (checklist S38)."""
    person = house.browser()
    answers = {
        (each.status_code, NOT_RIGHT in each.text) for each in (person.sign_in(ANA, "wrong"), person.sign_in("Nobody", PASSWORD))
    }
    assert answers == {(403, True)}
    account = house.stocked.store.account_named(ANA)
    assert account is not None
    for subject in (f"account:{account.account_id}", "sign-in"):
        event = house.stocked.store.events(subject)[-1]
        assert (event.what, event.actor, event.reason) == ("sign_in.failed", "not signed in", "from 127.0.0.1")


def test_who_guesses_must_wait_also_with_the_right_password(house: House) -> None:
    """After five wrong ones the next waits a second; then the right one is taken."""
    person = house.browser()
    for _ in range(5):
        person.sign_in(ANA, "wrong")
    answer = person.sign_in(ANA)
    assert (answer.status_code, "Wait 1 s and try again" in answer.text) == (403, True)
    house.stocked.now = NOW + timedelta(seconds=1)
    assert person.sign_in(ANA).status_code == 303


def test_a_new_password_that_cannot_be_is_no_wrong_try(house: House) -> None:
    """Who has the right code, or is signed in, and types a short password many times, waits for nothing."""
    code = house.door.desk.add("Rui Alves", "viewer", actor=BOOT)
    rui, ana = house.browser(), house.person(Role.TECHNICIAN)
    for _ in range(6):
        assert "12 characters at least" in first(rui, "Rui Alves", code, "short")[1]
        assert "12 characters at least" in ana.post("/password", old=PASSWORD, password="short", again="short").text
    assert first(rui, "Rui Alves", code, PASSWORD)[0] == 303
    assert (
        ana.post("/password", old=PASSWORD, password="another four plain words", again="another four plain words").status_code
        == 303
    )


def test_sign_out_ends_the_session_at_once(house: House) -> None:
    """The old token opens nothing any more, and the browser forgets it."""
    person = house.person(Role.TECHNICIAN)
    token = person.client.cookies["padpost_session"]
    assert person.post("/sign-out").headers["location"] == "/sign-in"
    assert "padpost_session" not in person.client.cookies
    assert house.browser(token).get("/").status_code == 303
    account = house.stocked.store.account_named(ANA)
    assert account is not None
    assert [each.what for each in house.stocked.store.events(f"account:{account.account_id}")] == [
        "account.added", "account.signed_in", "account.signed_out",
    ]  # fmt: skip


def test_sign_in_takes_a_form_of_this_browser_alone(house: House) -> None:
    """Nobody is signed in to somebody else's account by another page (OWASP: login CSRF)."""
    person = house.browser()
    assert person.send("/sign-in", name=ANA, password=PASSWORD, token="0" * 64).status_code == 403


def test_the_first_administrator_is_made_by_the_code_of_the_console_once(shelf: Stocked) -> None:
    """No account is there at first, and no default password (checklist S39)."""
    with serving(shelf) as house:
        assert asyncio.run(house.door.access.first_code("ABCD-EFGH-IJKL-MNOP"))
        person, late = house.browser(), house.browser()
        assert CODE_NOT_RIGHT in first(person, "Ada Reis", "AAAA-EFGH-IJKL-MNOP", PASSWORD)[1]
        assert "12 characters at least" in first(person, "Ada Reis", "ABCD-EFGH-IJKL-MNOP", "short")[1]
        assert "not the same" in first(person, "Ada Reis", "ABCD-EFGH-IJKL-MNOP", PASSWORD, "another long one")[1]
        assert "2 to 60 characters" in first(person, "A", "ABCD-EFGH-IJKL-MNOP", PASSWORD)[1]
        assert first(person, " Ada  Reis", "abcdefghijklmnop", PASSWORD)[0] == 303
        assert person.get("/accounts").status_code == 200
        assert first(late, "Eve Other", "ABCD-EFGH-IJKL-MNOP", PASSWORD)[0] == 403
        (account,) = shelf.store.accounts()
        assert (account.name, account.role, account.secret.startswith("$argon2id$")) == ("Ada Reis", Role.ADMINISTRATOR, True)
        assert not asyncio.run(house.door.access.first_code("ABCD-EFGH-IJKL-MNOP"))


def test_a_new_colleague_chooses_a_password_by_a_code_that_works_once(house: House) -> None:
    """The administrator knows the code, and never the password."""
    admin = house.person(Role.ADMINISTRATOR)
    answer = admin.post("/accounts", account_name="Rui Alves", role="technician")
    code = re.findall(r"<code>([A-Z2-7-]{19})</code>", answer.text)[0]
    person = house.browser()
    assert first(person, "Rui Alves", code, PASSWORD)[0] == 303
    assert first(house.browser(), "Rui Alves", code, "another long password")[0] == 403
    assert house.browser().sign_in("Rui Alves").status_code == 303


def test_a_code_is_good_for_a_day(house: House) -> None:
    """A forgotten slip of paper opens nothing."""
    code = house.door.desk.add("Rui Alves", "viewer", actor=BOOT)
    house.stocked.now = NOW + timedelta(hours=24)
    assert first(house.browser(), "Rui Alves", code, PASSWORD)[0] == 403


def test_ones_own_password_is_changed_with_the_old_one_and_ends_other_sessions(house: House) -> None:
    """Whoever else sat there under this name is out (checklist S36)."""
    person, elsewhere = house.person(Role.TECHNICIAN), house.person(Role.TECHNICIAN)
    new = "another four plain words"
    assert "is not right" in person.post("/password", old="wrong", password=new, again=new).text
    assert person.post("/password", old=PASSWORD, password=new, again=new).status_code == 303
    assert (person.get("/").status_code, elsewhere.get("/").status_code) == (200, 303)
    assert (house.browser().sign_in(ANA).status_code, house.browser().sign_in(ANA, new).status_code) == (403, 303)


@pytest.mark.parametrize(("onward", "goes"), [
    ("/results?day=2026-11-25", "/results?day=2026-11-25"), ("//evil.example/x", "/"), ("https://evil.example", "/"), ("/\\evil.example", "/"),
    ("evil", "/"), ("/a\r\nX: y", "/"), ("", "/"), ("//[", "/"), ("http://[", "/"), ("//\u2100.example", "/"),
])  # fmt: skip
def test_sign_in_leads_to_no_other_site(onward: str, goes: str) -> None:
    """An address of ours, or Today (OWASP: open redirect); what is no address at all is no defect of ours."""
    assert inside(onward) == goes
