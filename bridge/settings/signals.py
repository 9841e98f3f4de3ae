"""What is signalled, how soon, and how patient signals are."""

from __future__ import annotations

from datetime import time
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from bridge.settings.security import (
    Signing,
    Tls,
    has_a_port_that_can_be,
    has_no_fragment,
    holds_nobody,
    is_https,
    is_loopback,
    keeps_secrets,
)
from bridge.settings.shapes import Name, Secret, Shape

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Opening(Shape):
    """When the laboratory reads strips: from one time to another on these days, by the site's clock. An end that is not later is the next day's."""

    days: tuple[Day, ...] = Field(default=DAYS, min_length=1)
    start: time
    end: time


class Quiet(Shape):
    """Hours in which a way is spared, every day, by the site's clock; over midnight where the end is not later. Urgent kinds go all the same."""

    start: time
    end: time


Kinds = Literal[
    "telling", "stat", "store", "receiver", "waiting", "controls", "rejected", "history", "silent", "room", "certificate", "loop",
    "emergency", "envelope",
]  # fmt: skip
Address = Annotated[str, Field(pattern=r"^[^@\s,<>\"]+@[^@\s,<>\"]+$", max_length=254)]  # RFC 5321 4.5.3.1.3, less two brackets
PORTS = {"starttls": 587, "tls": 465, "none": 25}  # RFC 6409 3.1; RFC 8314 7.3; RFC 5321 4.5.4.2


class WayShape(Shape):
    """What ways by which signals are told have in common. ``kinds``: only these; left out: all."""

    name: Name
    kinds: tuple[Kinds, ...] = ()
    quiet: Quiet | None = None


class MailWay(WayShape):
    """Mail by SMTP, from ``sender`` to ``to``. ``security``: `starttls`, `tls` from the first byte, or `none`, to this machine itself only.

    ``port``: 587, 465 or 25 by ``security`` if not given. The server's certificate and name are checked, always.
    """

    kind: Literal["mail"]
    host: str = Field(min_length=1, max_length=253)
    port: int | None = Field(default=None, ge=1, le=65535)
    security: Literal["starttls", "tls", "none"] = "starttls"
    sender: Address
    to: tuple[Address, ...] = Field(min_length=1, max_length=50)
    user: str = ""
    password: Secret | None = None
    tls: Tls | None = None

    @property
    def port_used(self) -> int:
        """Give the port that is called."""
        return self.port if self.port is not None else PORTS[self.security]

    @model_validator(mode="after")
    def _secrets_are_kept(self) -> MailWay:
        if bool(self.user) != (self.password is not None):
            raise ValueError("user and password go together: set both, or none")
        if self.security == "none" and not is_loopback(self.host):
            raise ValueError("security: none is for a mail server on this machine only; use starttls or tls")
        if self.security == "none" and (self.user or self.tls):
            raise ValueError("security: none takes no user and no tls: nothing would keep the password")
        if self.tls is not None and self.tls.server_name:
            raise ValueError("tls.server_name does not go with mail: name the host as its certificate does")
        return self


class NoticeWay(WayShape):
    """A signed web hook: one POST of JSON for each thing that is told, signed by ``signing``."""

    kind: Literal["hook"]
    url: str = Field(pattern=r"^https?://\S+$")
    signing: Signing
    tls: Tls | None = None

    _holds_nobody = field_validator("url")(holds_nobody)
    _is_sent_whole = field_validator("url")(has_no_fragment)
    _has_a_port = field_validator("url")(has_a_port_that_can_be)

    @model_validator(mode="after")
    def _is_kept(self) -> NoticeWay:
        if not keeps_secrets(self.url):
            raise ValueError("url is plain http: anybody on the way could read or drop it unseen; use https")
        if self.tls and not is_https(self.url):
            raise ValueError("tls needs an address that begins with https:")
        return self


Way = Annotated[MailWay | NoticeWay, Field(discriminator="kind")]


class Digest(Shape):
    """What is open, told once at each of these ``times`` of a day by the site's clock, mostly the ends of shifts; quiet hours do not hold it back.

    ``ways``: the names of those that carry it; left out: all.
    """

    times: tuple[time, ...] = Field(min_length=1, max_length=8)
    ways: tuple[Name, ...] = ()

    @field_validator("times")
    @classmethod
    def _times_are_plain(cls, times: tuple[time, ...]) -> tuple[time, ...]:
        if len(set(times)) < len(times):
            raise ValueError("a time stands twice; name each once")
        if any(each.tzinfo for each in times):
            raise ValueError("a time is by the site's clock and has no zone of its own; write it as '07:30'")
        return tuple(sorted(times))


class Signals(Shape):
    """What becomes a signal, after how many minutes.

    ``receiver_minutes``: a receiver takes nothing. ``waiting_minutes``: the oldest message of a receiver waits. ``stat_minutes``: a STAT strip
    has not gone. ``rejected_minutes``: a rejected message waits for a person. ``controls_minutes``: patients' strips wait for controls.
    ``silent_minutes``: an analyzer that was ever heard sends nothing while ``opening`` says that the laboratory is open; without ``opening``
    none is held to be silent.

    ``settle_s``: a cause must stand as long before it is told; ``ease_minutes``: be gone as long before its signal ends. An open signal is said
    again every ``repeat_minutes`` (0: never); an acknowledgement holds for ``acknowledged_hours``, after which what still stands is open again.

    ``ways``: by whom people are told who do not look at a page; none is needed. ``digest``: what is open, told once a shift by these ways.
    """

    opening: tuple[Opening, ...] = ()
    receiver_minutes: int = Field(default=5, ge=1, le=1_440)
    waiting_minutes: int = Field(default=60, ge=1, le=10_080)
    stat_minutes: int = Field(default=10, ge=1, le=1_440)
    rejected_minutes: int = Field(default=240, ge=1, le=10_080)
    controls_minutes: int = Field(default=30, ge=1, le=1_440)
    silent_minutes: int = Field(default=120, ge=5, le=1_440)
    settle_s: int = Field(default=60, ge=0, le=3_600)
    ease_minutes: int = Field(default=5, ge=0, le=120)
    repeat_minutes: int = Field(default=60, ge=0, le=1_440)
    acknowledged_hours: int = Field(default=4, ge=1, le=24)
    ways: tuple[Way, ...] = ()
    digest: Digest | None = None

    @field_validator("ways")
    @classmethod
    def _names_are_unique(cls, ways: tuple[Way, ...]) -> tuple[Way, ...]:
        names = [way.name for way in ways]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"two ways are called {twice[0]!r}; a way's name must be its own")
        return ways

    @model_validator(mode="after")
    def _digest_has_ways(self) -> Signals:
        if self.digest is not None:
            known = {way.name for way in self.ways}
            if not known:
                raise ValueError("digest has no way to go: name one under ways")
            if unknown := sorted(set(self.digest.ways) - known):
                raise ValueError(f"digest names the way {unknown[0]!r}, which is not under ways")
        return self

    @model_validator(mode="after")
    def _repeats_not_at_once(self) -> Signals:
        if 0 < self.repeat_minutes < 5:
            raise ValueError("repeat_minutes below 5 teaches people to look away; write 5 or more, or 0 for never")
        return self
