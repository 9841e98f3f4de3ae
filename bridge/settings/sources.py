"""The shapes of the ways in: folder, serial line, TCP, MLLP, HTTP, and the form for strips read by eye."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from bridge.settings.security import Tls
from bridge.settings.shapes import Name, Network, Secret, Shape


class Additions(Shape):
    """What a technician adds to the patients' strips of an analyzer that does not send it, and how long a strip waits for that.

    ``ask``: colour, clarity, the type of the specimen. A strip waits ``wait_minutes`` from when it could go, an urgent one ``stat_minutes``.
    ``then``: what still lacks something after that goes without (`send`), or is held for a person (`hold`).
    """

    ask: tuple[Literal["colour", "clarity", "specimen_type"], ...] = Field(min_length=1)
    wait_minutes: int = Field(default=10, ge=1, le=240)
    stat_minutes: int = Field(default=0, ge=0, le=60)
    then: Literal["send", "hold"] = "send"


class SourceShape(Shape):
    """What every source has: a name, the analyzer behind it and the profile that reads it.

    ``processing_id`` is what its messages must say of themselves, where they say it (MSH-11; P is live, T a test, D debugging): a test
    goes to no live record. ``additions``: what a technician adds to its patients' strips; all sources of one analyzer say the same.
    """

    name: Name
    analyzer: Name
    profile: Name
    processing_id: Literal["P", "T", "D"] = "P"
    longest_capture_bytes: int = Field(default=4_000_000, ge=1_000)
    additions: Additions | None = None


class FolderSource(SourceShape):
    """A folder that an analyzer, or its computer, drops files into.

    ``complete``: ``stable`` takes a file whose size and time did not change for ``stable_s`` seconds;
    ``ready`` takes NAME once NAME.ready stands beside it; ``rename`` takes every file that does not end in one of ``unfinished``.
    """

    kind: Literal["folder"]
    path: Path
    complete: Literal["stable", "ready", "rename"] = "stable"
    stable_s: float = Field(default=2.0, ge=0.05, le=3_600)
    sweep_s: float = Field(default=1.0, ge=0.05, le=3_600)
    unfinished: tuple[str, ...] = (".part", ".tmp", ".filepart")


class LinkTimes(Shape):
    """Time-outs of the LIS01-A2 link layer, seconds. The defaults are the standard's, but for ``settle_s``.

    ``settle_s`` (ours): an ENQ or EOT in the middle of a frame is a new start only if this long a silence follows.
    """

    answer_s: float = Field(default=15.0, gt=0)
    frame_s: float = Field(default=30.0, gt=0)
    busy_s: float = Field(default=10.0, gt=0)
    contention_s: float = Field(default=20.0, gt=0)
    settle_s: float = Field(default=1.0, gt=0)


class Cut(Shape):
    """How a plain stream is cut into captures: by form feed, STX/ETX, line end, or a silent gap."""

    by: Literal["form_feed", "stx_etx", "line", "gap"]
    gap_s: float = Field(default=2.0, gt=0, le=600)


class LineSource(SourceShape):
    """What serial lines and TCP connections share. ``link`` lis01, or a plain ``stream`` cut by ``cut``.

    ``message_ends``: ``terminator`` commits at the frame that ends with an L record, ``frame`` at each ETX frame.
    """

    link: Literal["lis01", "stream"]
    times: LinkTimes = LinkTimes()
    message_ends: Literal["terminator", "frame"] = "terminator"
    cut: Cut | None = None

    @model_validator(mode="after")
    def _stream_has_cut(self) -> LineSource:
        if (self.link == "stream") != (self.cut is not None):
            raise ValueError("link: stream needs cut: {by: ...}, and link: lis01 takes none")
        return self


class SerialSource(LineSource):
    """A serial line: a device path or a pyserial URL (socket://, rfc2217://).

    ``on_host``: where several machines share one configuration, the name of the one that has the wire; the others leave it alone.
    """

    kind: Literal["serial"]
    port: str
    on_host: str = ""
    baud: int = 9600
    bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    software_flow: bool = False
    hardware_flow: bool = False
    reopen_s: float = Field(default=2.0, gt=0, le=600)


class TcpSource(LineSource):
    """A TCP connection: we listen for the analyzer, or call it.

    ``peers``: who may connect, addresses or networks; empty for everybody. Where all ``most_connections`` places are taken, one that said
    nothing for a minute gives way to a new connection; with 1 (one analyzer, one wire) a new connection of the same peer takes the place of
    the one before. A connection that has not said anything within ``first_byte_s`` is ended; left out, never, since an analyzer that only
    prints would not notice.
    """

    kind: Literal["tcp"]
    role: Literal["listen", "call"]
    host: str = "127.0.0.1"
    port: int = Field(ge=0, le=65535)
    reopen_s: float = Field(default=2.0, gt=0, le=600)
    most_connections: int = Field(default=8, ge=1, le=256)
    peers: tuple[Network, ...] = ()
    first_byte_s: float | None = Field(default=None, gt=0, le=86_400)

    @model_validator(mode="after")
    def _peers_come_to_us(self) -> TcpSource:
        if self.role == "call" and self.peers:
            raise ValueError("peers is for role: listen; with role: call Padpost itself chooses whom it calls, by host")
        return self


class MllpSource(SourceShape):
    """An MLLP port on which instruments that speak HL7 v2 send their results; the profile's layout is hl7.

    A message whose MSH-11 is not ``processing_id`` is refused (but see ``checks.test_messages``). A message that has begun must end within
    ``message_s``, else what came of it is kept, torn; a connection that says nothing for ``idle_s``, or for ``first_byte_s`` before its
    first byte, is ended. ``peers`` are the addresses or networks that may connect; empty for everybody. Where all ``most_connections`` places
    are taken, one that said nothing for a minute gives way to a new connection; with 1 a new one of the same peer takes its place. ``judged_s`` is how long judging may take where the profile
    answers judged. ``longest_capture_bytes`` is the longest message. With ``tls`` (its certificate and key) the line is encrypted; with
    ``tls.ca`` too only instruments that prove who they are are let in.
    """

    kind: Literal["mllp"]
    host: str = "127.0.0.1"
    port: int = Field(ge=0, le=65535)
    most_connections: int = Field(default=8, ge=1, le=256)
    peers: tuple[Network, ...] = ()
    first_byte_s: float | None = Field(default=600.0, gt=0, le=86_400)
    message_s: float = Field(default=30.0, gt=0, le=600)
    idle_s: float = Field(default=3_600.0, gt=0, le=86_400)
    judged_s: float = Field(default=20.0, gt=0, le=600)
    reopen_s: float = Field(default=2.0, gt=0, le=600)
    tls: Tls | None = None


class HttpSource(SourceShape):
    """Captures and JSON readings that are posted to the pages' port, under /api/captures and /api/readings, with a key.

    ``key`` names the secret that goes with each post as `Authorization: Bearer KEY`, at least 24 characters, its own for each source.
    ``idempotency``: whether each post must carry an Idempotency-Key. ``content_types`` are what a capture may be sent as; a reading is
    always application/json. More than ``per_minute`` posts a minute are put off. A body must be there within ``body_s``.
    ``peers`` are the addresses or networks that may post; empty for everybody.
    """

    kind: Literal["http"]
    key: Secret
    idempotency: Literal["required", "optional"] = "required"
    content_types: tuple[str, ...] = Field(default=("application/octet-stream", "text/plain"), min_length=1)
    per_minute: int = Field(default=600, ge=1, le=100_000)
    body_s: float = Field(default=30.0, gt=0, le=600)
    peers: tuple[Network, ...] = ()

    @field_validator("content_types")
    @classmethod
    def _types_have_no_case(cls, types: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(each.lower() for each in types)  # RFC 9110 8.3.1


class ByEyeSource(SourceShape):
    """Where strips are read by eye and entered on the page Enter a strip; ``analyzer`` names that place, and is no other source's.

    The ``profile`` says which strip types there are and in which texts their steps are kept; its ``reading`` is visual and its numbers are plain
    ones that begin anew each day, since Padpost counts the entries itself. ``second_person``: whether another person compares each patient's
    strip before it goes. ``controls``: whether patients' strips wait here for controls as analyzers' do, where the site's policy has them wait.
    """

    kind: Literal["by_eye"]
    second_person: bool = True
    controls: bool = False


Source = Annotated[FolderSource | SerialSource | TcpSource | MllpSource | HttpSource | ByEyeSource, Field(discriminator="kind")]
