"""What judging may know of an analyzer's life: small frozen facts, fetched by the service beside those of ``model``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal


@dataclass(frozen=True, kw_only=True, slots=True)
class DayLogFacts:
    """What the day log says of the day on which a strip was read, in the words of its lines.

    ``missing``: what was due and has no line. ``wrong``: what was not in order when the strip was read. ``room_c``: the last room
    temperature that was measured in the 24 hours before the strip, in degrees Celsius; None where none was.
    """

    missing: tuple[str, ...] = ()
    wrong: tuple[str, ...] = ()
    room_c: Decimal | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class LifeFacts:
    """How a strip's analyzer stood when the strip was read.

    ``out_reason`` is set where it was out of service (never empty then). ``self_test_failed``: its last self-test did. ``confirmed`` is the
    strip type that a person confirmed since it was switched on, "" for none yet; None: nobody said that it was switched on.
    ``serial`` is that of the device that stands there, "" where nobody said; ``elsewhere`` the analyzer whose device the printed one is, or "".
    ``run`` is what it was declared to run then (the value of a ``model.Purpose``), until ``run_until``; "" for patients.
    """

    out_reason: str = ""
    self_test_failed: bool = False
    confirmed: str | None = None
    serial: str = ""
    elsewhere: str = ""
    run: str = ""
    run_until: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class RegisteredAs:
    """What an identifier of a strip, ``text``, is registered as: a purpose (the value of a ``model.Purpose``) and a scheme.

    ``is_pattern``: it meets a pattern, and is not named itself. ``is_specimen``: it stands in the specimen's place. ``is_signed``: a second
    person has signed the registration.
    """

    purpose: str
    scheme: str
    text: str
    is_pattern: bool
    is_specimen: bool
    is_signed: bool
