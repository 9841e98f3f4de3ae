"""What the forms of all pages share."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pydantic
import pytest

from bridge.accounts.people import Role, Session
from bridge.desk.access import Caller
from bridge.model import Actor
from bridge.pages import forms
from bridge.pages.forms import (
    LONGEST_FIELD,
    SECOND_FIELDS,
    Field,
    called_by,
    caller,
    second_name,
    typed_actor,
    your_name,
    your_password,
)
from tests.pages.stocked import NOW


def test_who_acts_is_who_the_form_says_and_nobody_has_checked_it() -> None:
    """Blanks around a name are no part of it; one of blanks alone is no name, which each desk refuses."""
    assert typed_actor(" Ana Reyes ") == Actor(name="Ana Reyes", verified="unverified")
    assert typed_actor("  ").name == ""


def test_a_field_that_is_longer_than_any_name_or_reason_is_refused() -> None:
    """Before anything is made of it."""
    field = pydantic.TypeAdapter[str](Field)
    assert field.validate_python("x" * LONGEST_FIELD) == "x" * LONGEST_FIELD
    with pytest.raises(pydantic.ValidationError):
        field.validate_python("x" * (LONGEST_FIELD + 1))


def test_whoever_is_signed_in_acts_whatever_a_form_says() -> None:
    """Until the request is answered; then nobody is."""
    ana = Caller(actor=Actor(name="Ana Lima", verified="password"), role=Role.TECHNICIAN)
    with called_by(ana):
        assert typed_actor("Somebody Else") == Actor(name="Ana Lima", verified="password")
        assert caller() == ana
    assert caller() is None
    assert typed_actor("Somebody Else").verified == "unverified"


def test_fields_for_names_are_as_the_site_asks() -> None:
    """Typed names are escaped; with accounts one's own is no field, and a second person's has a password beside it."""
    assert str(your_name('"><b>')) == (
        '<label>Your name <input name="name" required autocomplete="name" maxlength="100" value="&#34;&gt;&lt;b&gt;"></label>'
    )
    assert "password" not in second_name("colleague", "Second")
    with called_by(Caller(actor=Actor(name="<Ana>", verified="password"), role=Role.TECHNICIAN)):
        assert str(your_name()) == '<span class="soft">In the name of <b>&lt;Ana&gt;</b>.</span>'
        assert 'name="second_password" type="password"' in second_name("colleague", "Second")


def test_ones_own_password_is_asked_of_a_person_who_did_not_give_it_lately() -> None:
    """A program has none, and a site without accounts knows none (HZ-J04)."""
    ana = Caller(
        actor=Actor(name="Ana", verified="password"),
        role=Role.TECHNICIAN,
        session=Session(digest="d", account_id=1, opened_at=NOW, seen_at=NOW),
    )
    assert your_password() == ""
    with called_by(ana):
        assert str(your_password("<Yours>")) == (
            '<label>&lt;Yours&gt; <input name="own_password" type="password" required autocomplete="current-password" maxlength="256"></label> '
        )
        assert "required" not in your_password(required=False)
    for other in (replace(ana, is_sure=True), replace(ana, session=None)):
        with called_by(other):
            assert your_password() == ""


def test_every_page_asks_for_names_in_these_ways_alone() -> None:
    """A field of its own would be believed, or asked for in vain: no template has one."""
    for path in sorted((Path(forms.__file__).parent / "templates").glob("*.html")):
        html = path.read_text(encoding="utf-8")
        asked = [field for field in ("name", *SECOND_FIELDS) if f'name="{field}"' in html]
        assert not asked or path.name in {"sign_in.html", "first_sign_in.html"}, (path.name, asked)
