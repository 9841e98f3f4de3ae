"""Blocks A to F of the questionnaire: who, which analyzers, and by what ways."""

from __future__ import annotations

from collections.abc import Iterable

from bridge.model import Format
from bridge.specification.fhir_words import UNKNOWN as UNFOUND
from bridge.specification.fhir_words import message_words, pointer_words
from bridge.specification.types import NOT_SET, Block, Door, Fact, Facts, SourceFacts, Subject, Words
from bridge.tables.types import DestinationTerms, Framing, Orders, Profile

# Python's strptime codes -> the letters that people write
LETTERS = {
    "%d": "DD",
    "%m": "MM",
    "%Y": "YYYY",
    "%y": "YY",
    "%b": "MMM",
    "%H": "hh",
    "%I": "hh",
    "%M": "mm",
    "%S": "ss",
    "%p": "am/pm",
}
# What must become of a patient ID that the receiver does not have.
UNKNOWN = {
    Door.MLLP: "An ID that the receiver does not have must be answered with AE or AR 204: Padpost then shows the strip to a person.",
    Door.HOOK: "An ID that the receiver does not have must be answered with 422: Padpost then shows the strip to a person.",
    Door.FOLDER: "Nobody can answer a file: the receiver must tell a person of an ID that it does not have.",
}
NO_SOURCE = "a source (sources)"


def agreed(pairs: Iterable[tuple[str, str, str]]) -> tuple[tuple[Fact, ...], tuple[str, ...]]:
    """Give (name, key, text) as facts, "not set" where the text is empty, and the names with keys of those that lack."""
    given = tuple(pairs)
    facts = tuple(Fact(name=name, says=text.strip() or NOT_SET) for name, _, text in given)
    return facts, tuple(f"{name} ({key})" for name, key, text in given if not text.strip())


def parties(subject: Subject) -> Block:
    """Block A."""
    words = subject.agreement
    facts, lacking = agreed(
        (
            ("laboratory, name and address", "agreement.laboratory", words.laboratory),
            ("accreditation number", "agreement.accreditation", words.accreditation),
            ("contacts of laboratory, record system and IT, out of hours too", "agreement.contacts", words.contacts),
            ("go-live date", "agreement.go_live", words.go_live),
            ("regulation that applies", "agreement.regime", words.regime),
        )
    )
    site = (Fact(name="site", says=subject.site), Fact(name="destination", says=subject.terms.name))
    return Block(letter="A", title="Parties", parts=(Facts(title="Who", rows=(*site, *facts)),), lacking=lacking)


def device(subject: Subject) -> Block:
    """Block B."""
    facts, lacking = agreed((("serial numbers, firmware and places", "agreement.analyzers", subject.agreement.analyzers),))
    listed = tuple(
        Facts(title=f"Analyzer {source.analyzer}", rows=_analyzer(source, subject))
        for source in subject.sources
        if source.profile in subject.tables.profiles
    )
    return Block(
        letter="B",
        title="Devices",
        parts=(*(listed or (_no_source(),)), Facts(title="As told by the site", rows=facts)),
        lacking=(*(() if listed else (NO_SOURCE,)), *lacking),
    )


def _no_source() -> Words:
    return Words(text="Not set: the configuration has no source, so no analyzer, no strip type and no sample can be shown.")


def _analyzer(source: SourceFacts, subject: Subject) -> tuple[Fact, ...]:
    profile = subject.tables.profiles[source.profile]
    return (
        Fact(name="source", says=source.name),
        Fact(name="profile", says=f"{profile.title} ({profile.name})"),
        *(
            Fact(name=f"strip type {name}", says=_pads(name, subject))
            for name in sorted(set(profile.strip_types.values()))
        ),
        Fact(name="strip numbers", says=_numbers(profile)),
        Fact(name="modes", says="; ".join(_modes(profile))),
        Fact(name="date and time", says=_dates(profile)),
        Fact(name="unit system", says=profile.unit_system.value),
        Fact(name="its own abnormal marks", says=_listed(profile.marks or (), "prints none")),
        Fact(name="error texts", says=_listed(profile.fault_tokens, "none known")),
        Fact(name="marks of a copy", says=_listed(profile.copy_marks, "prints none")),
        Fact(name="checksum", says="yes, of each frame (LIS01-A2)" if profile.framing is Framing.LIS01 else "none"),
    )  # fmt: skip


def _pads(strip_type: str, subject: Subject) -> str:
    found = subject.tables.strip_types[strip_type]
    return f"{found.title}: {', '.join(subject.tables.catalogue.pads[pad.pad].name for pad in found.pads)}"


def _numbers(profile: Profile) -> str:
    numbers = profile.numbers
    start = (
        f"start at {numbers.first} each day"
        if numbers.series == "daily"
        else f"start again at {numbers.first} where the number falls"
    )
    return f"built like {numbers.pattern}; {start}"


def _modes(profile: Profile) -> list[str]:
    return [
        f"{rule.word or 'no word'}: {rule.mode}, {rule.purpose.value}, {rule.priority.value}"
        for rule in profile.numbers.modes.values()
    ]


def _dates(profile: Profile) -> str:
    printed = " ".join(part for part in (profile.date_format, profile.time_format) if part)
    for code, letters in LETTERS.items():
        printed = printed.replace(code, letters)
    return f"{printed or 'prints none'}; the analyzer's clock stands in {profile.zone.key}"


def _listed(texts: Iterable[str], none: str) -> str:
    return ", ".join(sorted(texts)) or none


