"""Whether the analyzer was one whose strips count when a strip was read: in service, sound, set up, and the one it is taken for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from bridge.check.rulebook import finding
from bridge.life import LifeFacts
from bridge.model import Finding, Printed, Severity


def analyzer_fit(
    facts: LifeFacts | None, serial: Printed | None, *, strip_type: str, analyzer: str, power_on: str
) -> tuple[Finding, ...]:
    """Find what speaks against a strip of this analyzer; nothing where nobody said anything of it.

    ``serial`` is as printed, ``strip_type`` our name of the printed one. ``power_on``: what the site wants of a strip type that nobody
    confirmed since the analyzer was switched on (``nothing``, ``note``, ``hold``).
    """
    return () if facts is None else tuple(_found(facts, serial, strip_type, analyzer, power_on))


def _found(facts: LifeFacts, serial: Printed | None, strip_type: str, analyzer: str, power_on: str) -> Iterator[Finding]:
    if serial is not None and serial.text:
        yield from _device(facts, serial, analyzer)
    if facts.out_reason:
        sentence = f"{analyzer} was out of service when this strip was read: {facts.out_reason}."
        yield finding("analyzer.out_of_service", sentence)
    if facts.self_test_failed:
        yield finding("analyzer.self_test", f"The last self-test of {analyzer} before this strip had failed.")
    if power_on != "nothing" and facts.confirmed is not None and facts.confirmed != strip_type:
        confirmed = f"{facts.confirmed} was confirmed" if facts.confirmed else "nobody has confirmed the strip type"
        made = finding(
            "analyzer.strip_type", f"Since {analyzer} was switched on, {confirmed}, and this strip says {strip_type or 'none'}."
        )
        yield made if power_on == "hold" else replace(made, severity=Severity.NOTE)


def _device(facts: LifeFacts, serial: Printed, analyzer: str) -> Iterator[Finding]:
    if facts.serial and serial.text != facts.serial:
        whose = f", that of {facts.elsewhere}" if facts.elsewhere else ""
        sentence = f"The serial number is {serial.text}{whose}, and {facts.serial} stands at {analyzer}."
        yield finding("analyzer.serial", sentence, place=serial.place)
    elif not facts.serial and facts.elsewhere:
        yield finding("analyzer.serial", f"The serial number {serial.text} is that of {facts.elsewhere}.", place=serial.place)
