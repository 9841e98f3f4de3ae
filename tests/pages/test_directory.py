"""People come in by their hospital's directory, over real HTTP, and nobody else does (HZ-J01, HZ-J04)."""

from __future__ import annotations

import base64
import html
import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import timedelta
from functools import partial
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import httpx
import jwt
import pytest

from bridge.accounts.directory import TRIP
from bridge.accounts.people import Account, Role
from bridge.desk.access import CODE_ASKED, NO_PASSWORDS, OWN_CODE_NOT_RIGHT, SECOND_NOT_RIGHT
from bridge.desk.arrivals import IS_OFF, NAME_TAKEN, NO_GROUP, NO_NAME
from bridge.desk.benches import NOT_QUICK, NOT_SWITCHED
from bridge.desk.directory import AWAY, KEYS_LAST, NOT_ASKED, WRONG
from bridge.desk.own_codes import LASTS
from tests.pages.from_directory import ANA, back_of, come, serving
from tests.pages.peopled import BOOT, HASH, NAMES, PASSWORD, House, Person, people
from tests.pages.stocked import NOW, Stocked
from tests.peers.directory_server import DirectoryServer, Signer


def _seconds(shelf: Stocked) -> float:
    return shelf.now.timestamp()


@pytest.fixture
def directory(shelf: Stocked) -> Iterator[DirectoryServer]:
    """Run a directory with one person, by the store's clock."""
    with DirectoryServer(now=partial(_seconds, shelf), people={"u-17": dict(ANA)}, who="u-17") as directory:
        yield directory


@pytest.fixture
def house(shelf: Stocked, directory: DirectoryServer) -> Iterator[House]:
    """Serve the pages."""
    with serving(shelf, directory.url) as house:
        yield house


def said(answer: httpx.Response) -> str:
    """Give the words of a page."""
    return html.unescape(answer.text)


def kept(house: House, subject: str = "u-17") -> Account:
    """Give somebody's account, which must be there."""
    (account,) = [each for each in house.stocked.store.accounts() if each.subject == subject]
    return account


def told(house: House, account: Account) -> list[tuple[str, str, str]]:
    """Give what was kept of an account: what, by whom and how they are known."""
    return [(each.what, each.actor, each.verified) for each in house.stocked.store.events(f"account:{account.account_id}")]


def fault(house: House, sentence: str) -> None:
    """Go there and back, and see that nobody comes in, with this sentence."""
    person = house.browser()
    answer = come(person)
    assert answer.status_code == 403, answer.headers
    assert sentence in said(answer)
    assert "padpost_session" not in person.client.cookies
    assert house.stocked.store.accounts() == ()


def test_a_person_of_the_directory_comes_in_with_the_role_of_their_group(house: House, directory: DirectoryServer) -> None:
    """The account is made at the first coming; what they do is kept with the name, and that the directory vouched for it."""
    person = house.browser()
    answer = come(person, "/results")
    assert (answer.status_code, answer.headers["location"]) == (303, "/results")
    assert person.get("/results").status_code == 200
    account = kept(house)
    assert (account.name, account.role, account.issuer, account.secret) == ("Ana Lima", Role.TECHNICIAN, directory.url, "")
    assert told(house, account) == [
        ("account.from_directory", "Ana Lima", "directory"), ("account.signed_in", "Ana Lima", "directory"),
    ]  # fmt: skip
    assert directory.refused == []
    assert come(house.browser()).status_code == 303
    assert len(house.stocked.store.accounts()) == 1


def test_what_is_asked_of_the_directory_is_what_the_standards_ask(house: House, directory: DirectoryServer) -> None:
    """RFC 7636 4.3, OpenID Connect Core 1.0 3.1.2.1: a new state, nonce and challenge each time, of 256 bits; the password is asked for."""
    for _ in range(2):
        come(house.browser())
    one, two = directory.asked
    assert {
        name: one[name] for name in ("response_type", "redirect_uri", "scope", "prompt", "code_challenge_method", "realm")
    } == {
        "response_type": "code",
        "redirect_uri": f"http://127.0.0.1:{house.port}/sign-in/directory/back",
        "scope": "openid profile",
        "prompt": "login",
        "code_challenge_method": "S256",
        "realm": "staff",
    }
    for name in ("state", "nonce", "code_challenge"):
        assert one[name] != two[name]
        assert len(one[name]) == 43


