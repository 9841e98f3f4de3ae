"""Nobody gets further than their role goes: every route, every method, every role, over real HTTP (HZ-J01, HZ-J04)."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from concurrent.futures import Future
from datetime import timedelta
from typing import Any

import pytest

from bridge.accounts.grave import GRAVE, Grave
from bridge.accounts.people import PEOPLE, Role
from bridge.accounts.permissions import NEEDS, Right, may
from bridge.errors import StoreAway, StoreFull
from bridge.pages.app import make_pages
from bridge.pages.doorkeeper import Rows, may_see
from bridge.pages.guard import SAFE_METHODS
from bridge.store.account_commands import NoteAccess
from bridge.store.commands import Command
from bridge.store.rows import AuditSearch
from tests.pages import from_directory
from tests.pages.peopled import NAMES, PASSWORD, House, Person, door_of, key, people
from tests.pages.stocked import NOW, Stocked, wait_until

AWAY = "http://127.0.0.1:1/staff"  # a directory that never answers: its routes are there all the same
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """Serve people of each role over an empty store, for tests that change nothing that another looks at."""
    stocked = Stocked(tmp_path_factory.mktemp("still"))
    people(stocked)
    with from_directory.serving(stocked, AWAY) as house:
        yield house
    stocked.close()


@pytest.fixture(scope="module")
def administrator(still: House) -> Person:
    """Give a browser in which the administrator is signed in."""
    return still.person(Role.ADMINISTRATOR)


def filled(path: str, number: str = "1") -> str:
    """Give an address of a route."""
    return re.sub(r"{[^}]*}", number, path)


def passes(person: Person, method: str, route: str, headers: dict[str, str] | None = None) -> bool:
    """Say whether a request came past the doorkeeper's look at roles; a form goes without its token, and so changes nothing."""
    sent = {"origin": person.origin, "x-padpost": "1", **(headers or {})}
    with person.client.stream(method, filled(route), headers=sent) as answer:  # one of them is news that never ends
        is_asked = answer.status_code == 303 and answer.headers["location"].startswith("/sign-in")
        is_refused = answer.status_code == 403 and "Your role does not allow this" in answer.read().decode()
        return not (answer.status_code == 401 or is_asked or is_refused)


def test_every_route_has_a_row_and_every_row_a_route(shelf: Stocked) -> None:
    """A new page is nobody's until somebody says whose it is."""
    site = shelf.site(door=from_directory.door_of(shelf, AWAY))
    app = make_pages(shelf.store, shelf.desks(site), site=site, now=lambda: NOW)
    served = {
        (method, str(getattr(route, "path", "")))
        for found in app.routes
        for route in getattr(getattr(found, "original_router", None), "routes", (found,))
        for method in getattr(route, "methods", None) or ()
        if method != "HEAD"
    }
    assert served == set(NEEDS)


def test_a_route_without_a_row_is_nobody_s(shelf: Stocked) -> None:
    """What a row was forgotten for is shut, also for an administrator, and does not fall to another route's row."""
    site = shelf.site(door=door_of(shelf))
    app = make_pages(shelf.store, shelf.desks(site), site=site, now=lambda: NOW)
    app.add_api_route("/forgotten", lambda: "secret", methods=["GET"])
    rows = Rows(lambda: app.routes)
    assert (rows.right("GET", "/forgotten"), rows.is_served("GET", "/forgotten")) == (None, True)
    assert (rows.right("GET", "/nothing"), rows.is_served("GET", "/nothing")) == (None, False)
    assert rows.right("GET", "/static/padpost.css") is Right.OPEN
    assert rows.right("HEAD", "/api/openapi.json") is Right.LOOK


@pytest.mark.parametrize("method", METHODS)
def test_an_anonymous_request_gets_nothing_but_sign_in_health_and_static(still: House, method: str) -> None:
    """Every route by every method, and an address where nothing is (OWASP ASVS 5.0 8.2.1, checklist S31)."""
    nobody = still.browser()
    for route in sorted({path for _, path in NEEDS} | {"/nothing/here", "/static"}):
        is_open = NEEDS.get((method, route)) is Right.OPEN
        answer = nobody.client.request(method, filled(route), headers={"origin": nobody.origin, "x-padpost": "1"})
        let_by = passes(nobody, method, route)
        assert let_by == is_open, (method, route, answer.status_code)
        if not is_open and not route.startswith("/api/") and method in SAFE_METHODS:
            assert answer.headers["location"].startswith("/sign-in?next=")
    assert nobody.get("/static/padpost.css").status_code == 200


