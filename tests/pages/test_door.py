"""Where a request comes from, and the cookie's two names. tests/pages/test_sign_in.py looks at the cookies that browsers get."""

from __future__ import annotations

from dataclasses import replace

from starlette.responses import Response

from bridge.pages.door import address_of
from tests.pages.peopled import door_of
from tests.pages.stocked import Stocked


def test_an_address_in_words() -> None:
    """A socket file has none."""
    assert address_of({"client": ("10.0.0.7", 50000)}) == "from 10.0.0.7"
    assert address_of({}) == "from this machine"


def test_a_token_is_taken_back_by_the_name_it_was_given_by(shelf: Stocked) -> None:
    """Else the browser would keep it."""
    plain = door_of(shelf)
    for door, name in ((plain, "padpost_session"), (replace(plain, behind_tls=True), "__Host-padpost_session")):
        given, taken = door.give(Response(), "t"), door.take(Response())
        assert given.headers["set-cookie"].startswith(f"{name}=t;")
        assert taken.headers["set-cookie"].startswith(f'{name}="";')
        assert "Max-Age=0" in taken.headers["set-cookie"]