def test_the_cookie_of_the_way_is_short_lived_out_of_reach_and_taken_back(house: House) -> None:
    """RFC 6265bis: HttpOnly, Lax since the way back is a link from elsewhere; nothing of the answer stays."""
    person = house.browser()
    there = person.client.get("/sign-in/directory")
    name, _, rest = there.headers["set-cookie"].partition("=")
    assert name == "padpost_trip"
    assert {part.strip() for part in rest.split(";")[1:]} == {"HttpOnly", "Max-Age=600", "Path=/", "SameSite=lax"}
    come(person)
    assert dict(person.client.cookies).keys() == {"padpost_session"}


def test_an_answer_is_taken_once_and_in_the_browser_that_asked(house: House, directory: DirectoryServer) -> None:
    """OWASP login CSRF; RFC 6749 10.12: an answer that somebody else got, or a copy of one, opens nothing."""
    person, other = house.browser(), house.browser()
    back = back_of(person)
    assert NOT_ASKED in said(other.client.get(back))
    trip = person.client.cookies["padpost_trip"]
    assert person.client.get(back).status_code == 303
    other.client.cookies.set("padpost_trip", trip, domain="127.0.0.1")
    for _ in range(2):  # a copy of the answer, also with the cookie of the browser that asked
        assert NOT_ASKED in said(other.client.get(back))
    assert directory.granted == 1
    back_of(other)
    assert NOT_ASKED in said(other.client.get(back))  # the state of one way with the cookie of another


def test_a_cookie_that_somebody_wrote_is_none_of_ours(house: House) -> None:
    """No cookie of any shape is a defect of ours (RFC 7515: a head that is none, or asks for what is not known)."""
    heads: tuple[object, ...] = (
        {"alg": "none"},
        {"alg": "HS256", "crit": 5},
        {"alg": "HS256", "crit": ["exp"]},
        {"alg": []},
        [],
        "x",
    )
    for head in heads:
        person = house.browser()
        person.client.cookies.set("padpost_trip", f"{_base64(json.dumps(head))}.{_base64('{}')}.x", domain="127.0.0.1")
        answer = person.client.get("/sign-in/directory/back", params={"state": "x", "code": "y"})
        assert (answer.status_code, NOT_ASKED in said(answer)) == (403, True), head


def _base64(text: str) -> str:
    return base64.urlsafe_b64encode(text.encode()).rstrip(b"=").decode()


def test_a_code_of_somebody_else_s_way_is_not_taken(house: House, directory: DirectoryServer) -> None:
    """RFC 7636: a stolen code is worth nothing without the verifier, which the thief's browser has not."""
    stolen = dict(parse_qsl(urlsplit(back_of(house.browser())).query))["code"]
    thief = house.browser()
    own = dict(parse_qsl(urlsplit(back_of(thief)).query))
    answer = thief.client.get("/sign-in/directory/back", params={**own, "code": stolen})
    assert (answer.status_code, WRONG in said(answer)) == (403, True)
    assert directory.refused == ["AssertionError: verifier"]
    assert stolen not in answer.text


def test_who_takes_too_long_begins_again(house: House) -> None:
    """After ten minutes the way back is shut."""
    person = house.browser()
    back = back_of(person)
    house.stocked.now = NOW + TRIP
    assert NOT_ASKED in said(person.client.get(back))


SPOILT: Mapping[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
    "nonce: it is": lambda claims: {**claims, "nonce": "another"},
    "nonce: it": lambda claims: {name: value for name, value in claims.items() if name != "nonce"},
    "aud: it is for another": lambda claims: {**claims, "aud": "another program"},
    "aud: it": lambda claims: {**claims, "aud": [claims["aud"], "another program"]},
    "azp": lambda claims: {**claims, "azp": "another program"},
    "iss": lambda claims: {**claims, "iss": claims["iss"] + "/"},
    "exp": lambda claims: {**claims, "exp": claims["iat"] - 60},
    "iat: it was": lambda claims: {**claims, "iat": claims["iat"] + 61},
    "iat: it": lambda claims: {**claims, "iat": claims["iat"] - 661},
    "nbf": lambda claims: {**claims, "nbf": claims["iat"] + 61},
    "at_hash": lambda claims: {**claims, "at_hash": "AAAAAAAAAAAAAAAAAAAAAA"},
    "sub": lambda claims: {**claims, "sub": ""},
}


