"""The capability statement of a FHIR server: asked for once in a while, within bounds, and said in words."""

from __future__ import annotations

import json

from bridge.deliver.http import Poster, Reply
from bridge.lifecycle.answers import HttpReply
from bridge.lifecycle.capability import Asked, differences
from bridge.settings import FhirDestination

LONGEST_STATEMENT = 5_000_000  # bytes; ours: statements of big servers are one or two MB
LONGEST_S = 20.0  # ours: it is no part of any sending
KINDS = ("DiagnosticReport", "Observation", "Specimen")  # what every Bundle of ours creates on condition


async def asked_differences(settings: FhirDestination) -> tuple[str, ...] | None:
    """Ask for `{base}/metadata` (FHIR R4 http.html, capabilities), unsigned as it is public; give what it does not promise.

    None: there was no answer that says anything, so ask again later. Raises nothing for what the server or the network does.
    """
    _, found = await asked_statement(settings, longest_s=min(settings.answer_s, LONGEST_S))
    return found


async def asked_statement(settings: FhirDestination, *, longest_s: float) -> tuple[Reply, tuple[str, ...] | None]:
    """Ask once, for ``longest_s`` seconds; give the reply, and what the statement in it does not promise, None where there is none."""
    poster = Poster(answer_s=longest_s, longest_reply=LONGEST_STATEMENT, tls=settings.tls, home=settings.base_url)
    try:
        reply = await poster.get(f"{settings.base_url.rstrip('/')}/metadata", {"Accept": "application/fhir+json"})
    finally:
        await poster.close()
    if not isinstance(reply, HttpReply) or reply.status != 200 or reply.cut:
        return reply, None
    try:
        statement = json.loads(reply.body)
    except (ValueError, RecursionError):
        statement = None
    return reply, differences(statement, asked_of(settings))


def asked_of(settings: FhirDestination) -> Asked:
    """Give what the messages of a destination ask of its server."""
    creates = (*KINDS, *(("Device",) if settings.equipment else ()))
    pointed = [("Patient", settings.pointers.patient), ("ServiceRequest", settings.pointers.order)]
    searched = (*creates, *(kind for kind, pointing in pointed if pointing == "conditional"))
    return Asked(creates=creates, searches=tuple((kind, "identifier") for kind in searched))
