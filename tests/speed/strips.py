"""The benchmarks' strips: number i is always the same strip, whoever reads it. Twelve pads, one line or one LIS2 message each.

Origin: the synthetic records of the peers that were given with the task, with our own values (ladders of mappings/strip_types/ember-12.yaml).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

ANALYZERS = 8
OWN_PATIENTS = (
    60_000_000  # strips from this number on have a patient each: urgent ones that must not wait behind their own patient's
)
PATIENTS = 500  # of one analyzer: a patient's strips stand some way apart, as in a day's work
COLUMNS = ("number", "specimen", "patient", "name", "born", "sex", "at", "strip_type")
GRADES = ("Negative", "Trace", "1+", "2+", "3+")
PLAIN = ("Negative", "1+", "2+", "3+")
PADS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("pH", ("4.8", "5.6", "6.3", "7.1", "7.9", "8.7")),
    ("SG", ("1.007", "1.013", "1.020", "1.027", "1.034")),
    ("PRO", GRADES),
    ("GLU", GRADES),
    ("KET", GRADES),
    ("BIL", PLAIN),
    ("URO", ("0.7", "2.2", "5.5", "9.5")),
    ("BLD", PLAIN),
    ("NIT", ("Negative", "Positive")),
    ("LEU", PLAIN),
    ("COL", ("Yellow", "Amber")),
    ("CLA", ("Clear", "Cloudy")),
)
_SPREAD = 2_654_435_761  # Knuth's multiplicative hash, 2**32 over the golden ratio: neighbours get unlike values


@dataclass(frozen=True, slots=True)
class Strips:
    """Makes the strips of one run; ``began`` is when the first was read (UTC), a second an analyzer's strip."""

    began: datetime

    def values(self, number: int, *, stat: bool = False) -> dict[str, str]:
        """Give what strip ``number`` (from 0) says, by column and pad."""
        place = number // ANALYZERS
        seed = number * _SPREAD % 2**32
        values = {
            "number": f"{'S' if stat else 'N'}{place + 1:07d}",
            "specimen": f"U{number:08d}",
            "patient": patient_of(number),
            "name": "DOE^JANE",
            "born": "19800101",
            "sex": "F",
            "at": (self.began + timedelta(seconds=place)).strftime("%Y%m%d%H%M%S"),
            "strip_type": "E12",
        }
        for label, printed in PADS:
            seed, step = divmod(seed, len(printed))
            values[label] = printed[step]
        return values

    def line(self, number: int, *, stat: bool = False) -> bytes:
        """Give the strip as one line of comma-separated text."""
        return ",".join(self.values(number, stat=stat).values()).encode() + b"\r\n"

    def records(self, number: int) -> list[bytes]:
        """Give the strip as the records of one LIS02-A2 message."""
        of = self.values(number)
        results = [f"R|{place}|^^^{label}|{of[label]}|||||F||||{of['at']}" for place, (label, _) in enumerate(PADS, 1)]
        texts = [
            f"H|\\^&|||EMBER|||||||P|LIS2-A2|{of['at']}",
            f"P|1||{of['patient']}||{of['name']}||{of['born']}|{of['sex']}",
            f"O|1|{of['specimen']}|{of['number']}|^^^{of['strip_type']}",
            *results,
            "L|1|N",
        ]
        return [text.encode() + b"\r" for text in texts]


def patient_of(number: int) -> str:
    """Give the patient of strip ``number``: eight digits, each patient always on the same analyzer."""
    if number >= OWN_PATIENTS:
        return str(number)
    analyzer, place = number % ANALYZERS, number // ANALYZERS
    return f"{40_000_000 + analyzer * 100_000 + place % PATIENTS}"


def out_of_order(numbers: Iterable[int]) -> int:
    """Count the arrivals that come before an earlier strip of the same patient."""
    last: dict[str, int] = defaultdict(lambda: -1)
    faults = 0
    for number in numbers:
        patient = patient_of(number)
        faults += number < last[patient]
        last[patient] = max(last[patient], number)
    return faults
