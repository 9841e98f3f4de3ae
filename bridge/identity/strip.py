"""Which strip a record speaks of: its key, and whether two records say the same.

The key is what the strip itself carries (analyzer, mode, series, number); the content is what two
records of one key must agree on. Printed evidence only: what a person corrected later is no part of either.
"""

from __future__ import annotations

from bridge.model import StripContent, StripKey

NOT_UNDERSTOOD = -1  # ours: the rank, in StripContent.pads, of a pad whose printed value was not understood


def key_of(*, analyzer: str, mode: str, series: str, number: int | None) -> StripKey:
    """Give the key of a strip; a part that it does not carry is empty. ``007`` and ``7`` are one number."""
    return StripKey(analyzer=analyzer, mode=mode, series=series, number="" if number is None else str(number))


def contradicts(one: StripContent, other: StripContent) -> bool:
    """Say whether two records cannot be of the same strip.

    A field that one layout does not print (empty), and a pad that one record did not
    let us understand, contradict nothing; nor does a record without any pads (an analyzer fault).
    """
    texts = (
        (one.patient_id, other.patient_id),
        (one.operator, other.operator),
        (one.strip_type, other.strip_type),
        (one.strip_lot, other.strip_lot),
    )
    if any(left and right and left != right for left, right in texts):
        return True
    if not one.pads or not other.pads:
        return False
    if tuple(pad for pad, _ in one.pads) != tuple(pad for pad, _ in other.pads):
        return True
    ranks = zip((rank for _, rank in one.pads), (rank for _, rank in other.pads), strict=True)
    return any(left != right and NOT_UNDERSTOOD not in (left, right) for left, right in ranks)


def same_content(one: StripContent, other: StripContent) -> bool:
    """Say whether two records of one key are the same strip: nothing contradicts, and the pads are equal."""
    return one.pads == other.pads and not contradicts(one, other)