def test_a_token_that_is_not_as_it_must_be_lets_nobody_in(
    house: House, directory: DirectoryServer, capfd: pytest.CaptureFixture[str]
) -> None:
    """OpenID Connect Core 1.0, 3.1.3.7, rule by rule; the log names the claim."""
    for words, spoil in SPOILT.items():
        directory.spoil = spoil
        fault(house, WRONG)
        assert f"ID token: {words}" in "".join(capfd.readouterr())


def test_clocks_may_differ_by_a_minute(house: House, directory: DirectoryServer) -> None:
    """The directory's clock is a minute fast or slow; its tokens last no time at all."""
    for ahead_s in (-59, 60):
        directory.spoil = partial(_shifted, ahead_s)
        assert come(house.browser()).status_code == 303


def _shifted(ahead_s: int, claims: dict[str, Any]) -> dict[str, Any]:
    return {**claims, "iat": claims["iat"] + ahead_s, "exp": claims["iat"] + min(ahead_s, 0)}


def test_only_a_signature_by_the_directory_s_own_key_counts(house: House, directory: DirectoryServer) -> None:
    """RFC 8725 2.1, 3.1: not another key, not none at all, not an HMAC with the public key for a secret."""
    public = directory.signer.public()
    stranger = replace(Signer("stranger"), kid="k1")
    for sign in (
        lambda claims: directory.signed(claims, stranger),
        lambda claims: jwt.encode(claims, "", algorithm="none", headers={"kid": "k1"}),
        lambda claims: jwt.encode(claims, public["n"] * 2, algorithm="HS256", headers={"kid": "k1"}),
        lambda claims: directory.signed(claims, crit=["exp"]),
        lambda claims: directory.signed(claims)[:-8] + "AAAAAAAA",
        lambda claims: "no.token.at-all",
        lambda claims: "",
    ):
        directory.sign = sign
        fault(house, WRONG)


def test_a_new_key_of_the_directory_is_found_and_an_old_one_is_believed_no_more(house: House, directory: DirectoryServer) -> None:
    """OpenID Connect Core 1.0, 10.1.1: keys change while we run; a stranger's tokens do not make us ask again and again."""
    assert come(house.browser()).status_code == 303
    assert directory.keys_read == 1
    house.stocked.now += timedelta(seconds=10)
    old, directory.signer = directory.signer, Signer("k2", "ES256")
    assert come(house.browser()).status_code == 303
    assert directory.keys_read == 2
    directory.sign = lambda claims: directory.signed(claims, old)
    for _ in range(3):
        assert come(house.browser()).status_code == 403
    assert directory.keys_read == 2
    directory.sign, directory.shown = None, [Signer("k3").public()]
    assert come(house.browser()).status_code == 303
    house.stocked.now += KEYS_LAST
    assert come(house.browser()).status_code == 403


def test_an_answer_of_another_directory_is_not_taken(house: House, directory: DirectoryServer) -> None:
    """RFC 9207 2.4: where the directory says that it names itself in its answers, it must, and rightly."""
    for iss in ("https://other.example", ""):
        directory.answer = {"iss": iss}
        fault(house, WRONG)
    assert directory.granted == 0


def test_a_directory_that_lets_nobody_in_says_so(house: House, directory: DirectoryServer) -> None:
    """RFC 6749 4.1.2.1; what is no error's name is not repeated on our page."""
    directory.answer = {"code": "", "error": "access_denied"}
    fault(house, "let nobody in (access_denied)")
    directory.answer = {"code": "", "error": "<b>call 555"}
    fault(house, "let nobody in (without a reason)")


def test_who_is_in_no_group_of_ours_stays_out_and_ends_what_they_had(house: House, directory: DirectoryServer) -> None:
    """Whoever leaves the laboratory is out at the next coming, and wherever they were still signed in."""
    person = house.browser()
    come(person)
    for groups in (["staff"], [], "staff", [["lab"]], None):
        directory.people["u-17"]["groups"] = groups
        assert NO_GROUP in said(come(house.browser()))
    assert person.get("/").status_code == 303
    assert told(house, kept(house))[-1] == ("account.no_group", "Ana Lima", "directory")
    directory.people["u-99"], directory.who = {"name": "Rui Alves", "groups": ["staff"]}, "u-99"
    assert NO_GROUP in said(come(house.browser()))
    assert [each.subject for each in house.stocked.store.accounts()] == ["u-17"]


