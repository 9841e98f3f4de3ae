"""The whole site configuration, and how it is read."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import Field, model_validator

from bridge.errors import SettingsError
from bridge.settings.accounts import Accounts
from bridge.settings.database import Database
from bridge.settings.destinations import Destination, DestinationShape
from bridge.settings.document import Document
from bridge.settings.security import is_https
from bridge.settings.shapes import Shape, Zone
from bridge.settings.signals import Signals
from bridge.settings.sources import Source
from bridge.settings.telling import Telling
from bridge.settings.upkeep import Keep, Room

S = TypeVar("S", bound=Shape)
LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


class Site(Shape):
    """Who and where: the laboratory's name, its zone, and the data folder, which holds the store unless ``database`` names a server."""

    name: str = Field(min_length=1, max_length=60)
    zone: Zone
    data: Path = Path("data")


class Pages(Shape):
    """Where the pages listen. Other than loopback needs ``allow_other_hosts`` and the host names to accept.

    ``behind_tls``: browsers reach the pages over TLS alone, by a proxy in front of them; the cookie of a sign-in then goes over nothing else.
    ``language`` is what the pages speak to whoever has chosen none; where it is not set, what a browser asks for, else English.
    """

    host: str = "127.0.0.1"
    port: int = Field(default=8765, ge=0, le=65535)
    allow_other_hosts: bool = False
    host_names: tuple[str, ...] = ()
    behind_tls: bool = False
    language: Literal["", "en", "es", "fr"] = ""

    @model_validator(mode="after")
    def _loopback_unless_said(self) -> Pages:
        if self.host not in LOOPBACK and not (self.allow_other_hosts and self.host_names):
            raise ValueError(
                f"pages would listen on {self.host}, where other machines reach them; "
                "set allow_other_hosts: true and host_names: [...] if that is meant"
            )
        return self


class PatientIds(Shape):
    """What a patient ID must look like, and which texts are never one."""

    pattern: str
    check_digit: Literal["", "mod11", "luhn", "verhoeff"] = ""
    denied: tuple[str, ...] = ()
    denied_patterns: tuple[str, ...] = ()
    authority: str = Field(min_length=1, max_length=20)
    type: str = Field(default="MR", min_length=1, max_length=5)
    system: str = Field(pattern=r"^(urn:|https?://)\S+$")

    @model_validator(mode="after")
    def _patterns_compile(self) -> PatientIds:
        for text in (self.pattern, *self.denied_patterns):
            try:
                re.compile(text)
            except re.error as error:
                raise ValueError(f"{text!r} is not a regular expression: {error}") from error
        return self


class ClockChecks(Shape):
    """How far an analyzer's clock may be off, by the median of its last ``strips`` that were sent as they were read.

    Beyond ``note_minutes`` the page Analyzers says so. Beyond ``hold_minutes`` the time of a strip is in doubt: ``hold`` stops it for a
    person, who corrects the time or releases it; ``note`` lets it go with a note.
    """

    strips: int = Field(default=5, ge=3, le=50)
    note_minutes: int = Field(default=2, ge=1, le=1_440)
    hold_minutes: int = Field(default=15, ge=2, le=1_440)
    doubtful: Literal["hold", "note"] = "hold"


class DayLog(Shape):
    """What is to be noted of each analyzer on each day of use, and how warm the room may be, in whole degrees Celsius, both included.

    ``due``: ``cleaning``, ``reference`` (the white reference), ``temperature`` of the room, ``waste``, ``paper``, ``operator`` of the day.
    ``undone``: what becomes of a patient's strip of a day on which something due was not noted, or was found not in order: ``list`` only
    lists it on Today, ``note`` lets the strip go with a note, ``hold`` stops it for a person.
    """

    due: tuple[Literal["cleaning", "reference", "temperature", "waste", "paper", "operator"], ...] = (
        "cleaning",
        "reference",
        "temperature",
    )
    low_c: int = Field(default=15, ge=0, le=50)
    high_c: int = Field(default=30, ge=0, le=50)
    undone: Literal["list", "note", "hold"] = "list"

    @model_validator(mode="after")
    def _is_a_range(self) -> DayLog:
        if self.low_c >= self.high_c:
            raise ValueError(f"low_c {self.low_c} is not below high_c {self.high_c}: no room would be right")
        return self