@pytest.mark.parametrize("role", PEOPLE)
def test_each_role_goes_exactly_as_far_as_its_rights(still: House, role: Role) -> None:
    """The whole matrix, role by route: what the table gives is let by, what it does not give is refused."""
    person = still.person(role)
    for (method, route), right in NEEDS.items():
        assert passes(person, method, route) == may(role, right), (role, method, route)


def test_a_key_reads_or_acts_on_the_api_alone(still: House) -> None:
    """A key opens no page, and acts only if it was made for that; a wrong, ended or old one opens nothing."""
    reads, acts = key(still.door), key(still.door, acts=True)
    for (method, route), right in NEEDS.items():
        for shown, is_for_acting in ((reads, False), (acts, True)):
            is_open = right is Right.OPEN
            is_let = is_open or (route.startswith("/api/") and (right is Right.LOOK or (is_for_acting and right is Right.ACT)))
            found = passes(still.browser(), method, route, {"authorization": f"Bearer {shown}"})
            assert found == is_let, (method, route, is_for_acting)


def test_a_key_that_is_ended_or_too_old_opens_nothing(house: House) -> None:
    """What was handed to a program is taken back at once."""
    shown, nobody = key(house.door), house.browser()
    bearer = {"authorization": f"Bearer {shown}"}
    assert nobody.get("/api/today", headers=bearer).status_code == 200
    answer = nobody.get("/api/today", headers={"authorization": f"Bearer {shown}x"})
    assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer")
    house.stocked.now = NOW + timedelta(days=30)
    assert nobody.get("/api/today", headers=bearer).status_code == 401
    house.stocked.now = NOW
    (made,) = house.stocked.store.api_keys()
    assert shown not in repr(made)
    admin = house.person(Role.ADMINISTRATOR)
    assert admin.post(f"/accounts/keys/{made.key_id}/end", reason="lost").status_code == 303
    assert nobody.get("/api/today", headers=bearer).status_code == 401


def test_two_keys_of_one_name_are_told_apart(house: House) -> None:
    """In the audit trail a key stands with its number."""
    shown = (key(house.door), key(house.door))
    callers = [asyncio.run(house.door.access.of_key(each)) for each in shown]
    assert [caller.actor.name.split(" ")[:2] for caller in callers if caller is not None] == [["key", "1"], ["key", "2"]]


def test_a_refusal_for_the_role_is_kept(house: House) -> None:
    """Who tried what they may not is in the history (OWASP ASVS 5.0 16.3.2)."""
    assert house.person(Role.TECHNICIAN).get("/accounts").status_code == 403
    account = house.stocked.store.account_named(NAMES[Role.TECHNICIAN])
    assert account is not None
    last = house.stocked.store.events(f"account:{account.account_id}")[-1]
    assert (last.what, last.actor, last.verified, last.reason) == (
        "access.refused",
        "Ana Lima",
        "password",
        "administer, from 127.0.0.1",
    )


def test_what_is_done_is_kept_in_the_name_of_who_is_signed_in(house: House) -> None:
    """The form's name is not believed: an account's is kept, as known by its password."""
    technician = house.person(Role.TECHNICIAN)
    answer = technician.post(
        "/registered",
        name="Somebody Else",
        text="EQ-26-1",
        purpose="proficiency",
        scheme="Round 4",
        since="2026-11-01",
        until="2026-11-30",
    )
    assert answer.status_code == 303
    (kept,) = house.stocked.store.registrations()
    assert kept.entered_by == "Ana Lima"
    (event,) = house.stocked.store.events(f"registered:{kept.registration_id}")
    assert (event.actor, event.verified) == ("Ana Lima", "password")
    assert "In the name of" in technician.get("/registered").text
    assert 'name="name"' not in technician.get("/registered").text


