"""Rules of copies, conflicts and re-runs (ARCHITECTURE, identity of a strip).

A copy is not a result, and a result is not lost for looking like one: a strip is passed over as a copy only
where its own record proves it (number, date and time); where proof is lacking a person decides.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from bridge.check.rulebook import finding
from bridge.check.understanding import TEST_MODE
from bridge.identity.strip import contradicts, same_content
from bridge.model import Finding, SeenStrip, StripContent, StripKey

CONFLICT = "copy.conflict"
RUN_AGAIN = "specimen.run_again"
OTHER_PADS = 2  # hazards.csv HZ-A09: one urine read twice differs by more than a step on one pad at most


@dataclass(frozen=True, kw_only=True, slots=True)
class Claim:
    """What a strip says of its own identity. ``printed_at`` None: no full date and time is legible on it.

    ``is_daily``: the series is a calendar day, so that the number is good for that whole day.
    ``window`` is the policy's re-run window.
    """

    key: StripKey
    content: StripContent
    printed_at: datetime | None
    arrived_at: datetime
    is_daily: bool
    is_marked: bool
    window: timedelta

    @property
    def is_provable(self) -> bool:
        """Say whether the record carries what proves a copy: number, and date with time."""
        return bool(self.key.number and self.key.series) and self.printed_at is not None


@dataclass(frozen=True, kw_only=True, slots=True)
class Original:
    """The strip that this one repeats, and the note that says by what it is known."""

    seen: SeenStrip
    note: Finding


# --- known copies ----------------------------------------------------------------------------


def original(
    claim: Claim, *, same_number: tuple[SeenStrip, ...], same_record: tuple[SeenStrip, ...], same_patient: tuple[SeenStrip, ...]
) -> Original | None:
    """Give the strip that this one is a copy of, if that is certain; the oldest, where several are the same."""
    if claim.is_provable and same_record:
        return _known(same_record[-1], "copy.same_bytes", "The same record came before.")
    alike = _alike_numbered(claim, same_number)
    proven = [each for each in alike if not _is_other_time(claim, each)]
    if claim.is_provable and proven:
        return _known(proven[-1], "copy.same_strip", f"Strip {claim.key.number} came before with the same content.")
    if not claim.is_marked:
        return None
    candidates = [*alike, *_alike_undated(claim, (*same_number, *same_record)), *_alike_other_number(claim, same_patient)]
    sentence = "The analyzer marks this as a copy, and its original came before."
    return _known(candidates[-1], "copy.marked", sentence) if candidates else None


def _known(seen: SeenStrip, rule: str, sentence: str) -> Original:
    return Original(seen=seen, note=finding(rule, sentence))


# --- doubts, each one rule -------------------------------------------------------------------


def conflict(claim: Claim, same_number: tuple[SeenStrip, ...]) -> tuple[Finding, ...]:
    """Hold a strip whose number came before with other content.

    It may be released where that puts one strip into no second patient's record: the earlier one has
    not gone (it is stopped or discarded), or it is the same patient's.
    """
    if not claim.is_provable:
        return ()
    against = [each for each in _same_key(claim, same_number) if contradicts(claim.content, each.content)]
    if not against:
        return ()
    seen = against[0]
    has_gone = not (seen.open_stop or seen.discarded)
    is_one_patient = claim.content.patient_id == seen.content.patient_id
    remedy = "" if has_gone else "Compare both strips. Release the right one and discard the other."
    return (
        finding(
            CONFLICT,
            f"Number {claim.key.number} came before with other content: {_differences(claim.content, seen.content)}.",
            releasable=not has_gone or is_one_patient,
            remedy=remedy,
        ),
    )


def purged(claim: Claim, same_number: tuple[SeenStrip, ...]) -> tuple[Finding, ...]:
    """Hold a strip whose number came before, where nothing is left of that strip to compare it with."""
    if not any(each.content.digest and not same_content(claim.content, each.content) for each in _same_key(claim, same_number)):
        return ()
    sentence = f"Number {claim.key.number} came before, so long ago that its values were purged by the site's rule: nothing is left to compare."
    return (finding("copy.purged", sentence),)


def other_time(claim: Claim, same_number: tuple[SeenStrip, ...]) -> tuple[Finding, ...]:
    """Hold a strip that repeats number and content at another time: printed once more, or a counter started again."""
    if not claim.is_provable or not any(_is_other_time(claim, each) for each in _alike_numbered(claim, same_number)):
        return ()
    sentence = f"Number {claim.key.number} came before with the same content and another printed time."
    return (finding("copy.other_time", sentence),)


def replaces_stopped(claim: Claim, same_number: tuple[SeenStrip, ...]) -> tuple[Finding, ...]:
    """Note that an earlier record of this strip, stopped because it was not all understood, still stands."""
    for each in _same_key(claim, same_number):
        is_new = not same_content(claim.content, each.content) and not contradicts(claim.content, each.content)
        if claim.is_provable and each.open_stop and is_new:
            sentence = f"Number {claim.key.number} came before and is stopped; this record says more of the same strip."
            return (finding("copy.replaces_stopped", sentence),)
    return ()


def possible_rerun(claim: Claim, same_patient: tuple[SeenStrip, ...]) -> tuple[Finding, ...]:
    """Hold a strip with another number but the same patient and the same pads within the window."""
    if not any(_alike_other_number(claim, same_patient)):
        return ()
    minutes = int(claim.window.total_seconds() // 60)
    sentence = f"The same patient had a strip with the same values within {minutes} minutes: a copy, or a second strip?"
    return (finding("copy.possible", sentence),)


def run_again(claim: Claim, specimen_id: str, same_patient: tuple[SeenStrip, ...]) -> tuple[Finding, ...]:
    """Hold a strip of a specimen that was run before and whose result is reported: two never stand in one record, and none is chosen by itself.

    An earlier strip that is stopped, or was given up, is no result: then this one is the first that counts. Without a specimen number
    nobody knows that it is one specimen.
    """
    first = next((each for each in reversed(same_patient) if _is_of_specimen(claim, specimen_id, each)), None)
    if first is None:
        return ()
    far = _far_apart(claim.content, first.content)
    compared = (
        f"{far} {'pad lies' if far == 1 else 'pads lie'} more than a step from it"
        if far
        else "no pad lies more than a step from it"
    )
    sentence = f"This specimen was run before, as strip {first.key.number or 'without a number'}, and that result is reported; {compared}."
    return (finding(RUN_AGAIN, sentence),)


def same_id_again(claim: Claim, same_patient: tuple[SeenStrip, ...]) -> tuple[Finding, ...]:
    """Hold a strip that bears the patient ID of the strip just before it and reads otherwise: the ID may have stayed on the analyzer's screen."""
    before = next((each for each in same_patient if _is_just_before(claim, each)), None)
    if before is None or _far_apart(claim.content, before.content) < OTHER_PADS:
        return ()
    sentence = f"Strip {before.key.number}, just before it, bears the same patient ID and reads otherwise: the ID may have stayed from the patient before."
    return (finding("patient.same_again", sentence),)


