"""The clinic morning: what four analyzers read between 08:00 and 11:30, and what must become of it.

Everything is invented. The truth below is written by hand from the story, not computed by the bridge.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from bridge.demo.printers import Play
from bridge.desk.entries import EyeEntry
from bridge.identity.check_digits import luhn_agrees

ZONE = ZoneInfo("Europe/Lisbon")
UNKNOWN_TO_RECORDS = "40760001"  # a good ID under which the record system has nobody
MISTYPED_FROM, MISTYPED = "40711822", "40711282"  # two digits changed places: the check digit tells


@dataclass(frozen=True, kw_only=True, slots=True)
class Drop:
    """One file of the second analyzer; ``keep`` cuts it to that share of its bytes, as a pulled cable would."""

    plays: tuple[Play, ...]
    keep: float = 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Truth:
    """What the morning must come to."""

    received: int
    sent_on: int
    copies: int
    controls: int
    held: int
    rejected: int
    missing: tuple[str, ...]
    refused: int
    filed_hl7: int
    filed_fhir: int


TRUTH = Truth(
    received=76,  # 35 from bench-a, 26 from bench-b, counting the reprint and the torn strip, 8 from bench-c, 6 from bench-d, 1 by eye
    sent_on=65,
    copies=1,  # the reprint; what bench-c and bench-d send twice is the same message or post, and is taken once
    controls=6,
    held=1,  # the strip read by eye waits for a second person
    rejected=3,  # mistyped ID, unit mix-up, torn strip
    missing=("bench-a 117",),
    refused=1,
    filed_hl7=64,
    filed_fhir=65,
)


def morning_of(now: datetime) -> date:
    """Give the day whose morning has passed: today after noon, else yesterday."""
    local = now.astimezone(ZONE)
    return local.date() if local.hour >= 12 else local.date() - timedelta(days=1)


def patient(number: int) -> str:
    """Give the ``number``-th invented patient ID: eight digits, the last a Luhn check digit."""
    body = f"4070{number:03}"
    return next(f"{body}{digit}" for digit in range(10) if luhn_agrees(f"{body}{digit}"))


def _at(day: date, minutes: int) -> datetime:
    return datetime.combine(day, time(8), tzinfo=ZONE) + timedelta(minutes=minutes)


def _ranks(n: int) -> Mapping[str, int]:
    """Give one of a few invented patterns of steps; most strips are unremarkable."""
    patterns: tuple[Mapping[str, int], ...] = (
        {"ph": 2, "specific_gravity": 3},
        {"ph": 1, "specific_gravity": 4, "protein": 1},
        {"ph": 3, "specific_gravity": 2},
        {"ph": 2, "specific_gravity": 2, "leukocytes": 2, "nitrite": 1},
        {"ph": 1, "specific_gravity": 3, "glucose": 2, "ketones": 1},
        {"ph": 2, "specific_gravity": 1, "blood": 2},
    )
    return patterns[n % len(patterns)]


CONTROL_LOW: Mapping[str, int] = {"ph": 1, "specific_gravity": 1}
CONTROL_HIGH: Mapping[str, int] = {
    "ph": 3,
    "specific_gravity": 3,
    "glucose": 2,
    "protein": 2,
    "blood": 2,
    "ketones": 2,
    "nitrite": 1,
    "leukocytes": 2,
}


def bench_a(day: date) -> list[Play]:
    """Give the first analyzer's morning: numbers from 101, one never sent, one sent twice."""
    plays = [
        Play(number=101, at=_at(day, 0), word="C", strip_type="quill-10", patient_id="CTRL-LOW", ranks=CONTROL_LOW),
        Play(number=102, at=_at(day, 3), word="C", strip_type="quill-10", patient_id="CTRL-HIGH", ranks=CONTROL_HIGH),
    ]
    for n in range(33):
        number = 103 + n
        if number == 117:
            continue
        plays.append(
            Play(
                number=number,
                at=_at(day, 10 + 5 * n),
                word="S" if number in {112, 128} else "N",
                strip_type="sedge-5" if n % 7 == 6 else "quill-10",
                patient_id={109: MISTYPED, 121: UNKNOWN_TO_RECORDS}.get(number, patient(n)),
                specimen_id=f"U26-{number:04}",
                patient_name="ALDER^JONA" if number == 103 else "",
                ranks=_ranks(n),
                other_units=number == 125,
            )
        )
    reprint = next(play for play in plays if play.number == 110)
    plays.insert(12, Play(**{name: getattr(reprint, name) for name in Play.__slots__} | {"is_copy": True}))
    return plays


