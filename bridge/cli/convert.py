"""``padpost convert``: what a captured transmission becomes. Nothing is stored or sent."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import orjson

from bridge import clock, settings
from bridge.errors import PadpostError, SetupError
from bridge.model import (
    LIVE,
    Capture,
    Coded,
    Copy,
    Format,
    NonPatient,
    Reading,
    Way,
)
from bridge.site import example_terms, expected_of, grade_faults, tables_for, terms_of
from bridge.tables.types import DestinationTerms, Laboratory, Provider, Tables
from bridge.trial import Trial, try_out

WORDS = {
    "coded": "can be sent",
    "held": "waits for a decision",
    "rejected": "cannot be sent",
    "copy": "a copy, never sent",
    "non_patient": "not a patient's strip, not sent",
    "unreadable": "cannot be read",
}
CONTROL_SENT = "not a patient's strip, sent where controls are asked for"
LABORATORY = Laboratory(
    name="Example Laboratory",
    number="EX-1",
    authority="urn:example:laboratories",
    street="1 Example Street",
    city="Exampleton",
    state="",
    postal_code="00000",
    country="",
    director="",
)
PROVIDER = Provider(number="1", family="Example", given="", authority="EXAMPLE")
# what the guides require and only a site knows
KNOWN_TO_A_SITE: Mapping[Format, Mapping[str, Any]] = {
    Format.ORU_R01_US: {
        "laboratory": replace(LABORATORY, authority="EXAMPLE"),
        "provider": PROVIDER,
        "message_profile": "EXAMPLE",
    },
    Format.FHIR_US: {"laboratory": LABORATORY},
    Format.FHIR_EU: {"laboratory": LABORATORY},
}
FORMS = tuple(dict.fromkeys(("hl7", "fhir", "json", *Format)))


def convert(file: str, profile: str, to: str, config_path: Path | None, *, destination: str = "") -> int:
    """Convert ``file`` ("-": standard input) and print what it becomes.

    ``to`` is hl7, fhir, json or a message profile; with ``destination`` the message is the one that this destination would get.
    Messages go to standard output, findings to standard error. Gives 1 if a strip would wait for a person or none was found, else 0.
    """
    if to not in FORMS:
        raise SetupError(f"There is no form called {to!r}.", remedy=f"Use one of: {', '.join(FORMS)}.")
    config = settings.read_settings(config_path) if config_path else None
    tables = tables_for(config)
    if profile not in tables.profiles:
        raise SetupError(f"No profile is called {profile!r}.", remedy=f"There are {', '.join(sorted(tables.profiles))}.")
    terms = [] if to == "json" else [_terms(config, config_path, tables, to=to, name=destination)]
    capture = Capture(source="convert", way=Way.FOLDER, arrived_at=clock.now(), payload=_payload(file), name=file, live=False)
    expects = expected_of(config).get(profile, LIVE) if config else LIVE
    trials = try_out(capture, tables.profiles[profile], terms, tables, called="CONVERT", expects=expects)
    if to == "json":
        print(orjson.dumps([_plain(trial) for trial in trials], option=orjson.OPT_INDENT_2).decode())
    _write_messages(trials)
    return _tell(trials)


def _write_messages(trials: Sequence[Trial]) -> None:
    """Write every message to standard output in its own character set, an HL7 segment a line."""
    for tried in (message for trial in trials for message in trial.messages):
        if tried.message is not None:
            sys.stdout.buffer.write(tried.message.payload.replace(b"\r", b"\n").rstrip(b"\n") + b"\n")
    sys.stdout.flush()


def _payload(file: str) -> bytes:
    try:
        return sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes()
    except OSError as error:
        raise PadpostError(f"{file} cannot be read: {error.strerror}. Check the name.") from error


def _terms(config: settings.Settings | None, config_path: Path | None, tables: Tables, *, to: str, name: str) -> DestinationTerms:
    if config is None or config_path is None:
        return _example(to, name)
    for error in grade_faults(config, tables):
        raise settings.placed(error, config_path)
    every = [terms_of(config, destination) for destination in config.destinations]
    for terms in every:
        if terms.name == name if name else _takes_form(terms, to):
            return terms
    names = ", ".join(terms.name for terms in every)
    what = f"is called {name!r}" if name else f"takes {to}"
    raise SetupError(f"No destination of the site {what}.", remedy=f"Its destinations are: {names}." if names else "Add one.")


def _takes_form(terms: DestinationTerms, to: str) -> bool:
    return to in {"fhir" if terms.format.is_fhir else "hl7", terms.format.value}


def _example(to: str, name: str) -> DestinationTerms:
    """Give the terms of an invented destination. Raises SetupError where one of a site's is named."""
    if name:
        raise SetupError("A destination is one of a site's.", remedy="Name its configuration: --config site.yaml.")
    wanted = {"hl7": Format.ORU_R01, "fhir": Format.FHIR}.get(to) or Format(to)
    example = next(terms for terms in example_terms() if terms.format.is_fhir is wanted.is_fhir)
    return replace(example, format=wanted, **KNOWN_TO_A_SITE.get(wanted, {}))


def _plain(trial: Trial) -> dict[str, Any]:
    """Give one strip as JSON values: what was printed, what was made of it."""
    reading, outcome = trial.reading, trial.outcome
    plain: dict[str, Any] = {
        "index": reading.index,
        "bytes": [reading.place.start, reading.place.end],
        "outcome": trial.word,
        "findings": [
            {"rule": f.rule, "severity": f.severity, "sentence": f.sentence, "remedy": f.remedy} for f in trial.findings
        ],
    }
    if isinstance(reading, Reading):
        plain["printed"] = {
            "number": reading.number.text if reading.number else "",
            "patient_id": reading.patient_id.text if reading.patient_id else "",
            "pads": [{"label": p.label.text, "value": p.value.text, "unit": p.unit.text if p.unit else ""} for p in reading.pads],
        }
    if isinstance(outcome, Coded | NonPatient) and (result := outcome.result):
        plain["result"] = {
            "analyzed_at": result.analyzed_at.isoformat(),
            "strip_type": result.strip_type,
            "pads": [
                {
                    "pad": p.pad,
                    "flag": p.flag,
                    "printed": p.printed,
                    "loinc": [{"code": f.code.code, "property": f.prop} for f in p.forms],
                }
                for p in result.pads
            ],
        }
    return plain


def _tell(trials: Sequence[Trial]) -> int:
    """Tell on standard error what was found; give 0 if no strip would wait for a person."""
    well = bool(trials)
    for trial in trials:
        place, outcome = trial.reading.place, trial.outcome
        stopped = [message.finding for message in trial.messages if message.finding is not None]
        words = _words(trial, is_stopped=bool(stopped))
        well = well and (isinstance(outcome, NonPatient | Copy) or (isinstance(outcome, Coded) and not stopped))
        print(f"strip {trial.reading.index + 1}, bytes {place.start} to {place.end}: {words}", file=sys.stderr)
        for finding in (*stopped, *trial.findings):
            print(f"  {finding.rule}: {finding.sentence} {finding.remedy}", file=sys.stderr)
    if not trials:
        print("No strip was found in it.", file=sys.stderr)
    return 0 if well else 1


def _words(trial: Trial, *, is_stopped: bool) -> str:
    """Say what would become of a strip; a control that a receiver cannot be told stops nothing."""
    if isinstance(trial.outcome, NonPatient):
        return CONTROL_SENT if trial.messages and not is_stopped else WORDS[trial.word]
    return WORDS["rejected" if is_stopped else trial.word]