def doubt(claim: Claim, *, same_number: tuple[SeenStrip, ...], same_record: tuple[SeenStrip, ...]) -> tuple[Finding, ...]:
    """Hold a strip without provable identity whose content came before, however long ago."""
    if not any(_alike_undated(claim, (*same_number, *same_record))):
        return ()
    sentence = (
        "A strip with the same content came before, and this one lacks the number, date or time that would tell them apart."
    )
    return (finding("copy.doubt", sentence),)


def marked_copy(claim: Claim, found: Original | None, same_number: tuple[SeenStrip, ...]) -> tuple[Finding, ...]:
    """Hold a strip that its analyzer marks as a copy while its original is not known here.

    Analyzers mark all that comes from their memory. Where the original is stopped and this record says more of
    it, sending again was the remedy: it goes.
    """
    if not claim.is_marked or found is not None or replaces_stopped(claim, same_number):
        return ()
    return (finding("copy.original_unknown", "The analyzer marks this as a copy, but its original never came."),)


# --- what is alike ---------------------------------------------------------------------------


def _same_key(claim: Claim, same_number: Iterable[SeenStrip]) -> list[SeenStrip]:
    return [each for each in same_number if each.key == claim.key] if claim.key.series else []


def _alike_numbered(claim: Claim, same_number: Iterable[SeenStrip]) -> list[SeenStrip]:
    """Give strips of the same number and the same content, at whatever time."""
    return [each for each in _same_key(claim, same_number) if same_content(claim.content, each.content)]