def link_in(subject: Subject) -> Block:
    """Block C."""
    listed = tuple(Facts(title=f"Source {source.name}", rows=source.link) for source in subject.sources)
    return Block(letter="C", title="Link in", parts=listed or (_no_source(),), lacking=() if listed else (NO_SOURCE,))


# What each HL7 format is, for a vendor; "shaped after" is no claim of conformance
MESSAGES = {
    Format.ORU_R01: "HL7 2.5.1 ORU^R01^ORU_R01, unsolicited result",
    Format.ORU_R01_US: (
        "HL7 2.5.1 ORU^R01^ORU_R01, shaped after the US laboratory results guide: its table of required and unsupported fields was read, its text was not"
    ),
    Format.ORU_R30: "HL7 2.5.1 ORU^R30^ORU_R30, point-of-care result whose order the receiver creates",
    Format.OUL_R22: "HL7 2.5.1 OUL^R22^OUL_R22, specimen-oriented result",
}


def direction(subject: Subject) -> Block:
    """Block D."""
    return Block(
        letter="D",
        title="Direction",
        parts=(
            Facts(
                title="Which way",
                rows=(
                    Fact(name="results", says="sent by Padpost, unsolicited, one message for each strip"),
                    Fact(name="orders", says="not taken: Padpost downloads no orders and no work lists"),
                    Fact(name="host query", says="not answered"),
                    Fact(
                        name="controls and other strips of no patient",
                        says="controls and comparison strips are sent, without a patient (block H); others are not"
                        if subject.terms.non_patient
                        else "not sent",
                    ),
                ),
            ),
        ),
    )


def link_out(subject: Subject) -> Block:
    """Block E."""
    terms = subject.terms
    test, lacking = agreed((("address for tests", "agreement.test_address", subject.agreement.test_address),))
    names, unnamed = _header(terms) if subject.door is not Door.FHIR and not terms.format.is_fhir else ((), ())
    return Block(
        letter="E",
        title="Link out",
        parts=(
            Facts(title="Connection", rows=(*subject.link, *test)),
            Facts(title="Time-outs and tries", rows=subject.pace),
            Facts(title="Message", rows=(*_message(terms), *names)),
        ),
        lacking=(*lacking, *unnamed),
    )


def _header(terms: DestinationTerms) -> tuple[tuple[Fact, ...], tuple[str, ...]]:
    return agreed(
        (
            ("sending application, MSH-3", "sending_application", terms.sending_application),
            ("sending facility, MSH-4", "sending_facility", terms.sending_facility),
            ("receiving application, MSH-5", "receiving_application", terms.receiving_application),
            ("receiving facility, MSH-6", "receiving_facility", terms.receiving_facility),
        )
    )


def _message(terms: DestinationTerms) -> tuple[Fact, ...]:
    zone = Fact(name="time zone of times", says=f"{terms.zone.key}; each time carries its offset")
    if terms.format.is_fhir:
        return (*message_words(terms), zone)
    return (
        Fact(name="message", says=f"{MESSAGES[terms.format]}; one for each strip; no conformance to a profile is claimed"),
        Fact(name="message profile, MSH-21", says=terms.message_profile or "empty: none was agreed"),
        Fact(
            name="orders",
            says="one for each pad" if terms.orders is Orders.SINGLE else "one for each strip, the panel",
        ),
        Fact(name="character set, MSH-18", says=terms.charset),
        Fact(name="processing ID, MSH-11", says=terms.processing_id),
        Fact(
            name="acknowledgement mode, MSH-15 and MSH-16",
            says=_mode(terms),
        ),
        zone,
    )


APPLICATION = {"AL": "always", "NE": "never", "ER": "on errors only", "SU": "on success only"}  # MSH-16, HL7 table 0155


def _mode(terms: DestinationTerms) -> str:
    """Say which answers a message asks for."""
    if terms.asks_commit:
        return (
            f"AL and {terms.asks_application}: enhanced mode. CA once the message is kept for good; the application's answer"
            f" {APPLICATION[terms.asks_application]}, on the same connection or on the one that block E names"
        )
    if terms.format is Format.ORU_R01_US:
        return "NE and AL: the application's answer alone, on the same connection"
    return "both empty: original mode"


def _orders(terms: DestinationTerms) -> str:
    """Say which numbers of an order are sent; both formats send one where the strip bears it."""
    place = "" if terms.format.is_fhir else " (ORC-2, OBR-2)"
    return f"No visit or account number is sent, and an order number only where one was printed{place}: else the receiver creates the order."


def identity(subject: Subject) -> Block:
    """Block F."""
    ids = subject.tables.policy.patient_id
    terms = subject.terms
    named = (
        pointer_words(terms)
        if terms.format.is_fhir
        else (
            Fact(name="authority, PID-3.4", says=terms.patient_authority),
            Fact(name="type, PID-3.5", says=terms.patient_type),
        )
    )
    unknown = UNFOUND[terms.patient_pointing] if subject.door is Door.FHIR else UNKNOWN[subject.door]
    return Block(
        letter="F",
        title="Identity",
        parts=(
            Facts(
                title="Patient",
                rows=(
                    *named,
                    Fact(name="what an ID looks like", says=ids.pattern),
                    Fact(name="check digit", says=ids.check_digit or "none is checked"),
                    Fact(name="second identifier", says="none is sent; the name as printed is no evidence"),
                ),
            ),
            Words(
                text=f"{_orders(terms)} Match on the patient ID with its "
                f"authority alone, never on the name. {unknown} Never file under another patient, and never take "
                "an unknown ID for a new patient. Padpost takes no merge messages; the receiver files under the patient that the ID "
                "leads to now."
            ),
        ),
    )