def bench_b(day: date) -> list[Drop]:
    """Give the second analyzer's files: numbers from 1 each day, the last file torn in its last strip."""
    controls = (
        Play(number=1, at=_at(day, 1), word="Controlo", strip_type="plover-12", operator="3", lot="31P04", ranks=CONTROL_LOW),
        Play(number=2, at=_at(day, 4), word="Controlo", strip_type="plover-12", operator="3", lot="31P04", ranks=CONTROL_HIGH),
    )
    plays = [
        Play(
            number=n,
            at=_at(day, 8 + 6 * n),
            word="Urgente" if n == 14 else "Rotina",
            strip_type="pebble-2" if n % 9 == 0 else "plover-12",
            operator="3",
            lot="31R02" if n % 9 == 0 else "31P04",
            patient_id=patient(300 + n),
            ranks=_ranks(n),
        )
        for n in range(3, 27)
    ]
    drops = [Drop(plays=controls)] + [Drop(plays=tuple(plays[n : n + 3])) for n in range(0, 24, 3)]
    drops[-1] = Drop(plays=drops[-1].plays, keep=0.9)
    return drops


NURSE = "Rita Falcão"  # invented
# By pad the rank of the step that the nurse saw
_SEEN: Mapping[str, int] = {"ph": 2, "specific_gravity": 3, "blood": 2, "protein": 2, "nitrite": 1, "leukocytes": 2}
_OTHERS = ("glucose", "bilirubin", "ketones", "urobilinogen")


def read_by_eye(number: int) -> EyeEntry:
    """Give the one strip of the morning that a person read."""
    who, specimen = patient(700), "U26-0700"
    return EyeEntry(
        number=number, strip_type="ten", purpose="ward", strip_lot="22D31", operator="R4", patient_id=who, patient_again=who,
        specimen_id=specimen, specimen_again=specimen, ranks={**dict.fromkeys(_OTHERS, 0), **_SEEN},
    )  # fmt: skip


SAID_TWICE = frozenset({4})  # numbers of bench-c and bench-d whose answer is lost on the way: sent again, the same bytes


def bench_c(day: date) -> list[Play]:
    """Give the morning of the third analyzer, which speaks HL7 over the network: a control, then seven patients, one of them STAT."""
    return _small_bench(day, last=8, control="Q", stat=(6, "S"), patients_from=500)


def bench_d(day: date) -> list[Play]:
    """Give the morning of the fourth analyzer, whose computer posts each strip: a control, then five patients."""
    return _small_bench(day, last=6, control="control", stat=(5, "stat"), patients_from=600)


def _small_bench(day: date, *, last: int, control: str, stat: tuple[int, str], patients_from: int) -> list[Play]:
    first = Play(number=1, at=_at(day, 2), word=control, strip_type="quill-10", specimen_id="CTRL-LOW", ranks=CONTROL_LOW)
    strips = [
        Play(
            number=n,
            at=_at(day, 5 + 20 * n),
            word=stat[1] if n == stat[0] else "",
            strip_type="sedge-5" if n % 3 == 0 else "quill-10",
            patient_id=patient(patients_from + n),
            specimen_id=f"U26-{patients_from + n}",
            ranks=_ranks(n),
        )
        for n in range(2, last + 1)
    ]
    return [first, *strips]
