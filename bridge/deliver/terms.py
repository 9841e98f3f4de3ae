"""What a destination's settings say of its answers, as the tables of answers want it."""

from __future__ import annotations

from bridge.lifecycle.answers import Asked, SiteAnswers, site_answers
from bridge.settings import FhirDestination, HookDestination, MllpDestination


def asked_of(settings: MllpDestination) -> Asked:
    """Give what messages to this destination ask for in MSH-15 and MSH-16."""
    return Asked.ORIGINAL if settings.acknowledgement == "original" else Asked(settings.application_answer)


def site_answers_of(settings: MllpDestination | FhirDestination | HookDestination) -> SiteAnswers:
    """Give the site's own word on the answers of this destination."""
    return site_answers([(line.when, line.means) for line in settings.answers])