@pytest.mark.parametrize(("second", "password", "word"), [
    ("sam costa", PASSWORD, ""),
    ("Sam Costa", "wrong", "second person"),
    ("Ana Lima", PASSWORD, "second person"),
    ("Vera Pinto", PASSWORD, "second person"),
    ("Nobody Known", PASSWORD, "second person"),
])  # fmt: skip
def test_a_second_person_gives_their_own_password_on_the_spot(house: House, second: str, password: str, word: str) -> None:
    """Two names typed by one hand are no two persons: another account that may act, by its password (HZ-J01)."""
    technician = house.person(Role.TECHNICIAN)
    answer = technician.post("/telling/99/close-untold", steps="0", reason="r", agreed_by=second, second_password=password)
    if word:
        assert (answer.status_code, word in answer.text) == (403, True)
        assert PASSWORD not in answer.text
    else:
        assert answer.status_code != 403
        sam = house.stocked.store.account_named("Sam Costa")
        assert sam is not None
        assert house.stocked.store.events(f"account:{sam.account_id}")[-1].what == "second.given"


def test_a_second_person_is_asked_of_the_api_too(house: House) -> None:
    """JSON is no way around it, and a program's own name is its key's."""
    nobody, bearer = house.browser(), {"authorization": f"Bearer {key(house.door, acts=True)}"}
    body = {"reason": "r", "second_person": "Sam Costa"}
    assert nobody.api("/api/stops/1/discard", body, **bearer).status_code == 403
    right = nobody.api("/api/stops/1/discard", {**body, "second_password": PASSWORD}, **bearer)
    assert right.status_code == 400


@pytest.mark.parametrize("row", GRAVE, ids=lambda row: row.route)
def test_a_grave_act_asks_for_ones_own_password(still: House, row: Grave) -> None:
    """HZ-J04: each of them, in a form or in JSON; without it nothing is done, and with it the application answers."""
    admin, path = still.person(Role.ADMINISTRATOR), filled(row.route.split()[1], "999")
    body = {"reason": "mend", **({row.field: min(row.values)} if row.field else {})}
    if path.startswith("/api/"):
        asked, given = admin.api(path, body), admin.api(path, {**body, "own_password": PASSWORD})
        assert (asked.status_code, asked.json()["detail"]) == (403, "This asks for your own password.")
    else:
        asked, given = admin.post(path, own_password="", **body), admin.post(path, **body)
        assert (asked.status_code, 'name="own_password"' in asked.text) == (403, True)
    assert "asks for your own password" not in given.text
    assert given.status_code != 403


def test_what_was_typed_is_kept_where_the_password_is_wrong(house: House) -> None:
    """HZ-J04: the form is there once more with its fields, a wrong try is an event and is waited for; no password stands in a page."""
    person = house.person(Role.TECHNICIAN)
    fields = {"first": "4711", "second": "4711", "reason": "<b>label torn</b>", "second_person": "Sam Costa"}
    asked = person.post("/rejected/9/correct", own_password="not this one", second_password=PASSWORD, **fields)
    assert asked.status_code == 403
    assert "Your password is not right." in asked.text
    for name, value in (("first", "4711"), ("second", "4711"), ("reason", "&lt;b&gt;label torn&lt;/b&gt;")):
        assert f'<input type="hidden" name="{name}" value="{value}">' in asked.text
    assert "Password of Sam Costa" in asked.text
    assert "not this one" not in asked.text
    assert PASSWORD not in asked.text
    account = house.stocked.store.account_named(NAMES[Role.TECHNICIAN])
    assert account is not None
    subject = f"account:{account.account_id}"
    last = house.stocked.store.events(subject)[-1]
    assert (last.what, last.actor, last.reason) == ("password.again_failed", "Ana Lima", "from 127.0.0.1")
    for _ in range(4):
        asked = person.post("/rejected/9/correct", own_password="nor this", **fields)
    assert person.post("/rejected/9/correct", **fields).status_code == 403
    assert "Wait" in person.post("/rejected/9/correct", **fields).text
    house.stocked.now += timedelta(minutes=1)
    answer = person.post("/rejected/9/correct", second_password=PASSWORD, **fields)
    assert answer.status_code == 404
    assert "password.again" in [each.what for each in house.stocked.store.events(subject)]


