"""In which language a request is answered: who chose, what the site set, what the browser asks for."""

from __future__ import annotations

import asyncio
from gettext import NullTranslations

import pytest
from starlette.types import Message, Receive, Scope, Send

from bridge.pages.interpreter import CHOSEN, Interpreter
from bridge.pages.language import ENGLISH, language_of, spoken

OFFERED = (ENGLISH, language_of("es", NullTranslations()), language_of("fr", NullTranslations()))


async def unheard() -> Message:
    """Give nothing: no body is asked for."""
    raise AssertionError


async def unsaid(_message: Message) -> None:
    """Take nothing: no answer is made."""
    raise AssertionError


def answered(path: str = "/", *, own: str = "", **headers: str) -> str:
    """Give the tag of the language in which a request is answered."""
    heard: list[str] = []

    async def app(_scope: Scope, _receive: Receive, _send: Send) -> None:
        heard.append(spoken().tag)

    scope = {
        "type": "http",
        "path": path,
        "headers": [(name.replace("_", "-").encode(), text.encode()) for name, text in headers.items()],
    }
    asyncio.run(Interpreter(app, offered=OFFERED, own=own)(scope, unheard, unsaid))
    return heard[0]


@pytest.mark.parametrize(
    ("wanted", "own", "headers"),
    [
        ("en", "", {}),
        ("fr", "", {"accept_language": "fr-FR,fr;q=0.9,en;q=0.5"}),
        ("es", "es", {"accept_language": "fr"}),
        ("fr", "es", {"cookie": f"{CHOSEN}=fr"}),
        ("en", "es", {"cookie": f"{CHOSEN}=en", "accept_language": "fr"}),
        ("es", "es", {"cookie": f"{CHOSEN}=xx"}),
        ("fr", "es", {"cookie": f'seen={{"page": 2}}; {CHOSEN}=fr'}),
        ("en", "", {"accept_language": "de"}),
    ],
)
def test_who_chose_comes_first_then_the_site_then_the_browser(wanted: str, own: str, headers: dict[str, str]) -> None:
    """Where none of them names a language that is there, it is English."""
    assert answered(own=own, **headers) == wanted


@pytest.mark.parametrize("path", ["/api/news", "/health/ready", "/reports/2026-11/stops/reasons.csv", "/lots/strips.csv"])
def test_programs_are_answered_in_english_whoever_sits_before_them(path: str) -> None:
    """A spreadsheet's columns and an answer of the API are read by programs, which look for one word."""
    assert answered(path, own="es", cookie=f"{CHOSEN}=fr") == "en"


@pytest.mark.parametrize("path", ["/api/news/rejected", "/api/news/rejected/rows", "/api/session/unlock"])
def test_what_a_page_shows_of_an_answer_is_in_the_page_s_language(path: str) -> None:
    """Rows that came, rows that turned and why a page stays locked stand among words of the reader's language."""
    assert answered(path, own="es", cookie=f"{CHOSEN}=fr") == "fr"


def test_nothing_is_left_of_a_request_s_language() -> None:
    """The next person's page is not in the language of the one before."""
    assert answered(own="fr") == "fr"
    assert spoken() is ENGLISH
