"""Which strip a record speaks of: its key, and whether two records say the same.

The key is what the strip itself carries (analyzer, mode, series, number); the content is what two
records of one key must agree on. Printed evidence only: what a person corrected later is no part of either.
"""

from __future__ import annotations

import hashlib

from bridge.model import StripContent, StripKey

NOT_UNDERSTOOD = -1  # ours: the rank, in StripContent.pads, of a pad whose printed value was not understood


def key_of(*, analyzer: str, mode: str, series: str, number: int | None) -> StripKey:
    """Give the key of a strip; a part that it does not carry is empty. ``007`` and ``7`` are one number."""
    return StripKey(analyzer=analyzer, mode=mode, series=series, number="" if number is None else str(number))


def in_doubt(rank: int) -> int:
    """Give what stands in StripContent.pads for a step that an undecided unit system leaves in doubt: equal only to itself."""
    return NOT_UNDERSTOOD - 1 - rank


def contradicts(one: StripContent, other: StripContent) -> bool:
    """Say whether two records cannot be of the same strip.

    A field that one layout does not print (empty), a pad that one record lacks (torn, or an analyzer
    fault) and a pad that was not understood contradict nothing; a step in doubt contradicts only another one in doubt.
    """
    texts = (
        (one.patient_id, other.patient_id),
        (one.operator, other.operator),
        (one.strip_type, other.strip_type),
        (one.strip_lot, other.strip_lot),
    )
    if any(left and right and left != right for left, right in texts):
        return True
    return any(
        left[pad].isdisjoint(right[pad])
        for left, right in zip(_ranks(one), _ranks(other), strict=True)
        for pad in left.keys() & right.keys()
    )


def _ranks(content: StripContent) -> tuple[dict[str, set[int]], dict[str, set[int]]]:
    """Give the ranks of each pad that is certain, and of each in doubt; more than one where a record has the pad twice."""
    certain: dict[str, set[int]] = {}
    doubtful: dict[str, set[int]] = {}
    for pad, rank in content.pads:
        if rank != NOT_UNDERSTOOD:
            (certain if rank >= 0 else doubtful).setdefault(pad, set()).add(rank)
    return certain, doubtful


def same_content(one: StripContent, other: StripContent) -> bool:
    """Say whether two records of one key are the same strip: nothing contradicts, and the pads are equal.

    Of one whose values were purged only the digest is left, so that it is the same only where nothing at all differs.
    """
    if one.digest or other.digest:
        return content_digest(one) == content_digest(other)
    return one.pads == other.pads and not contradicts(one, other)


def content_digest(content: StripContent) -> str:
    """Give what can be kept of a content for comparing when its values are purged: SHA-256, 64 lower-case hex digits."""
    parts = (content.patient_id, content.operator, content.strip_type, content.strip_lot, content.pads)
    return content.digest or hashlib.sha256(repr(parts).encode("utf-8", "surrogatepass")).hexdigest()


def without_values(content: StripContent) -> StripContent:
    """Give a content of which nothing is left but its digest."""
    return StripContent(patient_id="", operator="", strip_type="", strip_lot="", pads=(), digest=content_digest(content))