def test_a_program_does_nothing_that_asks_for_a_password(still: House) -> None:
    """Also with a key that is made for acting: it has no password, and nobody sits at it."""
    bearer = {"authorization": f"Bearer {key(still.door, acts=True)}"}
    answer = still.browser().api("/api/stops/1/release", {"reason": "r"}, **bearer)
    assert (answer.status_code, "a program's key does not reach so far" in answer.json()["detail"]) == (403, True)
    assert still.browser().api("/api/stops/1/note", {"name": "x", "note": "n"}, **bearer).status_code != 403


def test_a_form_is_taken_from_this_sign_in_alone(house: House) -> None:
    """A token of another session, of before sign-in, or none: nothing is done (OWASP ASVS 5.0 3.5.1, checklist S33)."""
    one, other = house.person(Role.TECHNICIAN), house.person(Role.TECHNICIAN)
    before = house.browser().token("/sign-in")
    for token in (other.token(), before, "", "0" * 64):
        answer = one.send("/day-log", token=token, analyzer="bench-a", what="cleaning")
        assert (answer.status_code, "too old" in answer.text) == (403, True)
    assert one.token() != other.token()


def test_a_body_of_another_kind_is_not_taken(house: House) -> None:
    """A kind of body that the doorkeeper cannot look into is not passed on."""
    one = house.person(Role.TECHNICIAN)
    answer = one.client.post("/day-log", files={"token": (None, "x")}, headers={"origin": one.origin})
    assert answer.status_code == 415


def test_a_file_is_tried_out_by_whoever_may_look(still: House) -> None:
    """It comes as multipart/form-data (RFC 7578), which the page that only looks takes, with the token of this sign-in alone."""
    viewer, other = still.person(Role.VIEWER), still.person(Role.VIEWER)
    file = {"file": ("shift.txt", b"no strip")}
    for token, status in ((viewer.token("/try-out"), 200), (other.token("/try-out"), 403), ("", 403)):
        fields = {"token": token, "profile": "tern"}
        answer = viewer.client.post("/try-out", data=fields, files=file, headers={"origin": viewer.origin})
        assert answer.status_code == status
        assert ("in 8 bytes" in answer.text) is (status == 200)


@pytest.mark.parametrize("route", sorted(route for method, route in NEEDS if method == "POST" and "_id}" in route))
def test_a_number_that_no_row_can_have_is_no_defect(administrator: Person, route: str) -> None:
    """Whatever stands in an address: the first number beyond 64 bits with a sign is refused in words (SQLite "Datatypes In SQLite" 2)."""
    path = filled(route, str(2**63))
    answer = (
        administrator.client.post(path, json={}, headers={"x-padpost": "1"})
        if path.startswith("/api/")
        else administrator.post(path, reason="r")
    )
    assert answer.status_code in {404, 409, 422}


def test_a_page_takes_no_json_in_place_of_its_form(house: House) -> None:
    """JSON bears no token of a form, so it is for the API alone: nobody is signed out by it."""
    one = house.person(Role.TECHNICIAN)
    answer = one.client.post("/sign-out", json={}, headers={"origin": one.origin})
    assert (answer.status_code, one.get("/").status_code) == (415, 200)


def test_a_form_of_too_many_fields_is_refused_in_words(house: House) -> None:
    """And not as a defect of ours, also while the session is locked."""
    one = house.person(Role.TECHNICIAN)
    sent = "&".join(["token=x", *(f"f{number}=" for number in range(1000))])
    kind = {"content-type": "application/x-www-form-urlencoded", "origin": one.origin}
    for _ in range(2):
        answer = one.client.post("/day-log", content=sent, headers=kind)
        assert (answer.status_code, "more than 1000 fields" in answer.text) == (403, True)
        one.post("/lock")