def test_the_highest_of_several_groups_counts_at_each_coming(house: House, directory: DirectoryServer) -> None:
    """Up and down, also where nobody would be left who may administer: the directory alone decides."""
    for groups, role in (
        (["lab", "lab-it", "lab-leads"], Role.ADMINISTRATOR), (["lab-leads", "lab"], Role.SUPERVISOR), ("lab", Role.TECHNICIAN),
    ):  # fmt: skip
        directory.people["u-17"]["groups"] = groups
        assert come(house.browser()).status_code == 303
        assert kept(house).role is role
    assert [what for what, _, _ in told(house, kept(house))].count("account.role") == 2


def test_an_account_is_bound_to_the_subject_and_to_no_name(house: House, directory: DirectoryServer) -> None:
    """A namesake gets another name, an account of the site is never theirs, and a new name at the directory makes no new account."""
    local = people(house.stocked)[Role.TECHNICIAN]
    assert local.name == "Ana Lima"
    come(house.browser())
    assert (kept(house).name, kept(house).account_id == local.account_id) == ("Ana Lima (alima)", False)
    directory.people["u-17"]["name"] = "Ana Lima Costa"
    come(house.browser())
    assert kept(house).name == "Ana Lima (alima)"
    directory.people["u-18"], directory.who = {**ANA}, "u-18"
    assert NAME_TAKEN in said(come(house.browser()))
    directory.people["u-18"] = {"name": "emergency account", "groups": ["lab"]}
    assert NAME_TAKEN in said(come(house.browser()))
    directory.people["u-18"] = {"name": "\u202e", "groups": ["lab"]}
    assert NO_NAME in said(come(house.browser()))
    assert house.browser().sign_in("Ana Lima").status_code == 303
    assert house.browser().sign_in("Ana Lima (alima)").status_code == 403


def test_who_is_switched_off_here_stays_off(house: House) -> None:
    """Whatever the directory says."""
    people(house.stocked)
    person = house.browser()
    come(person)
    house.door.desk.switch(kept(house).account_id, on=False, reason="left", actor=BOOT)
    assert person.get("/").status_code == 303
    assert IS_OFF in said(come(house.browser()))
    events = house.stocked.store.events(f"account:{kept(house).account_id}")
    assert (events[-1].what, events[-1].actor) == ("sign_in.account_off", "not signed in")


def test_name_and_groups_may_stand_at_the_userinfo_endpoint(house: House, directory: DirectoryServer) -> None:
    """OpenID Connect Core 1.0, 5.3.2: what it tells counts only of the same subject."""
    directory.only_at_userinfo = frozenset({"name", "groups"})
    directory.told_of = "u-99"
    fault(house, WRONG)
    directory.told_of = ""
    assert come(house.browser()).status_code == 303
    assert (kept(house).name, kept(house).role) == ("Ana Lima", Role.TECHNICIAN)


def test_a_directory_that_takes_the_secret_in_the_form_gets_it_there(house: House, directory: DirectoryServer) -> None:
    """RFC 6749 2.3.1, by what the directory says that it takes."""
    directory.metadata = {"token_endpoint_auth_methods_supported": ["client_secret_post"]}
    house.stocked.now += timedelta(seconds=5)
    assert come(house.browser()).status_code == 303
    assert directory.refused == []


def test_while_the_directory_is_away_the_page_says_so_and_an_account_of_the_site_comes_in(
    house: House, directory: DirectoryServer
) -> None:
    """Nobody waits for a directory that is down; it is not asked by each click, and works again by itself."""
    people(house.stocked)
    person = house.browser()
    back = back_of(person)
    directory.status = 503
    assert AWAY in said(person.client.get(back))
    assert house.browser().sign_in(NAMES[Role.SUPERVISOR]).status_code == 303
    directory.status = 0
    assert come(person).status_code == 303


