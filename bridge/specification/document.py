"""Builds a specification from values: blocks A to P, none left out, none blank."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace

from bridge.added import listed
from bridge.render.fhir import LOCAL_SYSTEM
from bridge.render.grades import TEXT
from bridge.render.wording import FLAGS, FOUND
from bridge.specification.elements import element_rows
from bridge.specification.fhir_words import structure_words, unit_words
from bridge.specification.messages import Shown, sample_parts, shown_samples, strip_types
from bridge.specification.parties import NO_SOURCE, device, direction, identity, link_in, link_out, parties
from bridge.specification.rules import answers, changes, controls, downtime, duplicates, security, statuses, validation, volumes
from bridge.specification.segments import segment_rows, structure
from bridge.specification.steps import step_tables
from bridge.specification.types import Block, Fact, Facts, FieldTable, Specification, Subject, Words
from bridge.tables.types import DestinationTerms

LETTERS = "ABCDEFGHIJKLMNOP"  # the blocks of an interface questionnaire (common practice, no source)


def specify(subject: Subject) -> Specification:
    """Give the whole document.

    Raises TableError if a profile or strip type cannot be planned, RejectError if a name cannot be said in the destination's character set.
    """
    shown = shown_samples(subject)
    blocks = (
        parties(subject),
        device(subject),
        link_in(subject),
        direction(subject),
        link_out(subject),
        identity(subject),
        results(subject, shown),
        controls(subject),
        statuses(subject),
        duplicates(subject),
        answers(subject),
        volumes(subject),
        downtime(subject),
        validation(subject),
        security(subject),
        changes(subject, shown),
    )
    interface = (*blocks[:-1], changes(replace(subject, signature=None), shown))  # who signed it changes no message
    return Specification(
        site=subject.site,
        destination=subject.terms.name,
        version=subject.version,
        made_at=subject.made_at,
        digest=hashlib.sha256(repr(interface).encode("utf-8", "surrogatepass")).hexdigest(),
        blocks=blocks,
    )


def results(subject: Subject, shown: tuple[Shown, ...]) -> Block:
    """Block G: fields, formats, codes, flags, samples."""
    is_fhir = subject.terms.format.is_fhir
    rows = element_rows(shown) if is_fhir else segment_rows(shown, subject.terms)
    parts = structure_words(subject.terms) if is_fhir else structure(subject.terms)
    table = FieldTable(title="Elements" if is_fhir else "Segments and fields", rows=rows)
    return Block(
        letter="G",
        title="Results",
        parts=(
            Words(text=f"Structure: {parts}. Use: R always sent, RE sent where there is a value, C under the condition named, X not sent today."),
            table if rows else Words(text="Not set: without a source there are no samples to take elements from."),
            _formats(subject, is_fhir=is_fhir),
            _flags(is_fhir=is_fhir),
            *(step_tables(subject) or (Words(text="Not set: without a source there are no code tables."),)),
            Words(text="The samples are written by the plan that writes patients' messages. Patient, numbers and times in them are invented: load them into a test system only."),
            *sample_parts(shown, subject.terms),
        ),
        lacking=() if shown else (NO_SOURCE,),
    )  # fmt: skip


def _formats(subject: Subject, *, is_fhir: bool) -> Facts:
    order = ", then ".join(form.value for form in subject.terms.value_forms)
    grade = _grade_words(subject.terms, is_fhir=is_fhir)
    number = unit_words(subject.terms) if is_fhir else f"NM, unit in OBX-6 as {_unit_words(subject.terms)}"
    compared = "valueQuantity with comparator" if is_fhir else "SN: comparator^number, unit as for NM"
    return Facts(
        title="Value formats",
        rows=(
            Fact(name="which form is sent", says=f"one for each pad: the first that its step has of {order}"),
            Fact(name="grade", says=grade),
            *_words_and_ratios(subject, is_fhir=is_fhir),
            *_added(subject),
            Fact(name="number", says=f"{number}; digits as the scale has them, trailing zeros kept"),
            Fact(name="number with comparator", says=compared),
            Fact(name="time", says="to the second, with offset: " + ("YYYY-MM-DDThh:mm:ss+zz:zz" if is_fhir else "YYYYMMDDHHMMSS+ZZZZ")),
            Fact(name="no value", says="a pad without a value is never sent: the strip waits for a person"),
            Fact(name="local codes", says="sent beside LOINC" if subject.terms.local_codes else "not sent"),
            Fact(name="collection time unknown", says="analysis time stands in its place, with a note" if subject.terms.observed_at == "analysis" else "left empty, with a note"),
        ),
    )  # fmt: skip


def _word_kind(terms: DestinationTerms, *, is_fhir: bool) -> str:
    """Say as what a word goes."""
    if TEXT in terms.grades:
        return "as a grade's text"
    has_code = terms.local_codes or "local" in terms.grades
    coded = f"with Padpost's own code ({LOCAL_SYSTEM if is_fhir else 'L'})" if has_code else "without a code"
    return f"{'valueCodeableConcept' if is_fhir else 'CWE'}, {coded}; text as for a grade"


def _words_and_ratios(subject: Subject, *, is_fhir: bool) -> Iterator[Fact]:
    """Say how words (colour, clarity) and computed ratios go, where a strip type in use has them."""
    used = [subject.tables.strip_types[name] for name in strip_types(subject)]
    if any(step.word for strip in used for pad in strip.pads for step in pad.ladder):
        yield Fact(name="colour and clarity", says=f"{_word_kind(subject.terms, is_fhir=is_fhir)}; a word has no order")
    if any(strip.ratios for strip in used):
        where = "method, the first note and derivedFrom" if is_fhir else "OBX-17 and the NTE after the OBX"
        yield Fact(
            name="computed ratio",
            says=f"a number like others; {where} say that Padpost computed it, and from what. Left out where the two values do not decide it",
        )


def _added(subject: Subject) -> Iterator[Fact]:
    """Say what a technician adds to strips, where any source of the site asks for it."""
    asked = {what: None for terms in subject.tables.additions.terms.values() for what in terms.asks}
    if not asked:
        return
    where = "as values of their own, seen by eye, or in the specimen's type; a comment says added by hand, and by whom"
    yield Fact(
        name=f"{listed(tuple(asked))} added by a technician",
        says=where if subject.terms.added else "not sent to this destination",
    )


def _unit_words(terms: DestinationTerms) -> str:
    """Say how this destination is told a unit in HL7."""
    own = "; ".join(f"{code} as {text}" for code, text in terms.unit_texts.items())
    return (
        f"text^text^L^code^text^UCUM where the laboratory has a text of its own ({own}), else code^text^UCUM"
        if own
        else "code^text^UCUM"
    )


def _grade_words(terms: DestinationTerms, *, is_fhir: bool) -> str:
    """Say how this destination is told a grade."""
    if TEXT in terms.grades:
        kind, place = ("valueString", "the first note") if is_fhir else ("ST", "the NTE after the OBX")
        return f"{kind}: the grade's text; the text as printed in {place}"
    own = next((code.system for code in terms.grade_table.codes.values()), "") if terms.grade_table else ""
    uri = terms.grade_table.uri if terms.grade_table else ""
    named = {
        "loinc": "the LOINC answer where there is one",
        "snomed": "the SNOMED CT concept",
        "local": f"the laboratory's code ({uri if is_fhir else own})",
    }
    first, second = [*(named[system] for system in terms.grades), ""][:2]
    if is_fhir:
        return f"valueCodeableConcept: coding is {first}{f', then {second}' if second else ''}; text as printed"
    return f"CWE: .1 to .3 {first}, else .2 the grade's text{f'; .4 to .6 {second}' if second else ''}; .9 the text as printed"


def _flags(*, is_fhir: bool) -> Facts:
    meanings = {
        "N": "not abnormal",
        "A": "abnormal, for a grade",
        "H": "above the reference range, for a number",
        "L": "below the reference range, for a number",
        "AA": "critical by a rule of the laboratory, for a grade; sent only while such a rule is switched on, and a note names it",
        "HH": "as AA, for a number that is too high",
        "LL": "as AA, for a number that is too low",
    }
    return Facts(
        title="Flags (HL7 table 0078, v3-ObservationInterpretation)",
        rows=(
            *(Fact(name=flag.value, says=f"{display}: {meanings[flag.value]}") for flag, display in FLAGS.items()),
            *(Fact(name=code, says=f"{display}: beside the flag of a [Presence] grade") for code, display in dict(FOUND.values()).items() if is_fhir),
        ),
    )  # fmt: skip
