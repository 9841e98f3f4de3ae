"""Which acts ask for the password again. tests/pages/test_doorkeeper.py sends each of them to the application."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import bridge
from bridge.accounts.grave import GRAVE, Grave, is_grave
from bridge.accounts.permissions import NEEDS, Right
from bridge.bench.look_back import Verdict

TEMPLATES = Path(bridge.__file__).parent / "pages" / "templates"
FORM = re.compile(r'<form method="post"[^>]*? action="(/[^"]*)"[^>]*>(.*?)</form>', re.DOTALL)
FILLED = "{}"  # what stands for an expression in a template, or for a parameter of a route
# Forms whose field gets its value elsewhere in the template, and never one that is grave
OTHER_VALUES = {("lot.html", "/lots/accepted"): "the macro word() sends accept and withdraw alone"}


def forms() -> Iterator[tuple[str, str, str, bool]]:
    """Give each form of the templates: the template's name, its address and its content with expressions left out, and whether it asks for the password."""
    for path in sorted(TEMPLATES.glob("*.html")):
        text = path.read_text(encoding="utf-8")
        macros = re.findall(r"{% macro (\w+)\(.*?%}(.*?){% endmacro %}", text, re.DOTALL)
        asking = {"your_password", *(name for name, body in macros if "your_password(" in body)}
        calls = re.compile("|".join(rf"{{{{ {name}\(" for name in sorted(asking)))
        for address, body in FORM.findall(calls.sub("ASKS{{ (", text).replace('"%Y-%m"', "")):
            yield path.name, _bare(address), _bare(body), "ASKS" in body


def _bare(text: str) -> str:
    return re.sub(r"{{.*?}}", FILLED, text)


def _is_grave_form(row: Grave, template: str, address: str, body: str) -> bool:
    pairs = list(zip(address.split("/"), re.sub(r"{\w+}", FILLED, row.route.split()[1]).split("/"), strict=False))
    if address.count("/") != row.route.count("/") or any(one != other and FILLED not in (one, other) for one, other in pairs):
        return False
    said = re.findall(rf'name="{row.field}" value="([^"]*)"', body) if row.field else []
    return not said or said[0] in row.values or (said[0] == FILLED and (template, address) not in OTHER_VALUES)


def test_the_forms_of_grave_acts_ask_and_no_others_do() -> None:
    """HZ-J04: a form without the field comes once more for each send; one that asks for nothing teaches to type passwords anywhere."""
    met = set()
    for template, address, body, asks in forms():
        rows = [row.route for row in GRAVE if _is_grave_form(row, template, address, body)]
        assert asks == bool(rows), (template, address)
        met.update(rows)
    assert {row.route for row in GRAVE if not row.route.startswith("POST /api/")} <= met


def test_each_is_a_route_that_acts() -> None:
    """A row that no route answers to would guard nothing; one that only looks would be in the way."""
    routes = {f"{method} {path}" for (method, path), right in NEEDS.items() if right not in {Right.OPEN, Right.OWN, Right.LOOK}}
    for row in GRAVE:
        method, path = row.route.split()
        folder = path.rpartition("/")[0]
        assert row.route in routes or f"{method} {folder}/{{action}}" in routes, row.route


@pytest.mark.parametrize(("route", "fields", "grave"), [
    ("POST /rejected/{stop_id}/release", [], True),
    ("POST /rejected/{stop_id}/discard", [], False),
    ("POST /rejected/{stop_id}/what-if/release", [], False),
    ("POST /controls/strips/{strip_id}", [("action", "discard")], False),
    ("POST /controls/strips/{strip_id}", [("action", "release"), ("action", "discard")], True),
    ("POST /controls/look-back/{row_id}", [("verdict", Verdict.STANDS.value)], False),
    ("POST /controls/look-back/{row_id}", [("verdict", Verdict.WITHDRAWN.value)], True),
    ("POST /controls/look-back/{row_id}", [("verdict", Verdict.CORRECTED.value)], True),
    ("POST /days/{day}", [], True),
    ("POST /lots/accepted", [("action", "sign")], True),
    ("POST /lots/accepted", [("action", "withdraw")], False),
    ("GET /accounts", [], False),
    ("", [], False),
])  # fmt: skip
def test_what_goes_to_a_record_or_is_taken_back_asks_and_what_stops_does_not(
    route: str, fields: list[tuple[str, str]], grave: bool
) -> None:
    """HZ-J04: a field that came twice is grave where one of its values is."""
    assert is_grave(route, fields) is grave
