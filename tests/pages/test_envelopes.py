"""The emergency account from the sealing of an envelope to the look into its use, by real forms over HTTP (HZ-J01, HZ-J04)."""

from __future__ import annotations

import html
import re
from datetime import timedelta

import httpx

from bridge.accounts.envelope import BY_ENVELOPE, NAME
from bridge.accounts.people import Role
from bridge.store.apply_envelopes import NO_LOOK, NOT_RIGHT
from tests.pages import from_directory
from tests.pages.peopled import BOOT, NAMES, House, Person
from tests.pages.stocked import NOW, Stocked


def sealed(house: House) -> str:
    """Seal an envelope as an administrator; give what stands on the page."""
    answer = house.person(Role.ADMINISTRATOR).post("/envelopes", reason="the yearly one")
    (secret,) = re.findall(r"<code>([A-Z2-7-]{32})</code>", answer.text)
    return str(secret)


def opened(person: Person, secret: str, *, by: str = "Ana Lima") -> httpx.Response:
    """Open an envelope as the page's form does."""
    token = person.token("/emergency")
    return person.send("/emergency", token=token, opened_by=by, reason="the directory is down", secret=secret)


def test_an_envelope_lets_somebody_in_as_a_supervisor_and_marks_each_act(house: House) -> None:
    """No password is asked for again, since there is none; every act is the emergency account's in the history."""
    secret = sealed(house)
    person = house.browser()
    answer = opened(person, secret)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert f'{NAME}</a> <span class="soft">supervisor' in person.get("/").text
    assert person.post("/signals/mute", kind="silent", hours="1", reason="alone here").status_code == 303
    found = house.stocked.store.events("signals:silent")[-1]
    assert (found.actor, found.verified) == (NAME, BY_ENVELOPE)
    assert "Your password" not in person.get("/controls/months").text
    assert person.get("/accounts").status_code == 403
    assert 'action="/lock"' not in person.get("/").text
    assert person.post("/lock").status_code == 303
    assert person.get("/").status_code == 303
    assert secret.encode() not in b"".join(path.read_bytes() for path in house.stocked.files())


def test_it_opens_once_and_for_an_hour(house: House) -> None:
    """It does not rest in between, and nothing opens it again."""
    secret = sealed(house)
    person = house.browser()
    opened(person, secret)
    answer = opened(house.browser(), secret)
    assert (answer.status_code, NOT_RIGHT in html.unescape(answer.text)) == (403, True)
    assert secret not in answer.text
    house.stocked.now = NOW + timedelta(minutes=59)
    assert person.get("/").status_code == 200
    house.stocked.now = NOW + timedelta(minutes=60)
    assert person.get("/").status_code == 303
    assert person.get("/api/session").json()["state"] == "over"
    assert "sign in again to go on" not in person.get("/sign-in").text


def test_somebody_else_looks_into_it(house: House) -> None:
    """Neither the emergency account nor whoever opened it; a technician may not at all; two who look at once: one is told."""
    secret = sealed(house)
    person = house.browser()
    opened(person, secret, by="sam costa")
    sam, ada = house.person(Role.SUPERVISOR), house.person(Role.ADMINISTRATOR)
    assert "its own use" in person.post("/envelopes/1/look", reason="fine").text
    assert "You opened this envelope" in sam.post("/envelopes/1/look", reason="fine").text
    assert "Give a reason" in ada.post("/envelopes/1/look", reason="").text
    assert house.person(Role.TECHNICIAN).post("/envelopes/1/look", reason="fine").status_code == 403
    assert ada.post("/envelopes/1/look", reason="Sam, rightly").status_code == 303
    answer = ada.post("/envelopes/1/look", reason="Sam, rightly")
    assert (answer.status_code, NO_LOOK in answer.text) == (409, True)
    page = ada.get("/envelopes").text
    assert "Looked into by Ada Reis" in page
    assert "Sam, rightly" in page


def test_only_an_administrator_seals_and_with_their_password(house: House) -> None:
    """A supervisor looks; the emergency account makes no next envelope for itself."""
    person = house.browser()
    opened(person, sealed(house))
    for each in (person, house.person(Role.SUPERVISOR)):
        assert each.get("/envelopes").status_code == 200
        assert "Seal a new envelope" not in each.get("/envelopes").text
        assert each.post("/envelopes", reason="again").status_code == 403
    ada = house.person(Role.ADMINISTRATOR)
    answer = ada.send("/envelopes", token=ada.token("/envelopes"), reason="again")
    assert (answer.status_code, "Not done yet" in answer.text) == (403, True)


def test_the_account_itself_takes_no_password_no_code_and_no_role(house: House) -> None:
    """It is opened by envelopes alone, and is nobody's second person."""
    sealed(house)
    account = house.stocked.store.account_named(NAME)
    assert account is not None
    ada = house.person(Role.ADMINISTRATOR)
    for path, more in (("code", {}), ("role", {"role": "administrator"})):
        assert "opened by a sealed envelope alone" in ada.post(f"/accounts/{account.account_id}/{path}", reason="x", **more).text
    assert house.browser().sign_in(NAME).status_code == 403
    assert "sealed envelope" in ada.get("/accounts").text


def test_it_opens_also_where_the_directory_is_all_there_is_and_away(shelf: Stocked) -> None:
    """No password counts there, and nobody can come by the directory: the envelope is the way that is left."""
    with from_directory.serving(shelf, "http://127.0.0.1:1/staff", passwords=False) as house:
        secret = house.door.envelopes.seal(reason="yearly", actor=BOOT)
        person = house.browser()
        assert "/emergency" in person.get("/sign-in").text
        assert person.client.get("/sign-in/directory").status_code == 403
        assert opened(person, secret).status_code == 303
        assert NAMES[Role.SUPERVISOR] not in person.get("/").text
        assert person.get("/results").status_code == 200
