"""Judges a run from its history alone, apart from the service: what was submitted, what was acknowledged, what each receiver holds.

After the idea of a total-queue checker: lost = acknowledged minus received. A submission without an answer may
be there or not; it may never be there under two identities.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Arrived:
    """One message that a receiver took, in the order in which it came."""

    receiver: str
    strip: str
    patient: str
    control_id: str
    filler: str
    content: bytes


@dataclass
class History:
    """What the feeders and the receivers wrote down. ``submitted`` maps strip to patient, in order of first submission."""

    submitted: dict[str, str] = field(default_factory=dict)
    acknowledged: set[str] = field(default_factory=set)
    arrived: list[Arrived] = field(default_factory=list)

    def faults(self, receivers: tuple[str, ...]) -> list[str]:
        """Give every breach of the promises, in words; empty if there is none."""
        found = []
        for receiver in receivers:
            mine = [a for a in self.arrived if a.receiver == receiver]
            found += self._lost(receiver, mine)
            found += self._identities(receiver, mine)
            found += self._order(receiver, mine)
        return found

    def _lost(self, receiver: str, arrived: list[Arrived]) -> list[str]:
        there = {a.strip for a in arrived}
        lost = [f"{receiver}: strip {strip} was acknowledged and never arrived" for strip in sorted(self.acknowledged - there)]
        return lost + [
            f"{receiver}: strip {strip} arrived and was never submitted" for strip in sorted(there - self.submitted.keys())
        ]

    def _identities(self, receiver: str, arrived: list[Arrived]) -> list[str]:
        by_strip: dict[str, set[tuple[str, str, bytes]]] = defaultdict(set)
        by_number: dict[str, set[str]] = defaultdict(set)
        for a in arrived:
            by_strip[a.strip].add((a.control_id, a.filler, a.content))
            by_number[f"control ID {a.control_id}"].add(a.strip)
            by_number[f"result {a.filler}"].add(a.strip)
            if self.submitted.get(a.strip) not in {None, a.patient}:
                by_strip[a.strip].add(("wrong patient", a.patient, b""))
        found = [
            f"{receiver}: strip {strip} came under {len(ids)} identities: {sorted(i[:2] for i in ids)}"
            for strip, ids in by_strip.items()
            if len(ids) > 1
        ]
        return found + [
            f"{receiver}: {number} was given to {sorted(strips)}" for number, strips in by_number.items() if len(strips) > 1
        ]

    def _order(self, receiver: str, arrived: list[Arrived]) -> list[str]:
        """Within a patient, first arrivals must follow the order of submission."""
        place = {strip: n for n, strip in enumerate(self.submitted)}
        last: dict[str, int] = {}
        seen: set[str] = set()
        found = []
        for a in arrived:
            if a.strip in seen or a.strip not in place:
                continue
            seen.add(a.strip)
            if place[a.strip] < last.get(a.patient, -1):
                found.append(f"{receiver}: strip {a.strip} came after a later strip of the same patient")
            last[a.patient] = max(last.get(a.patient, -1), place[a.strip])
        return found
