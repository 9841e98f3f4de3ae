"""Judges a run from its history alone, apart from the service: what was submitted, what was acknowledged, what each receiver holds.

After the idea of a total-queue checker: lost = acknowledged minus received. A submission without an answer may
be there or not; it may never be there under two identities. The service's own word is asked for one thing only: what it
marked as delivered, which the receiver must hold.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Arrived:
    """One message that came to a receiver, in the order in which it came. ``held``: the receiver keeps it for good.

    A message that it dropped or turned away was shown an identity all the same. ``by``: which of several processes sent it, where
    that can be told.
    """

    receiver: str
    strip: str
    patient: str
    control_id: str
    filler: str
    content: bytes
    held: bool = True
    by: str = ""


@dataclass(frozen=True)
class Urgency:
    """How STAT fared beside other patients' routine strips: pairs of them at one receiver. A measure; no promise is broken by it.

    ``overtook``: the STAT strip was submitted later and came first. ``overtaken``: it was submitted earlier and came last.
    """

    overtook: int = 0
    overtaken: int = 0


@dataclass
class History:
    """What the feeders and the receivers wrote down. ``submitted`` maps strip to patient, in order of first submission.

    ``stat`` names the urgent ones among them.
    """

    submitted: dict[str, str] = field(default_factory=dict)
    acknowledged: set[str] = field(default_factory=set)
    arrived: list[Arrived] = field(default_factory=list)
    stat: set[str] = field(default_factory=set)

    def faults(
        self,
        receivers: tuple[str, ...],
        *,
        marked: Iterable[tuple[str, str]] = (),
        excused: Collection[tuple[str, str]] = (),
    ) -> list[str]:
        """Give every breach of the promises, in words; empty if there is none.

        ``marked`` are the (receiver, control ID) that the service says were delivered; ``excused`` the (receiver, strip) that
        were refused or given up and so came before a person, who may have ended them: they may be missing, or late.
        """
        found = []
        for receiver in receivers:
            mine = [a for a in self.arrived if a.receiver == receiver]
            spared = {strip for name, strip in excused if name == receiver}
            found += self._lost(receiver, mine, spared)
            found += self._identities(receiver, mine)
            found += self._order(receiver, [a for a in mine if a.strip not in spared])
            found += self._unfounded(receiver, mine, {number for name, number in marked if name == receiver})
        return found

    def urgency(self, receiver: str) -> Urgency:
        """Count how STAT strips and routine strips of other patients overtook each other at ``receiver``."""
        place = {strip: n for n, strip in enumerate(self.submitted)}
        came = dict.fromkeys(a.strip for a in self.arrived if a.receiver == receiver and a.held)
        order = [(strip, place[strip]) for strip in came if strip in place]
        overtook = overtaken = 0
        for n, (first, first_place) in enumerate(order):
            for second, second_place in order[n + 1 :]:
                if first_place > second_place and self.submitted[first] != self.submitted[second]:
                    overtook += first in self.stat and second not in self.stat
                    overtaken += second in self.stat and first not in self.stat
        return Urgency(overtook=overtook, overtaken=overtaken)

    def _unfounded(self, receiver: str, arrived: list[Arrived], marked: set[str]) -> list[str]:
        held = {a.control_id for a in arrived if a.held}
        return [f"{receiver}: {number} is marked as delivered and not held there" for number in sorted(marked - held)]

    def _lost(self, receiver: str, arrived: list[Arrived], spared: set[str]) -> list[str]:
        there = {a.strip for a in arrived if a.held}
        missing = sorted(self.acknowledged - there - spared)
        lost = [f"{receiver}: strip {strip} was acknowledged and never arrived" for strip in missing]
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
            if a.strip in seen or a.strip not in place or not a.held:
                continue
            seen.add(a.strip)
            if place[a.strip] < last.get(a.patient, -1):
                found.append(f"{receiver}: strip {a.strip} came after a later strip of the same patient")
            last[a.patient] = max(last.get(a.patient, -1), place[a.strip])
        return found