def test_people_are_sent_to_no_other_site_and_come_back_where_the_cookie_is(house: House) -> None:
    """OWASP: no open redirect; whoever opened the pages under another name of ours is first brought to the registered one."""
    for onward in ("https://evil.example/", "//evil.example", "/\\evil.example"):
        assert come(house.browser(), onward).headers["location"] == "/"
    answer = house.browser().client.get("/sign-in/directory?next=%2Fresults%3Fa%3Db", headers={"host": f"localhost:{house.port}"})
    assert answer.headers["location"] == f"http://127.0.0.1:{house.port}/sign-in/directory?next=%2Fresults%3Fa%3Db"


def test_a_new_session_takes_the_place_of_the_old_one(house: House) -> None:
    """No session that was there before is raised to somebody (fixation): the token is new, and the old one dead."""
    people(house.stocked)
    person = house.person(Role.SUPERVISOR)
    old = person.client.cookies["padpost_session"]
    come(person)
    assert person.client.cookies["padpost_session"] != old
    assert house.browser(old).get("/").status_code == 303


def test_sign_out_offers_the_directory_s_own(house: House, directory: DirectoryServer) -> None:
    """OpenID Connect RP-Initiated Logout 1.0; by a link, since our own policy lets no form lead elsewhere."""
    person = house.browser()
    come(person)
    assert person.post("/sign-out").headers["location"] == "/sign-in?left=yes"
    page = person.get("/sign-in?left=yes").text
    back = f"http%3A%2F%2F127.0.0.1%3A{house.port}%2Fsign-in"
    assert f'href="{directory.url}/leave?client_id=padpost+bench&amp;post_logout_redirect_uri={back}"' in page
    assert "/leave" not in person.get("/sign-in").text


def test_a_directory_s_account_has_no_password_here(house: House) -> None:
    """No code, no password and no role is given by hand."""
    people(house.stocked)
    person = house.browser()
    come(person)
    number = kept(house).account_id
    admin = house.person(Role.ADMINISTRATOR)
    for path, more in ((f"/accounts/{number}/code", {}), (f"/accounts/{number}/role", {"role": "administrator"})):
        answer = admin.post(path, reason="because", **more)
        assert (answer.status_code, "hospital directory" in answer.text) == (409, True)
    assert kept(house).role is Role.TECHNICIAN
    assert "change it there" in person.post("/password", old="x" * 12, password="y" * 12, again="y" * 12).text


def code_of(person: Person) -> str:
    """Get a code from the directory, in whichever browser."""
    answer = come(person, code=True)
    assert answer.status_code == 200, answer.text
    (code,) = re.findall(r"<code>([A-Z2-7]{4}-[A-Z2-7]{4})</code>", answer.text)
    return str(code)


def sealed(person: Person, code: str) -> str:
    """Do a grave act with a code; give the page."""
    return said(person.send("/envelopes", token=person.token("/envelopes"), reason="yearly", own_password=code))


def test_a_code_from_the_directory_stands_for_the_password_once(house: House, directory: DirectoryServer) -> None:
    """HZ-J04: got by showing the directory one's password just now, at any screen; one person's alone, for five minutes; it signs nobody in."""
    directory.people["u-17"]["groups"] = ["lab-it"]
    directory.people["u-18"] = {"name": "Rui Alves", "groups": ["lab-it"]}
    ana, other = house.browser(), house.browser()
    come(ana)
    assert CODE_ASKED in sealed(ana, "")
    code = code_of(other)
    assert "padpost_session" not in other.client.cookies
    assert (directory.asked[-1]["max_age"], directory.asked[-1]["prompt"]) == ("0", "login")
    directory.who = "u-18"
    assert OWN_CODE_NOT_RIGHT in sealed(ana, code_of(other))
    directory.who = "u-17"
    assert "kept nowhere" in sealed(ana, code.lower().replace("-", " "))
    assert OWN_CODE_NOT_RIGHT in sealed(ana, code)
    late = code_of(other)
    house.stocked.now += LASTS
    assert OWN_CODE_NOT_RIGHT in sealed(ana, late)
    assert other.sign_in("Ana Lima", code_of(house.browser())).status_code == 403
    assert [what for what, _, _ in told(house, kept(house))].count("account.code_shown") == 3
    assert code.encode() not in b"".join(path.read_bytes() for path in house.stocked.files())


