"""Subjects for specifications: invented sites over the shipped tables, and the document of each."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, datetime
from functools import cache

from bridge.site import example_terms
from bridge.specification import Agreement, Door, Fact, SourceFacts, Specification, Subject, specify
from tests.tables.shipped_tables import tables

ORU, FHIR = example_terms()
MADE_AT = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
AGREED = Agreement(**{field.name: f"agreed {field.name}" for field in fields(Agreement)})
# Markup of each form, a control character, and U+202E, which turns the reading direction round.
HOSTILE = "<script>alert(1)</script> | [x](javascript:1) `b` *c* _d_ &amp; \x07 \u202eend"
PROFILES = ("brook", "tern")


def subject(door: Door = Door.MLLP, *, profiles: tuple[str, ...] = PROFILES, agreement: Agreement = AGREED) -> Subject:
    """Give a subject with a source for each profile."""
    return Subject(
        site="Test Clinic",
        version="0.1.0",
        made_at=MADE_AT,
        door=door,
        terms=FHIR if door is Door.FHIR else ORU,
        tables=tables(),
        sources=tuple(
            SourceFacts(
                name=f"from-{profile}", analyzer=f"bench-{profile}", profile=profile, link=(Fact(name="kind", says="folder"),)
            )
            for profile in profiles
        ),
        link=(Fact(name="address", says="records.example:2575"),),
        pace=(Fact(name="time to answer", says="30 s"),),
        encrypted=False,
        agreement=agreement,
    )


def hostile() -> Subject:
    """Give a subject whose every own word is hostile."""
    given = subject(agreement=Agreement(**{field.name: HOSTILE for field in fields(Agreement)}))
    link = (Fact(name=HOSTILE, says=HOSTILE),)
    return replace(
        given,
        site=HOSTILE,
        terms=replace(given.terms, sending_facility=HOSTILE, receiving_application=HOSTILE, patient_authority=HOSTILE),
        sources=(replace(given.sources[0], name=HOSTILE, analyzer=HOSTILE, link=link),),
        link=link,
    )


@cache
def document(door: Door = Door.MLLP) -> Specification:
    """Give the document of a site that has settled everything."""
    return specify(subject(door))


@cache
def bare(door: Door = Door.MLLP) -> Specification:
    """Give the document of a site that has settled nothing and has no source."""
    return specify(subject(door, profiles=(), agreement=Agreement()))
