"""Two people at one form at the same moment: forms taken off the pages, filled in by each, and sent at once."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from html.parser import HTMLParser

import httpx

from tests.pages.peopled import Person


@dataclass
class Form:
    """A form of a page: where it goes, and its fields with what stands in them; ``choices`` are what a field may hold."""

    page: str
    action: str
    fields: dict[str, str] = field(default_factory=dict)
    choices: dict[str, list[str]] = field(default_factory=dict)


class Forms(HTMLParser):
    """The forms of a page that are sent by POST."""

    def __init__(self, page: str, html: str) -> None:
        super().__init__()
        self.found: list[Form] = []
        self._page = page
        self._form: Form | None = None
        self._select = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a form and what is in it."""
        its = {name: value or "" for name, value in attrs}
        if tag == "form" and its.get("method", "").lower() == "post":
            self._form = Form(page=self._page, action=its.get("action") or self._page.partition("?")[0])
            self.found.append(self._form)
        if self._form is None:
            return
        name = its.get("name", "")
        if tag == "select":
            self._select = name
            self._form.choices.setdefault(name, [])
        elif tag == "option" and self._select:
            self._form.choices[self._select].append(its.get("value", ""))
            if "selected" in its:
                self._form.fields[self._select] = its.get("value", "")
        elif tag in {"input", "textarea"} and name:
            self._input(its, name)
        elif tag == "button" and name:
            self._form.fields.setdefault(name, its.get("value", ""))

    def _input(self, its: Mapping[str, str], name: str) -> None:
        assert self._form is not None
        if its.get("type") in {"radio", "checkbox"}:
            self._form.choices.setdefault(name, []).append(its.get("value", "on"))
            if "checked" in its:
                self._form.fields[name] = its.get("value", "on")
        else:
            self._form.fields.setdefault(name, its.get("value", ""))

    def handle_endtag(self, tag: str) -> None:
        """Close what ends here."""
        if tag == "form":
            self._form = None
        elif tag == "select":
            self._select = ""


def filled_in(form: Form, given: Mapping[str, str]) -> dict[str, str]:
    """Give what a person sends: what stands there already, the first choice that is one, and ``given`` where they type."""
    sent = dict(form.fields)
    for name, choices in form.choices.items():
        if not sent.get(name):
            sent[name] = next((each for each in choices if each), "")
    return {**sent, **{name: value for name, value in given.items() if name in sent or name.startswith("+")}}


def at_once(people: Iterable[tuple[Person, str, dict[str, str]]]) -> list[httpx.Response]:
    """Let each person send their form at the same moment; give the answers in their order."""
    acts = list(people)
    ready = threading.Barrier(len(acts))

    def act(one: tuple[Person, str, dict[str, str]]) -> httpx.Response:
        person, path, fields = one
        ready.wait(20)
        return person.client.post(path, data=fields, headers={"origin": person.origin})

    with ThreadPoolExecutor(len(acts)) as both:
        return list(both.map(act, acts))
