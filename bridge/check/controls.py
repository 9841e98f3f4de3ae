"""Whether the controls of a patient's strip were done and right, and whether a control is one, by what is known and the site's policy."""

from __future__ import annotations

from dataclasses import dataclass, replace

from bridge.check.rulebook import finding
from bridge.model import Finding, GateFacts, Severity
from bridge.tables.control_table import GatePolicy, ShutDoes

DUE = "controls.due"
FAILED = "controls.failed"
LIKE_PATIENT = "purpose.like_patient"
RULES = frozenset({DUE, FAILED})

_GO_BY_THEMSELVES = "Run every level of the controls. This result goes by itself once all of them have passed."


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlKnown:
    """What people entered the texts of a control strip as: the patient's place and the specimen's, "" for nothing; and whether one is registered."""

    patient_id: str
    specimen_id: str
    is_registered: bool = False

    @property
    def is_known(self) -> bool:
        """Say whether anybody entered one of them for something."""
        return self.is_registered or bool(self.patient_id or self.specimen_id)


def controls_right(gate: GateFacts | None, policy: GatePolicy | None, *, analyzer: str) -> tuple[Finding, ...]:
    """Find what the controls of the strip's analyzer and lot leave to be desired; nothing where the site has no policy.

    A strip that was read between a failed control and its repair is held for a person, whether results wait or are held otherwise.
    """
    if gate is None or policy is None:
        return ()
    if gate.state.is_failure or gate.in_doubt:
        found = finding(FAILED, f"Controls of {analyzer} failed, and this strip was read before that was put right.")
    elif not gate.state.may_go:
        waits = policy.shut is ShutDoes.WAIT
        sentence = f"The controls of {analyzer} for this lot of strips are still to pass."
        found = finding(DUE, sentence, remedy=_GO_BY_THEMSELVES if waits else "")
    elif gate.is_behind and policy.shut is ShutDoes.WAIT:
        sentence = "An earlier strip of this patient waited for the controls, and goes first."
        found = finding(DUE, sentence, remedy="Nothing is to be done: this result goes by itself after it.")
    else:
        return ()
    return (replace(found, severity=Severity.NOTE) if policy.shut is ShutDoes.NOTE else found,)


def not_a_patients(known: ControlKnown, policy: GatePolicy | None, *, is_patients: bool) -> tuple[Finding, ...]:
    """Hold a strip that was read as a control, bears an ID that is built like a patient's (``is_patients``), and names no lot that anybody entered.

    Nothing where the site has no policy for controls: it entered no lots by which a control could be told.
    """
    if policy is None or not is_patients or known.is_known:
        return ()
    return (
        finding(
            LIKE_PATIENT,
            "It was read as a control, bears an ID that is built like a patient's, and names no lot of controls that was entered.",
        ),
    )
