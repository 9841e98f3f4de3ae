"""A site's own word on what a receiver's answer means, where the receiver is known to say one thing and mean another."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from bridge.model import Answer

# What an answer may be made to mean. A yes is the receiver's alone: nothing can be turned into one, and no yes into anything else.
MEANINGS: frozenset[Answer] = frozenset({Answer.TRY_AGAIN, Answer.REFUSED, Answer.CLOSED})
# The answers that a site may have a word on: HL7 tables 0008 (but the two that say yes) and 0357; HTTP statuses that are no success.
OPEN_TO_SITES: Mapping[str, tuple[str, str]] = {
    "mllp": (r"(AE|AR|CE|CR)( (0|10[0-3]|20[0-7]))?", "AE, AR, CE or CR, alone or with a code of HL7 table 0357, such as AE 207"),
    "hook": (r"hook [345]\d\d", "hook and a status from 300 to 599, such as hook 500"),
    "fhir": (r"HTTP [345]\d\d", "HTTP and a status from 300 to 599, such as HTTP 500"),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class SiteAnswers:
    """What some answers of one receiver mean there, by their code as the log has it: ``AE 207``, ``AR``, ``HTTP 500``, ``hook 500``.

    A code alone (``AE``) stands for it with every reason that has no line of its own.
    """

    meanings: Mapping[str, Answer] = field(default_factory=dict)

    def answer(self, code: str, usual: Answer) -> Answer:
        """Give what ``code`` means here; ``usual`` is what the table says, and stays where it is a yes."""
        if usual not in MEANINGS:
            return usual
        return self.meanings.get(code) or self.meanings.get(code.partition(" ")[0]) or usual


NO_SITE_ANSWERS = SiteAnswers()


def site_answers(lines: Sequence[tuple[str, str]]) -> SiteAnswers:
    """Give the lines (``when``, ``means``) of a site as values. Raises ValueError for a meaning that there is none of."""
    return SiteAnswers(meanings={when: Answer(means) for when, means in lines})


def site_faults(kind: str, lines: Sequence[tuple[str, str]]) -> Iterator[tuple[int, str, str]]:
    """Give the number (from 0), fault and remedy of each line that cannot stand for a destination of ``kind``: mllp, fhir or hook."""
    pattern, allowed = OPEN_TO_SITES[kind]
    seen: set[str] = set()
    for number, (when, means) in enumerate(lines):
        if not re.fullmatch(pattern, when):
            yield (
                number,
                f"{when!r} is no answer that a site can have its own word on.",
                f"Write {allowed}. A yes is the receiver's alone.",
            )
        elif Answer(means) not in MEANINGS:
            yield number, f"Nothing can be made to mean {means!r}.", f"Write {', '.join(sorted(MEANINGS))}."
        elif when in seen:
            yield number, f"{when!r} stands here twice.", "Take one of the lines out."
        seen.add(when)