class SpecimenLimit(Shape):
    """How old a specimen may be for one strip type, in minutes."""

    strip_type: str
    limit_minutes: int = Field(ge=1, le=10_080)


class SpecimenAge(Shape):
    """How old a specimen may be when its strip is read, where the analyzer's record says when it was collected.

    ``limit_minutes``: two hours at room temperature unless said otherwise, as hospitals' rules have it; ``strip_types`` may say otherwise for some. ``older``:
    ``hold`` stops the strip of an older specimen for a person, ``note`` lets it go with a note. Where nobody said when it was collected, a note says so.
    """

    limit_minutes: int = Field(default=120, ge=1, le=10_080)
    strip_types: tuple[SpecimenLimit, ...] = ()
    older: Literal["hold", "note"] = "hold"


class Checks(Shape):
    """Windows and limits of the checks.

    ``test_messages``: what becomes of a message that says that it is a test (MSH-11 T or D) from an analyzer that is live: ``stop``
    puts it on Rejected messages, ``training`` keeps it as a training strip, which goes to no patient's record.
    ``clock``: whether analyzers' clocks are judged by when live strips arrive; left out, they are not. ``operators``: what becomes of a strip whose
    operator number is not that of a known person in date, at an analyzer for which operators are entered.
    ``jump_limit``: where an analyzer's number jumps over more numbers than that, the pages ask whether it was set by hand.
    ``run_pause_minutes``: for analyzers that are given a list of patient IDs ahead. Strips of one analyzer that lie no further apart are one
    run; where a number goes missing inside it, or a strip ends in an error, the rest is held until a person has confirmed its first and last.
    0: nothing is held for that. ``day_log``: what is due in analyzers' day logs; left out, nothing is, and lines are kept all the same.
    ``power_on``: what becomes of a patient's strip when a person said that the analyzer was switched on and nobody has confirmed its strip type since.
    ``specimen``: whether it is asked how old specimens were; left out, it is not. ``run_again``: what becomes of a second strip with the patient
    ID and the specimen number of one whose result is reported, within ``rerun_window_minutes``: ``hold``, or ``nothing`` (a result of its own).
    """

    rerun_window_minutes: int = Field(default=120, ge=0, le=10_080)
    future_tolerance_minutes: int = Field(default=15, ge=0, le=1_440)
    oldest_days: int = Field(default=30, ge=1, le=3_650)
    test_messages: Literal["stop", "training"] = "stop"
    clock: ClockChecks | None = None
    operators: Literal["note", "hold"] = "note"
    jump_limit: int = Field(default=100, ge=1, le=1_000_000)
    run_pause_minutes: int = Field(default=0, ge=0, le=240)
    day_log: DayLog | None = None
    power_on: Literal["nothing", "note", "hold"] = "nothing"
    specimen: SpecimenAge | None = None
    run_again: Literal["hold", "nothing"] = "hold"


class Corrections(Shape):
    """What a correction of a result that was sent asks for.

    ``second_person``: whether somebody of another name looks at each correction and withdrawal too. ``acknowledged_minutes``: where no receiver has
    acknowledged a withdrawal within this time, the pages ask to telephone the units.
    """

    second_person: bool = True
    acknowledged_minutes: int = Field(default=30, ge=1, le=1_440)