def test_nobody_of_a_directory_has_a_pin(house: House) -> None:
    """HZ-J04: a PIN would let in at a shared bench whoever the directory lets in no more; nothing is kept, and one of before opens nothing."""
    people(house.stocked)
    bench, ana = house.person(Role.SUPERVISOR), house.browser()
    assert bench.post("/bench", bench_name="Bench 1").status_code == 303
    come(ana)
    answer = ana.post("/quick", old=code_of(ana), pin="407316", pin_again="407316")
    assert (answer.status_code, NOT_QUICK in said(answer)) == (409, True)
    account = house.stocked.store.account_of(kept(house).issuer, "u-17")
    assert account is not None
    assert house.stocked.store.quick(account.account_id) is None
    house.stocked.pin_of_before(account.account_id, HASH)
    answer = bench.send("/switch", token=bench.token("/switch"), person=account.name, pin=PASSWORD)
    assert (answer.status_code, NOT_SWITCHED in said(answer)) == (403, True)


def test_a_directory_that_does_not_say_when_it_asked_gives_no_code(house: House, directory: DirectoryServer) -> None:
    """OpenID Connect Core 1.0, 3.1.2.1: auth_time is required where max_age was sent; one of yesterday is a password of yesterday."""
    for spoil in (_without("auth_time"), lambda claims: {**claims, "auth_time": claims["iat"] - 61}):
        directory.spoil = spoil
        answer = come(house.browser(), code=True)
        assert (answer.status_code, WRONG in said(answer)) == (403, True)


def _without(claim: str) -> Callable[[dict[str, Any]], dict[str, Any]]:
    return lambda claims: {name: value for name, value in claims.items() if name != claim}


def test_a_second_person_of_the_directory_types_a_code(house: House) -> None:
    """At the first one's screen, with a code that they got wherever they are signed in; the history says by what they were known."""
    people(house.stocked)
    code, sam = code_of(house.browser()), house.person(Role.SUPERVISOR)
    fields = {"second_person": kept(house).name, "action": "release", "reason": "seen"}
    assert SECOND_NOT_RIGHT in said(sam.post("/rejected/1/release", **fields, second_password="x"))
    assert SECOND_NOT_RIGHT not in said(sam.post("/rejected/1/release", **fields, second_password=code))
    assert SECOND_NOT_RIGHT in said(sam.post("/rejected/1/release", **fields, second_password=code))
    assert ("second.given", kept(house).name, "directory") in told(house, kept(house))


def test_where_only_the_directory_counts_no_password_opens_anything(shelf: Stocked, directory: DirectoryServer) -> None:
    """Neither a password nor a session of before, and no first code; and back again, no account of the directory."""
    people(shelf)
    with serving(shelf, directory.url) as house:
        sam, ana = house.person(Role.SUPERVISOR), house.browser()
        come(ana)
        old, hers = (each.client.cookies["padpost_session"] for each in (sam, ana))
    with serving(shelf, directory.url, passwords=False) as house:
        assert house.browser(old).get("/").status_code == 303
        assert house.browser(hers).get("/").status_code == 200
        page = house.browser().get("/sign-in").text
        assert ("directory" in page, 'name="password"' in page) == (True, False)
        person = house.browser()
        token = person.token("/first-sign-in")
        assert NO_PASSWORDS in said(person.send("/sign-in", name=NAMES[Role.SUPERVISOR], password=PASSWORD, token=token))
    with serving(shelf, directory.url + "/moved") as house:
        assert house.browser(hers).get("/").status_code == 303


def test_no_code_no_token_and_no_secret_is_logged_or_kept(
    house: House, directory: DirectoryServer, capfd: pytest.CaptureFixture[str]
) -> None:
    """Whoever reads logs or the store learns nothing to come in with."""
    person = house.browser()
    back = back_of(person)
    trip = person.client.cookies["padpost_trip"]
    person.client.get(back)
    directory.spoil = lambda claims: {**claims, "aud": "another"}
    bad = back_of(house.browser())
    house.browser().client.get(bad)
    fault_page = come(house.browser()).text
    written = "".join(capfd.readouterr()).encode() + b"".join(path.read_bytes() for path in house.stocked.files())
    for each in (
        *(dict(parse_qsl(urlsplit(address).query))[name] for address in (back, bad) for name in ("code", "state")),
        trip,
    ):
        assert each.encode() not in written
        assert each not in fault_page
    assert b"aud: it is for another program" in written
