"""``padpost spec``: the interface specification of one destination, from the live configuration. Nothing is sent."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from itertools import chain
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

from bridge import __version__, clock, settings
from bridge.deliver.sign_in import scope_for
from bridge.deliver.terms import site_answers_of
from bridge.errors import PadpostError, SetupError
from bridge.lifecycle.answers import NO_SITE_ANSWERS
from bridge.receive.fit import source_faults
from bridge.settings.security import is_https
from bridge.sign_off import read_signatures
from bridge.site import answer_faults, grade_faults, live_ones, tables_for, terms_of
from bridge.specification import Agreement, Door, Fact, SourceFacts, Specification, Subject, specify
from bridge.specification.html import as_html
from bridge.specification.json import as_json
from bridge.specification.markdown import as_markdown
from bridge.tables.signatures import Signature, newest_signature
from bridge.tables.types import Tables

SIGNATURE = (
    "HTTP Message Signatures (RFC 9421), label padpost, ecdsa-p256-sha256 or hmac-sha256, over @method, @target-uri, content-type, "
    "content-digest (RFC 9530, sha-256) and idempotency-key, with created, keyid and alg"
)
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
    unfit = source_faults(config.sources, tables.profiles, live=live_ones(config))
    for error in chain(unfit, grade_faults(config, tables), answer_faults(config)):
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
        sign_in=_sign_in(destination),
        agreement=Agreement(**destination.agreement.model_dump()),
        signature=signature,
        site_answers=site_answers_of(destination)
        if isinstance(destination, settings.MllpDestination | settings.FhirDestination | settings.HookDestination)
        else NO_SITE_ANSWERS,
    )


def _door(destination: settings.DestinationShape) -> tuple[Door, tuple[Fact, ...], bool]:
    link: tuple[Fact, ...]
    match destination:
        case settings.MllpDestination():
            link = (
                Fact(name="transport", says="MLLP over TCP; Padpost calls, and keeps the connection"),
                Fact(name="address", says=f"{destination.host}:{destination.port}"),
                *_tls(destination.tls),
                Fact(name="in flight", says="one message a connection"),
                *_answers_on(destination),
            )
            return Door.MLLP, link, destination.tls is not None
        case settings.FhirDestination():
            link = (
                Fact(name="transport", says="HTTP POST of one transaction Bundle to the base address"),
                *_http(destination),
                Fact(name="capability statement", says="asked for at /metadata, without a sign-in, at the start and once a day"),
            )
            return Door.FHIR, link, is_https(destination.base_url)
        case settings.HookDestination():
            link = (
                Fact(name="transport", says="HTTP POST of one message to the address"),
                *_http(destination),
                Fact(name="signature", says=SIGNATURE),
                Fact(name="identity", says="Idempotency-Key holds the control ID, the same at every try"),
            )
            return Door.HOOK, link, is_https(destination.url)
        case settings.FolderDestination():
            link = (
                Fact(name="transport", says="a folder that gets one file a message, under its own name once it is whole"),
                Fact(name="address", says=str(destination.path)),
            )
            return Door.FOLDER, link, False
    raise TypeError(f"no specification for a {type(destination).__name__}")


def _answers_on(destination: settings.MllpDestination) -> tuple[Fact, ...]:
    on = destination.answers_on
    if on is None:
        return ()
    how = "without TLS" if on.tls is None else f"by TLS {on.tls.minimum} or newer"
    proof = ", and the receiver shows a certificate of its own" if on.tls and on.tls.ca else ""
    callers = f"; only {', '.join(on.peers)} may connect" if on.peers else ""
    says = f"{on.host}:{on.port}, MLLP over TCP {how}{proof}{callers}"
    return (Fact(name="answers on a connection of the receiver's own", says=says),)


def _http(destination: settings.HttpDestination) -> tuple[Fact, ...]:
    """Say what every destination over HTTP has in common."""
    tls = destination.tls or settings.Tls()
    return (
        Fact(name="address", says=without_secrets(destination.address())),
        *(_tls(tls) if is_https(destination.address()) else (Fact(name="TLS", says="no: the address is plain http"),)),
        Fact(name="sign-in", says=_sign_in(destination)),
        Fact(name="redirects", says="never followed"),
    )


def _tls(tls: settings.Tls | None) -> tuple[Fact, ...]:
    if tls is None:
        return (Fact(name="TLS", says="no: the line is plain"),)
    trusted = f"whom {tls.ca.name} names" if tls.ca else "the CAs of Padpost's machine"
    name = f", under the name {tls.server_name}" if tls.server_name else ""
    newer = " or newer" if tls.minimum == "1.2" else ""
    shown = f"shown: {tls.certificate.name}" if tls.certificate else "none: Padpost shows none"
    return (
        Fact(
            name="TLS",
            says=f"yes, {tls.minimum}{newer}, ECDHE with AEAD (RFC 9325); the receiver must prove its name{name} to {trusted}",
        ),
        Fact(name="client certificate", says=shown),
    )


def _sign_in(destination: settings.DestinationShape) -> str:
    """Say how Padpost says who it is, without any secret."""
    if not isinstance(destination, settings.HttpDestination):
        return "none"
    if destination.bearer is not None:
        return "bearer token"
    if destination.basic is not None:
        return "user and password (RFC 7617)"
    if destination.oauth is not None:
        where = without_secrets(destination.oauth.token_url) or "the address that .well-known/smart-configuration names"
        scope = destination.oauth.scope or scope_for(destination)
        return (
            f"token for a signed assertion (SMART App Launch 2 Backend Services, ES384 or RS384) from {where}, "
            f"client {destination.oauth.client_id}, scope {scope}"
        )
    return "none"


def _waits(destination: settings.DestinationShape) -> tuple[Fact, ...]:
    match destination:
        case settings.MllpDestination():
            waits = (
                Fact(name="time to connect", says=_seconds(destination.connect_s)),
                Fact(name="time to answer", says=_seconds(destination.answer_s)),
                Fact(name="connections at most, one message in flight on each", says=str(destination.connections)),
            )
            if destination.acknowledgement == "original":
                return waits
            return (*waits, Fact(name="time to the application's answer", says=_seconds(destination.application_s)))
        case settings.HttpDestination():
            return (
                Fact(name="time to answer", says=_seconds(destination.answer_s)),
                Fact(name="messages at once at most, each of another patient", says=str(destination.in_flight)),
            )
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
        case settings.MllpSource():
            return (
                Fact(name="kind", says="HL7 v2 over MLLP"),
                Fact(name="address", says=f"Padpost listens, {source.host}:{source.port}"),
                Fact(name="processing ID, MSH-11", says=source.processing_id),
                Fact(name="TLS on the way in", says=_tls_in(source.tls)),
                Fact(
                    name="answer",
                    says="AA once the message is on the disk, AE where the profile answers judged and a strip is rejected",
                ),
            )
        case settings.HttpSource():
            return (
                Fact(name="kind", says="HTTP post with a key"),
                Fact(name="address", says="/api/captures and /api/readings on the port of the pages"),
                Fact(name="Idempotency-Key", says=source.idempotency),
                Fact(name="answer", says="202 once the bytes are on the disk"),
            )
        case settings.ByEyeSource():
            return (
                Fact(name="kind", says="form: strips read by eye"),
                Fact(name="second person", says="compares each patient's strip" if source.second_person else "not asked for"),
                Fact(name="controls", says="as for analyzers" if source.controls else "patients' strips wait for none"),
            )
    raise TypeError(f"no words for a {type(source).__name__}")


def _tls_in(tls: settings.Tls | None) -> str:
    if tls is None:
        return "no: the line is plain"
    asked = "the instrument must show a certificate" if tls.ca else "no certificate is asked of the instrument"
    return f"yes, {tls.minimum} or newer; {asked}"


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