class Settings(Shape):
    """The whole site configuration.

    ``signed_off``: the file where `padpost sign-off` keeps who signed which table set. A destination whose ``processing_id`` is
    `P` is live: it gets nothing before the tables in use are signed.
    """

    site: Site
    database: Database | None = None
    pages: Pages = Pages()
    accounts: Accounts = Accounts()
    patient_ids: PatientIds
    checks: Checks = Checks()
    telling: Telling = Telling()
    corrections: Corrections = Corrections()
    keep: Keep = Keep()
    room: Room = Room()
    signals: Signals = Signals()
    sources: tuple[Source, ...] = ()
    destinations: tuple[Destination, ...] = ()
    mappings: Path | None = None
    signed_off: Path = Path("signed_off.yaml")
    log: Literal["console", "json"] = "console"

    @model_validator(mode="after")
    def _names_are_unique(self) -> Settings:
        for kind, names in (("source", [s.name for s in self.sources]), ("destination", [d.name for d in self.destinations])):
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                raise ValueError(f"two {kind}s are called {twice[0]!r}; a {kind}'s name must be its own")
        return self

    @model_validator(mode="after")
    def _directory_fits_the_pages(self) -> Settings:
        if self.accounts.oidc is not None and is_https(self.accounts.oidc.address) and not self.pages.behind_tls:
            raise ValueError("accounts.oidc.address is https, and pages.behind_tls is not set: set pages.behind_tls: true")
        return self

    @model_validator(mode="after")
    def _nobody_else_without_accounts(self) -> Settings:
        if self.accounts.sign_in == "none" and self.pages.host not in LOOPBACK:
            raise ValueError(
                f"pages listen on {self.pages.host}, where other machines reach them, and accounts.sign_in is none; "
                "set sign_in: local, or let the pages listen on 127.0.0.1"
            )
        return self


def placed(error: SettingsError, path: Path) -> SettingsError:
    """Give ``error``, found in the settings that ``path`` holds after they were read, with file and line."""
    return Document(path).placed(error) if error.spot is None else error


def _us_shape_lacks(destination: DestinationShape) -> tuple[str, str] | None:
    """Give the first key that a destination after the US laboratory results guide cannot do without, and what it is for.

    The fields are those that the guide's table calls R (tests/render/data/us_lri_base_fields.csv).
    """
    lab = destination.laboratory
    needs = (
        ("sending_facility", destination.sending_facility, "who sends, MSH-4"),
        (
            "message_profile",
            destination.message_profile,
            "the profile that both sides agreed on, MSH-21; Padpost claims none by itself",
        ),
        ("provider", destination.provider, "who ordered, ORC-12 and OBR-16; no analyzer tells it"),
        ("laboratory", lab, "who answers for the results, OBX-23 and OBX-24"),
        ("laboratory.city", lab and (lab.street or lab.city or lab.postal_code), "the laboratory's address, OBX-24"),
        ("observed_at", destination.observed_at == "analysis", "analysis, since OBR-7 may not be empty"),
    )
    return next(((key, use) for key, given, use in needs if not given), None)


def _check_us_shape(settings: Settings, document: Document) -> None:
    for number, destination in enumerate(settings.destinations):
        lacks = _us_shape_lacks(destination) if destination.format == "oru_r01_us" else None
        if lacks:
            key, use = lacks
            raise document.placed(
                SettingsError(
                    f"The format oru_r01_us of {destination.name} needs {key}: {use}.",
                    remedy=f"Set {key}, or choose the format oru_r01.",
                    path=("destinations", number, *key.split(".")),
                )
            )


def read_settings(path: Path) -> Settings:
    """Read a site configuration. Relative paths in it start at its own folder.

    Raises SettingsError with file, line, key and remedy.
    """
    document = Document(path)
    settings = document.shaped(Settings)
    _check_us_shape(settings, document)
    return _anchored(path, settings)


def _anchored(config: Path, shape: S) -> S:
    """Give ``shape`` with every path in it, however deep, taken from the folder of ``config``."""
    return shape.model_copy(update={name: _anchored_value(config, getattr(shape, name)) for name in type(shape).model_fields})


def _anchored_value(config: Path, value: Any) -> Any:
    match value:
        case Path():
            return value if value.is_absolute() else (config.parent / value).resolve()
        case Shape():
            return _anchored(config, value)
        case tuple():
            return tuple(_anchored_value(config, each) for each in value)
        case _:
            return value


def shipped_mappings() -> Path:
    """Give the folder of the mapping files that come with Padpost: inside the wheel, or the checkout's."""
    inside = Path(__file__).parents[1] / "mappings"
    return inside if inside.is_dir() else Path(__file__).parents[2] / "mappings"
