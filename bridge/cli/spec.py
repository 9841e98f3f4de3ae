"""``padpost spec``: the interface specification of one destination, from the live configuration. Nothing is sent."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from itertools import chain
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

from bridge import __version__, clock, settings
from bridge.app import answer_faults, grade_faults, profile_faults, tables_for, terms_of
from bridge.deliver.terms import site_answers_of
from bridge.errors import PadpostError, SetupError
from bridge.lifecycle.answers import NO_SITE_ANSWERS
from bridge.sign_off import read_signatures
from bridge.specification import Agreement, Door, Fact, SourceFacts, Specification, Subject, specify
from bridge.specification.html import as_html
from bridge.specification.json import as_json
from bridge.specification.markdown import as_markdown
from bridge.tables.signatures import Signature, newest_signature
from bridge.tables.types import Tables

FORMS: Mapping[str, Callable[[Specification], str]] = {"html": as_html, "markdown": as_markdown, "json": as_json}


def spec(config_path: Path, name: str, form: str, out: Path | None) -> int:
    """Write the specification to ``out``, or to standard output; give 0.

    Raises SettingsError or TableError for what must be mended in a file, SetupError for a name or form that is not there,
    PadpostError if ``out`` cannot be written.
    """
    if form not in FORMS:
        raise SetupError(f"There is no form called {form!r}.", remedy=f"Use {', '.join(FORMS)}.")
    config = settings.read_settings(config_path)
    destination = next((each for each in config.destinations if each.name == name), None)
    if destination is None:
        names = ", ".join(each.name for each in config.destinations)
        raise SetupError(f"No destination is called {name!r}.", remedy=f"There are {names}." if names else "Add one.")
    tables = tables_for(config)
    for error in chain(profile_faults(config, tables), grade_faults(config, tables), answer_faults(config)):
        raise settings.placed(error, config_path)
    signature = newest_signature(read_signatures(config.signed_off), tables.digest)
    document = specify(subject_of(config, destination, tables, signature=signature))
    _write(FORMS[form](document), out)
    for block in document.blocks:
        if block.lacking:
            print(f"warning: block {block.letter} {block.title}: not set: {', '.join(block.lacking)}", file=sys.stderr)
    return 0


def _write(text: str, out: Path | None) -> None:
    data = text.encode("utf-8", "backslashreplace")
    if out is None:
        sys.stdout.buffer.write(data)
        sys.stdout.flush()
        return
    try:
        out.write_bytes(data)
    except OSError as error:
        raise PadpostError(f"{out} cannot be written: {error.strerror}. Name a file in a folder that is there.") from error


def subject_of(
    config: settings.Settings, destination: settings.DestinationShape, tables: Tables, *, signature: Signature | None = None
) -> Subject:
    """Give what the specification of ``destination`` says, without any secret; ``signature`` is that of ``tables``."""
    door, link, encrypted = _door(destination)
    retry = destination.retry
    return Subject(
        site=config.site.name,
        version=__version__,
        made_at=clock.now().astimezone(config.site.zone),
        door=door,
        terms=terms_of(config, destination),
        tables=tables,
        sources=tuple(
            SourceFacts(name=source.name, analyzer=source.analyzer, profile=source.profile, link=_source(source))
            for source in config.sources
        ),
        link=link,
        pace=(
            *_waits(destination),
            Fact(name="first wait before another try", says=_seconds(retry.first_s)),
            Fact(name="longest wait", says=f"{_seconds(retry.longest_s)}; waits double up to it"),
            Fact(name="given up", says=f"after {retry.give_up_h:g} h of tries, then a person looks"),
        ),
        encrypted=encrypted,
        agreement=Agreement(**destination.agreement.model_dump()),
        signature=signature,
        site_answers=site_answers_of(destination)
        if isinstance(destination, settings.MllpDestination | settings.FhirDestination)
        else NO_SITE_ANSWERS,
    )


def _door(destination: settings.DestinationShape) -> tuple[Door, tuple[Fact, ...], bool]:
    link: tuple[Fact, ...]
    match destination:
        case settings.MllpDestination():
            link = (
                Fact(name="transport", says="MLLP over TCP; Padpost calls, and keeps the connection"),
                Fact(name="address", says=f"{destination.host}:{destination.port}"),
                Fact(name="TLS, client certificate", says="not used: Padpost has none for MLLP"),
                Fact(name="in flight", says="one message a connection"),
                *_answers_on(destination),
            )
            return Door.MLLP, link, False
        case settings.FhirDestination():
            encrypted = destination.base_url.lower().startswith("https:")
            link = (
                Fact(name="transport", says="HTTP POST of one transaction Bundle to the base address"),
                Fact(name="address", says=without_secrets(destination.base_url)),
                Fact(
                    name="TLS", says="yes, the server's certificate is checked" if encrypted else "no: the address is plain http"
                ),
                Fact(name="sign-in", says="bearer token" if destination.bearer else "none"),
                Fact(name="redirects", says="never followed"),
            )
            return Door.FHIR, link, encrypted
        case settings.FolderDestination():
            link = (
                Fact(name="transport", says="a folder that gets one file a message, under its own name once it is whole"),
                Fact(name="address", says=str(destination.path)),
            )
            return Door.FOLDER, link, False
    raise TypeError(f"no specification for a {type(destination).__name__}")


def _answers_on(destination: settings.MllpDestination) -> tuple[Fact, ...]:
    on = destination.answers_on
    says = f"{on.host}:{on.port}, MLLP over TCP without TLS" if on else ""
    return (Fact(name="answers on a connection of the receiver's own", says=says),) if on else ()


def _waits(destination: settings.DestinationShape) -> tuple[Fact, ...]:
    match destination:
        case settings.MllpDestination():
            waits = (
                Fact(name="time to connect", says=_seconds(destination.connect_s)),
                Fact(name="time to answer", says=_seconds(destination.answer_s)),
            )
            if destination.acknowledgement == "original":
                return waits
            return (*waits, Fact(name="time to the application's answer", says=_seconds(destination.application_s)))
        case settings.FhirDestination():
            return (Fact(name="time to answer", says=_seconds(destination.answer_s)),)
        case _:
            return ()


def _source(source: settings.SourceShape) -> tuple[Fact, ...]:
    match source:
        case settings.FolderSource():
            waits = {
                "stable": f"once size and time did not change for {_seconds(source.stable_s)}",
                "ready": "once a file of the same name and .ready stands beside it",
                "rename": f"unless its name ends in one of {', '.join(source.unfinished)}",
            }
            return (
                Fact(name="kind", says="folder of files"),
                Fact(name="folder", says=str(source.path)),
                Fact(name="a file is taken", says=waits[source.complete]),
            )
        case settings.SerialSource():
            flow = [name for name, is_on in (("software", source.software_flow), ("hardware", source.hardware_flow)) if is_on]
            return (
                Fact(name="kind", says="serial line"),
                Fact(name="port", says=without_secrets(source.port)),
                Fact(
                    name="speed",
                    says=f"{source.baud} baud, {source.bits} data bits, parity {source.parity}, {source.stop_bits} stop bits",
                ),
                Fact(name="flow control", says=" and ".join(flow) or "none"),
                *_line(source),
            )
        case settings.TcpSource():
            role = "Padpost listens" if source.role == "listen" else "Padpost calls"
            return (
                Fact(name="kind", says="TCP"),
                Fact(name="address", says=f"{role}, {source.host}:{source.port}"),
                *_line(source),
            )
    raise TypeError(f"no words for a {type(source).__name__}")


def _line(source: settings.LineSource) -> tuple[Fact, ...]:
    if source.cut is None:
        ends = "the frame with the L record" if source.message_ends == "terminator" else "each ETX frame"
        return (
            Fact(name="link layer", says="LIS01-A2: each frame is acknowledged, the last one only after the disk has it"),
            Fact(name="a message ends with", says=ends),
        )
    return (Fact(name="link layer", says=f"plain stream, cut by {source.cut.by.replace('_', ' ')}; nothing is acknowledged"),)


def without_secrets(address: str) -> str:
    """Give an address without user, password, query and fragment, where people put secrets."""
    parts = urlsplit(address)
    if not parts.netloc:
        return address
    return urlunsplit((parts.scheme, parts.netloc.rpartition("@")[2], parts.path, "", ""))


def _seconds(seconds: float) -> str:
    return f"{seconds:g} s"
