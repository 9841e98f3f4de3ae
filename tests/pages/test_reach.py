"""Nobody is shown a form that is then refused: every form of every page of a filled site, for people of every role. HZ-J04."""

from __future__ import annotations

import re
from pathlib import Path

import httpx

from bridge.accounts.people import Role
from bridge.accounts.permissions import Right, may
from bridge.desk.access import Caller
from bridge.model import Actor
from bridge.pages.app import HERE, make_pages
from bridge.pages.doorkeeper import Rows
from bridge.pages.reach import within_reach
from tests.browser.every_page import follow
from tests.browser.filled import filled
from tests.pages.peopled import House, door_of, people
from tests.pages.racing import Forms
from tests.pages.stocked import Stocked, Visitor

BELOW = (Role.VIEWER, Role.TECHNICIAN, Role.SUPERVISOR)  # an administrator's pages are left as they are
FORM = '<form method="post" action="/a&amp;b" class="act">Sign <button>it</button></form>'


def of(role: Role) -> Caller:
    """Give somebody of a role."""
    return Caller(actor=Actor(name="Vera", verified="account"), role=role, session=None)


def test_what_is_out_of_reach_says_for_whom_it_is() -> None:
    """The words around a form stand, and those of a link; what is asked is the right of the path that a browser would send it to."""
    asked: list[tuple[str, str]] = []

    def right(method: str, path: str) -> Right | None:
        asked.append((method, path))
        return Right.SUPERVISE

    page = f'<p>Before <a href="/audit?of=x" class="y">the <b>trail</b></a></p>{FORM}\n{FORM}<a href="/results/1">after</a>'
    note = '<p class="soft">This is for: supervisor or administrator.</p>'
    less = f'<p>Before the <b>trail</b></p>{note}\n{note}<a href="/results/1">after</a>'
    assert within_reach(page, of(Role.TECHNICIAN), right) == less
    assert asked == [("POST", "/a&b"), ("POST", "/a&b"), ("GET", "/audit")]
    assert within_reach(page, of(Role.SUPERVISOR), right) == page
    assert within_reach(page, of(Role.ADMINISTRATOR), lambda *_: None) == page
    assert within_reach(page, None, right) == page
    assert within_reach(page, of(Role.VIEWER), lambda *_: None) == page, "what nobody knows the doorkeeper answers"


def test_every_form_of_the_templates_is_written_as_is_looked_for() -> None:
    """A form that is written otherwise would be shown to everybody."""
    for template in sorted((HERE / "templates").glob("*.html")):
        text = template.read_text(encoding="utf-8")
        forms = re.findall(r"<form\b[^>]*", text, re.IGNORECASE)
        posted = [form for form in forms if "post" in form.lower()]
        assert all(form.startswith('<form method="post" action="') for form in posted), template.name
        assert text.count("</form>") == len(forms), template.name


class Keeping(Visitor):
    """A browser that keeps every page that it is given."""

    def __init__(self, person: Visitor) -> None:
        super().__init__(person.client, person.port)
        self.pages: dict[str, str] = {}

    def get(self, path: str, **headers: str) -> httpx.Response:
        """Give a page, and keep it."""
        answer = super().get(path, **headers)
        self.pages[path] = answer.text
        return answer


def test_every_form_on_every_page_is_one_that_its_reader_may_send(tmp_path: Path) -> None:
    """All pages that the links lead a person to: each form there is let by, no link is refused, and whoever may do more is shown more."""
    stocked = Stocked(tmp_path)
    told = filled(stocked)
    door = door_of(stocked)
    people(stocked)
    site = stocked.site(**told, door=door)
    app = make_pages(stocked.store, stocked.desks(site), site=site, now=lambda: stocked.now)
    rows = Rows(lambda: app.routes)
    shown: dict[Role, set[str]] = {}
    with stocked.serving(**told, door=door) as visitor:
        house = House(stocked, door, visitor.port)
        for role in BELOW:
            seen = Keeping(house.person(role))
            dead = follow(seen, app).dead
            assert [each for each in dead if each.endswith(": 403")] == [], role
            forms = [form.action for address, text in seen.pages.items() for form in Forms(address, text).found]
            asked = {action: rows.right("POST", action) for action in forms}
            assert [action for action, right in asked.items() if right is None or not may(role, right)] == []
            shown[role] = {rows.route("POST", action) for action, right in asked.items() if right is not Right.OWN}
        house.close()
    assert shown[Role.VIEWER] < shown[Role.TECHNICIAN] < shown[Role.SUPERVISOR]
