"""Our own rules for messages: those that no library checks.

What the oracles of ``oracles.py`` find is left to them; the rules here are the ones that both
hl7apy and fhir.resources let pass. Sources stand beside the rules.
"""

from __future__ import annotations

from bridge.model import Format
from bridge.render.fhir_rules import fhir_faults
from bridge.render.hl7_rules import hl7_faults


def faults(fmt: Format, payload: bytes) -> tuple[str, ...]:
    """Give what is wrong with a message, one sentence each, in the order of the message; empty if nothing."""
    return tuple(fhir_faults(fmt, payload) if fmt.is_fhir else hl7_faults(fmt, payload))
