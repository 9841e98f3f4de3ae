"""A form that was not taken because a password is missing or wrong is shown once more with all that was typed, so that nobody types it again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from starlette.requests import Request
from starlette.responses import Response

from bridge.pages.forms import OWN_PASSWORD, SECOND_FIELDS, SECOND_PASSWORD
from bridge.pages.language import Words

# What is shown of a form in words; whatever else is in it goes along unseen
WORDS = Words[str](
    {
        "first": "Patient ID",
        "second_identifier": "Specimen ID or number",
        "order_number": "Order number",
        "specimen_id": "Specimen number",
        "day": "Date",
        "clock": "Time",
        "comment": "Comment for the reader of the report",
        "account_name": "Account",
        "role": "Role",
        "key_name": "Program",
        "verdict": "Decision",
        "remark": "Remark",
        "second_person": "Second person",
        "colleague": "Second person",
        "agreed_by": "Second person",
        "reason": "Reason",
    }
)
_OURS = frozenset({"token", "name", OWN_PASSWORD, SECOND_PASSWORD})  # a new one is given, or typed again


@dataclass(frozen=True, kw_only=True, slots=True)
class TypedForm:
    """A form as it came: where it was sent to, its fields, and why it was not taken. ``asks_password``: its act is grave."""

    path: str
    pairs: tuple[tuple[str, str], ...]
    fault: str
    asks_password: bool = True

    @property
    def carried(self) -> tuple[tuple[str, str], ...]:
        """Give the fields that go along: neither a token nor a password."""
        return tuple((name, value) for name, value in self.pairs if name not in _OURS)

    @property
    def shown(self) -> tuple[tuple[str, str], ...]:
        """Give what is shown, by its words."""
        return tuple((WORDS[name], value) for name, value in self.carried if name in WORDS and value.strip())

    @property
    def second(self) -> str:
        """Give the second person's name, "" for none: they type their password again too."""
        return next((value for name, value in self.pairs if name in SECOND_FIELDS and value.strip()), "")


class AsksOnceMore(Protocol):
    """Shows a form once more."""

    def __call__(self, request: Request, typed: TypedForm, /) -> Response:
        """Give the page."""


class AsksWho(Protocol):
    """Shows the page on which the person of a locked session gives the password, with a sealed form that came meanwhile."""

    def __call__(self, request: Request, name: str, kept: str, /) -> Response:
        """Give the page."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Asks:
    """What the doorkeeper asks people by."""

    once_more: AsksOnceMore
    who: AsksWho
