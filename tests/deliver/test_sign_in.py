"""Headers that sign in: exactly as the standards have them, kept, and dropped only by who was turned away with them."""

from __future__ import annotations

import asyncio

import pytest

from bridge.deliver.backend_token import BackendToken
from bridge.deliver.http import Poster
from bridge.deliver.sign_in import Kept, basic_header, new_name, scope_for, sign_in_of
from bridge.errors import SettingsError
from bridge.settings import Basic, FhirDestination, HookDestination, OAuth, Secret, Signing


def fhir(**more: object) -> FhirDestination:
    """Give a destination on this machine."""
    given = {"kind": "fhir", "name": "record", "base_url": "http://127.0.0.1:9/r4", "result_system": "urn:t:result"}
    return FhirDestination.model_validate({**given, **more})


def test_a_password_is_sent_as_rfc_7617_has_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The two examples of RFC 7617: section 2 (Aladdin), and section 2.1 (a pound sign in UTF-8)."""
    monkeypatch.setenv("PADPOST_TEST_WORD", "open sesame")
    assert basic_header(Basic(user="Aladdin", password=Secret(env="PADPOST_TEST_WORD"))) == "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="
    monkeypatch.setenv("PADPOST_TEST_WORD", "123£")
    assert basic_header(Basic(user="test", password=Secret(env="PADPOST_TEST_WORD"))) == "Basic dGVzdDoxMjPCow=="


def test_a_value_is_read_once_and_anew_after_it_was_turned_away() -> None:
    """A late 401 of an old value does not throw a new one away."""
    values = iter(["a", "b", "c"])
    kept = Kept(lambda: next(values))

    async def talk() -> list[str]:
        first = [await kept.header(), await kept.header()]
        kept.drop("a")
        second = await kept.header()
        kept.drop("a")
        return [*first, second, await kept.header()]

    assert asyncio.run(talk()) == ["a", "a", "b", "b"]


def test_each_way_is_built_from_its_setting(monkeypatch: pytest.MonkeyPatch, tmp_path: object) -> None:
    """One way or none; a password that is not set is an error with its remedy."""
    poster = Poster(answer_s=1, longest_reply=1)

    def built(**more: object) -> object:
        return sign_in_of(fhir(**more), poster, now=lambda: pytest.fail("not asked"), name=str)

    assert built() is None
    assert isinstance(built(oauth=OAuth.model_validate({"client_id": "c", "keys": str(tmp_path)})), BackendToken)
    bearer, basic = built(bearer={"env": "PADPOST_T"}), built(basic={"user": "u", "password": {"env": "PADPOST_T"}})
    assert isinstance(bearer, Kept)
    assert isinstance(basic, Kept)
    with pytest.raises(SettingsError, match="The secret PADPOST_T is not set"):
        asyncio.run(basic.header())
    monkeypatch.setenv("PADPOST_T", "word")
    assert asyncio.run(bearer.header()) == "Bearer word"
    assert asyncio.run(basic.header()) == "Basic dTp3b3Jk"


def test_the_scope_is_the_least_that_is_enough() -> None:
    """SMART App Launch 2.2: c, u, s in that order; what is not sent is not asked for."""
    assert scope_for(fhir(equipment=False)) == "system/DiagnosticReport.cus system/Observation.cus system/Specimen.cus"
    hook = HookDestination.model_validate(
        {"kind": "hook", "name": "h", "url": "https://hook.example/", "signing": Signing.model_validate({"keys": "k"})}
    )
    assert scope_for(hook) == "system/*.c"


def test_no_name_is_given_twice() -> None:
    """RFC 7523 3, point 7: an assertion's jti."""
    assert len({new_name() for _ in range(100)}) == 100