def _is_other_time(claim: Claim, seen: SeenStrip) -> bool:
    """Say whether two records of one key were read too far apart to be one. Within a dated day the number decides."""
    if claim.is_daily or claim.printed_at is None or seen.printed_at is None:
        return False
    return abs(claim.printed_at - seen.printed_at) > claim.window


def _alike_undated(claim: Claim, seen: Iterable[SeenStrip]) -> list[SeenStrip]:
    """Give strips of the same content that nothing tells apart: this one, or they, carry no full date and time."""
    return [
        each
        for each in seen
        if same_content(claim.content, each.content)
        and each.key.number == claim.key.number
        and not (claim.is_provable and each.printed_at is not None)
    ]


def _alike_other_number(claim: Claim, same_patient: Iterable[SeenStrip]) -> list[SeenStrip]:
    if not claim.content.patient_id or not claim.content.pads:
        return []
    return [
        each
        for each in same_patient
        if each.key != claim.key
        and TEST_MODE not in {each.key.mode, claim.key.mode}  # a test message repeats a live strip by nature
        and not each.discarded
        and each.content.patient_id == claim.content.patient_id
        and each.content.pads == claim.content.pads
        and each.content.strip_type == claim.content.strip_type
        and apart(claim, each) <= claim.window
    ]


def _is_of_specimen(claim: Claim, specimen_id: str, seen: SeenStrip) -> bool:
    is_one = specimen_id != "" and specimen_id == seen.specimen_id and claim.content.patient_id == seen.content.patient_id
    is_live = TEST_MODE not in {claim.key.mode, seen.key.mode}
    is_other_strip = seen.key != claim.key and seen.content.strip_type == claim.content.strip_type
    return is_one and is_live and is_other_strip and seen.is_reported and apart(claim, seen) <= claim.window


def _is_just_before(claim: Claim, seen: SeenStrip) -> bool:
    one, other = claim.key, seen.key
    is_next = one.number.isdigit() and other.number.isdigit() and int(one.number) == int(other.number) + 1
    is_same_count = bool(one.series) and (one.analyzer, one.mode, one.series) == (other.analyzer, other.mode, other.series)
    is_same_patient = claim.content.patient_id != "" and claim.content.patient_id == seen.content.patient_id
    return is_next and is_same_count and is_same_patient and not seen.discarded and apart(claim, seen) <= claim.window


def _far_apart(one: StripContent, other: StripContent) -> int:
    """Count the pads that both strips show, and that lie more than a step apart."""
    if one.strip_type != other.strip_type:
        return 0
    ranks = dict(other.pads)
    return sum(rank >= 0 and ranks.get(pad, -1) >= 0 and abs(rank - ranks[pad]) > 1 for pad, rank in one.pads)


class Timed(Protocol):
    """What was read at a printed time, if that is legible, and arrived; both aware."""

    @property
    def printed_at(self) -> datetime | None:
        """Give the printed time."""

    @property
    def arrived_at(self) -> datetime:
        """Give the time of arrival."""


def apart(claim: Timed, seen: Timed) -> timedelta:
    """Give how far apart two strips are: by their printed times where both have one, else by their arrivals."""
    if claim.printed_at is not None and seen.printed_at is not None:
        return abs(claim.printed_at - seen.printed_at)
    return abs(claim.arrived_at - seen.arrived_at)


def _differences(one: StripContent, other: StripContent) -> str:
    """Name what differs, in words; never the values themselves."""
    pairs = (
        ("patient ID", one.patient_id, other.patient_id),
        ("operator", one.operator, other.operator),
        ("strip type", one.strip_type, other.strip_type),
        ("strip lot", one.strip_lot, other.strip_lot),
    )
    names = [name for name, left, right in pairs if left and right and left != right]
    if one.pads != other.pads:
        names.append("pad values")
    return ", ".join(names)
