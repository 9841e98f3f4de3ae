"""Two people at one form at the same moment: one act stands, and the other person is told whose. HZ-K03.

Every act that changes something is here: raced by two accounts in two browsers, or named in ``BOTH_STAND`` or ``NO_RACE`` with the reason.
The forms are those of the pages of a site on which every page has something to show.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import pytest
from starlette.routing import compile_path

from bridge.accounts.people import Account, Role
from bridge.accounts.permissions import NEEDS
from bridge.pages.app import make_pages
from bridge.store.account_commands import KeepAccount
from tests.browser.every_page import follow
from tests.browser.filled import filled
from tests.pages.peopled import BOOT, HASH, NAMES, PASSWORD, House, Person, door_of, people
from tests.pages.racing import Form, Forms, at_once, filled_in
from tests.pages.stocked import Page, Stocked

SECOND = "Abe Cruz"
TYPED = {
    "reason": "because", "text": "some words", "own_password": PASSWORD, "second_password": PASSWORD, "second_person": "Ana Lima",
    "colleague": "Ana Lima", "agreed_by": "Ana Lima",
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Race:
    """How a form is filled in beside what every form has. ``page`` is where it stands, where no link leads; ``ends`` how its address ends."""

    typed: Mapping[str, str] = field(default_factory=dict)
    page: str = ""
    ends: str = ""
    told: str = ""  # what the other person reads beside the name, where it is worth comparing


RACED: Mapping[str, Race] = {
    "/analyzers/life": Race(typed={"analyzer": "bench-a", "what": "out of service", "text": ""}),
    "/controls/gate": Race(),
    "/controls/look-back/{row_id}": Race(),
    "/controls/lots/{lot_id}/sign": Race(),
    "/controls/lots/{lot_id}/close": Race(told="out of use already"),
    "/hand-over/{note_id}/close": Race(),
    "/lots/containers/{container_id}/close": Race(told="out of use already"),
    "/numbers": Race(),
    "/receivers/{destination}/pause": Race(told="paused already"),
    "/receivers/{destination}/resume": Race(told="not paused any more"),
    "/registered/{registration_id}/sign": Race(),
    "/registered/{registration_id}/end": Race(),
    "/rejected/{stop_id}/specimen/{action}": Race(),
    "/rejected/{stop_id}/{action}": Race(
        typed={"specimen": "run again"}, ends="/discard", told="has dealt with this already: discarded"
    ),
    "/results/{result_id}/{action}": Race(ends="/withdraw"),
    "/signals/{signal_id}/acknowledge": Race(),
    "/telling/{telling_id}/close-untold": Race(),
    "/telling/{telling_id}": Race(typed={"whom": "R. Holm", "role": "nurse"}),
    "/telling/{telling_id}/close": Race(),
    "/to-add/{awaited_id}": Race(told="has added to this strip already"),
    "/analyzers/operators": Race(typed={"analyzer": "bench-a", "number": "R77", "person": "Rui Alves", "since": "2026-11-25"}),
    "/analyzers/operators/{operator_id}/end": Race(),
    "/accounts": Race(typed={"account_name": "New Person"}),
    "/accounts/{account_id}/role": Race(typed={"role": "technician"}, ends="/4/role"),
    "/accounts/{account_id}/code": Race(ends="/4/code"),
    "/accounts/{account_id}/switch": Race(ends="/4/switch"),
    "/accounts/keys/{key_id}/end": Race(),
}
BOTH_STAND = {
    "/controls/months/{month}/actions": "what was done about a failure: each person's line stands",
    "/day-log": "a line is what somebody found; two found it",
    "/hand-over": "two notes",
    "/signals/{signal_id}/note": "two notes",
}
NO_RACE = {
    "/language": "about oneself", "/lock": "about oneself", "/api/session/unlock": "about oneself",
    "/envelopes": "two envelopes", "/envelopes/{envelope_id}/look": "of two who look at once one is told: test_envelopes.py",
    "/emergency": "an envelope opens once: test_envelopes.py, tests/store/envelope_contract.py",
    "/analyzers/declared": "the later word counts and stands on the page; both are in the history, with two names each",
    "/switch": "about oneself", "/quick": "about oneself", "/signals/digest": "changes nothing",
    "/bench": "a browser is marked in its own name", "/bench/{bench_id}/end": "the second one is refused: tests/store/quick_contract.py",
    "/first-sign-in": "about oneself", "/sign-in": "about oneself", "/sign-out": "about oneself", "/password": "about oneself",
    "/find": "changes nothing", "/results": "changes nothing", "/try-out": "changes nothing", "/to-add/find": "changes nothing",
    "/receivers/{destination}/test": "changes nothing", "/signals/test": "changes nothing",
    "/rejected/{stop_id}/what-if/{action}": "changes nothing", "/api/results/search": "changes nothing",
    "/api/stops/{stop_id}/{action}": "the desk of /rejected/{stop_id}/{action}, raced here and in test_rejected.py",
    "/api/reasons/{rule}/{action}": "as /rejected/all/{action}", "/api/reasons/{rule}/read-again": "as /rejected/read-again",
    "/rejected/all/{action}": "row by row the act on one, and counted first: tests/desk/test_together.py",
    "/rejected/read-again": "as /rejected/all/{action}",
    "/enter/eye/{source}": "two forms are two strips, each with a number of its own: tests/desk/test_entries.py",
    "/enter/slip/{source}": "the number is printed: the second one is a copy or a conflict, tests/journey/test_slips.py",
    "/corrections/{correction_id}/calls": "each call is one that was made",
    "/controls/lots/new": "two codes of one lot are refused by name of the lot: tests/desk/test_lots.py",
    "/controls/strips/{strip_id}": "no strip of the filled site waits; the second one is refused by name: test_controls.py, tests/store/gate_contract.py",
    "/controls/months/{month}/signature": "each signs the month as it stood, and both signatures stand: tests/store/month_contract.py",
    "/day-log/lines/{line_id}": "the second correction is refused: tests/store/day_log_contract.py",
    "/days/{day}": "a day is signed as it stood: each signature stands beside the others, tests/store/number_contract.py",
    "/lots/accepted": "the second one is refused: tests/store/lot_contract.py",
    "/lots/containers": "two containers of one lot: a bench opens several",
    "/numbers/runs/{shift_id}": "the second one is refused: tests/store/number_contract.py",
    "/registered": "what is entered twice is listed twice, and either is ended: tests/store/registered_contract.py",
    "/signals/mute": "the later word is the one that counts, and both are in the history",
    "/accounts/keys": "two keys",
    "/to-add/held/{stop_id}": "the stop's own end, raced in tests/store/addition_contract.py",
}  # fmt: skip


def acts() -> set[str]:
    """Give every route that is asked for by POST."""
    return {path for method, path in NEEDS if method != "GET"}


def test_every_act_is_raced_or_says_why_not() -> None:
    """A new route cannot be left out."""
    named = [*RACED, *BOTH_STAND, *NO_RACE]
    assert len(named) == len(set(named))
    assert acts() - set(named) == set(), "race it, or say why it needs none"
    assert set(named) - acts() == set(), "there is no such act any more"


class Bench:
    """Two administrators at the pages of a filled site."""

    def __init__(self, house: House, pages: list[str], both: dict[str, Person]) -> None:
        self.house = house
        self.pages = pages
        self.both = both
        self._routes = [(path, compile_path(path)[0]) for path in sorted(acts(), key=lambda each: each.count("{"))]

    def route(self, address: str) -> str:
        """Give the route of an address."""
        return next((path for path, matches in self._routes if matches.match(address.partition("?")[0])), "")

    def forms(self, path: str, race: Race) -> list[Form]:
        """Give the same form as each person is shown it."""
        people = list(self.both.values())
        for page in [race.page] if race.page else self.pages:
            first = self._there(people[0], page, path, race)
            if first is not None:
                second = next((each for each in Forms(page, people[1].get(page).text).found if each.action == first.action), None)
                if second is not None:
                    return [first, second]
        raise AssertionError(f"no page has a form of {path}: let tests/browser/filled.py show one, or prepare it here")

    def _there(self, person: Person, page: str, path: str, race: Race) -> Form | None:
        found = Forms(page, person.get(page).text).found
        return next((each for each in found if self.route(each.action) == path and each.action.endswith(race.ends)), None)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """Serve a filled site to two administrators."""
    shelf = Stocked(tmp_path_factory.mktemp("races"))
    told = filled(shelf)
    people(shelf)
    second = Account(account_id=0, name=SECOND, role=Role.ADMINISTRATOR, secret=HASH)
    shelf.store.submit(KeepAccount(account=second, what="account.added", actor=BOOT, at=shelf.now)).result(10)
    door = door_of(shelf)
    told = {**told, "door": door}
    app = make_pages(shelf.store, shelf.desks(shelf.site(**told)), site=shelf.site(**told), now=lambda: shelf.now)
    with shelf.serving(**told) as visitor:
        house = House(shelf, door, visitor.port)
        both = {}
        for name in (NAMES[Role.ADMINISTRATOR], SECOND):
            both[name] = house.browser()
            assert both[name].sign_in(name).status_code == 303
        ada = both[NAMES[Role.ADMINISTRATOR]]
        _prepare(ada)
        try:
            yield Bench(house, follow(ada, app).pages, both)
        finally:
            house.close()
    shelf.close()


def _prepare(ada: Person) -> None:
    """Leave what the acts are about and a filled site has none of: a note, an operator, a key."""
    assert ada.post("/hand-over", text="Call the ward.").status_code == 303
    operator = {"analyzer": "bench-a", "number": "R12", "person": "Ines", "since": "2026-11-20"}
    assert ada.post("/analyzers/operators", **operator).status_code == 303
    assert ada.post("/accounts/keys", key_name="list", days="9").status_code == 200


@pytest.mark.parametrize("path", list(RACED))
def test_one_act_stands_and_the_other_person_is_told_whose(bench: Bench, path: str) -> None:
    """The answer names who was first, on the page where the act was asked for."""
    race = RACED[path]
    forms = bench.forms(path, race)
    sent = [filled_in(each, {**TYPED, **race.typed}) for each in forms]
    answers = at_once(zip(bench.both.values(), (each.action for each in forms), sent, strict=True))
    said = {name: Page(answer.text).text for name, answer in zip(bench.both, answers, strict=True)}
    codes = [answer.status_code for answer in answers]
    assert sorted(codes) in ([303, 409], [200, 409]), (
        path,
        codes,
        [re.findall(r"Not done.{0,200}", each) for each in said.values()],
    )
    (loser,) = [name for name, answer in zip(bench.both, answers, strict=True) if answer.status_code == 409]
    (winner,) = set(bench.both) - {loser}
    notice = re.search(r"Not (?:done|added|kept)\. (.*)", said[loser])
    words = notice[1][:300] if notice else said[loser]
    assert winner in words, (path, words)
    assert race.told in words, (path, words)


@pytest.mark.parametrize("path", list(BOTH_STAND))
def test_what_two_people_add_stands_both(bench: Bench, path: str) -> None:
    """Neither takes the other's place."""
    forms = bench.forms(path, Race())
    sent = [filled_in(each, {**TYPED, "note": "some words"}) for each in forms]
    answers = at_once(zip(bench.both.values(), (each.action for each in forms), sent, strict=True))
    assert [answer.status_code for answer in answers] == [303, 303]