def test_a_database_that_is_away_is_said_and_what_is_open_is_answered(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who asks cannot be known then: that is no defect of ours, and neither sign-in nor health falls over it."""
    one = house.person(Role.TECHNICIAN)

    def session(_: str) -> None:
        raise StoreAway("The database cannot be reached.")

    monkeypatch.setattr(house.stocked.store, "session", session)
    answer = one.get("/results")
    assert (answer.status_code, "The database does not answer" in answer.text) == (503, True)
    assert one.api("/api/results/search", {"search": "x"}).json()["title"] == "The database does not answer"
    assert [one.get(path).status_code for path in ("/sign-in", "/health/live", "/static/padpost.css")] == [200, 200, 200]


def test_a_refusal_that_cannot_be_kept_is_said_as_that(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is let by for it."""
    one, store = house.person(Role.TECHNICIAN), house.stocked.store
    submit = store.submit

    def failing(command: Command) -> Future[Any]:
        if not isinstance(command, NoteAccess):
            return submit(command)
        failed: Future[Any] = Future()
        failed.set_exception(StoreFull("The disk is full."))
        return failed

    monkeypatch.setattr(store, "submit", failing)
    answer = one.get("/accounts")
    assert (answer.status_code, "it could not be kept" in answer.text) == (503, True)


def test_an_address_that_a_client_writes_itself_is_not_believed(house: House) -> None:
    """Else whoever is on this machine guesses on without waiting, and from where stands wrong in the history."""
    account = house.stocked.store.account_named(NAMES[Role.TECHNICIAN])
    assert account is not None
    one = house.browser()
    fields = {"name": account.name, "password": "wrong", "token": one.token("/sign-in")}
    one.client.post("/sign-in", data=fields, headers={"origin": one.origin, "x-forwarded-for": "192.0.2.7"})
    assert house.stocked.store.events(f"account:{account.account_id}")[-1].reason == "from 127.0.0.1"


def test_a_cookie_of_another_program_on_the_same_host_hinders_nobody(house: House) -> None:
    """A browser sends the cookies of a host to every port of it (RFC 6265 8.5), and not all are built as its section 4.1.1 asks."""
    person = house.person(Role.TECHNICIAN)
    token = person.client.cookies[house.door.cookie]
    for other in ('seen={"page": 2}', "two words=1", "lonely", "größe=1", "=", ""):
        header = f"{other}; {house.door.cookie}={token}".encode()
        assert house.browser().client.get("/results", headers={b"cookie": header}).status_code == 200, other


def test_a_session_rests_after_its_time_and_is_over_after_its_longest(house: House) -> None:
    """15 min without use, 12 h in all (NIST SP 800-63B 4.2.3: 30 min and 12 h at most); what a page asks by itself is no use (HZ-J04)."""
    person, start = house.person(Role.TECHNICIAN), NOW
    house.stocked.now = start + timedelta(minutes=14)
    assert person.get("/").status_code == 200
    for minute in (20, 28):
        house.stocked.now = start + timedelta(minutes=minute)
        assert person.get("/api/news").status_code == 200
    house.stocked.now = start + timedelta(minutes=29)
    assert person.get("/").status_code == 303
    assert person.get("/signals/ringing", headers={"sec-fetch-dest": "empty"}).status_code == 401
    kept = house.person(Role.TECHNICIAN)
    for minute in range(29, 29 + 12 * 60, 14):
        house.stocked.now = start + timedelta(minutes=minute)
        assert kept.get("/password").status_code == 200
    house.stocked.now = start + timedelta(minutes=29 + 12 * 60)
    assert kept.get("/").status_code == 303


def test_an_account_that_is_switched_off_is_out_at_once(house: House) -> None:
    """Also where its session was open."""
    person, admin = house.person(Role.TECHNICIAN), house.person(Role.ADMINISTRATOR)
    account = house.stocked.store.account_named(NAMES[Role.TECHNICIAN])
    assert account is not None
    assert admin.post(f"/accounts/{account.account_id}/switch", on="no", reason="left").status_code == 303
    assert person.get("/").status_code == 303
    assert house.browser().sign_in(account.name).status_code == 403


def test_who_is_signed_in_saw_what_they_saw(house: House) -> None:
    """The audit trail names the account, not nobody."""
    house.person(Role.VIEWER).get("/rejected")
    wait_until(
        lambda: "Vera Pinto" in {each.event.actor for each in house.stocked.store.audit(AuditSearch(what="seen"), limit=99)}
    )


def test_a_page_is_offered_to_whom_it_is_open(still: House) -> None:
    """Nobody is shown a way that is shut."""
    assert ("/accounts" in still.person(Role.ADMINISTRATOR).shown("/").links("/accounts")) is True
    technician = still.person(Role.TECHNICIAN).shown("/")
    assert (technician.links("/accounts"), technician.links("/audit")) == ([], [])
    assert may_see("/audit", has_accounts=False) is True
    assert (may_see("/accounts", has_accounts=False), may_see("/", has_accounts=True)) == (False, False)
