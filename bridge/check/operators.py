"""Whether a strip's operator number is that of one known person whose training is in date."""

from __future__ import annotations

from dataclasses import replace

from bridge.check.rulebook import finding
from bridge.model import Finding, OperatorFacts, OperatorState, Severity


def operator_right(facts: OperatorFacts | None, number: str, *, stops: bool) -> tuple[Finding, ...]:
    """Find what the register of operators leaves to be desired; nothing where nobody is entered for the analyzer (None).

    Each is a note, unless the site's policy ``stops`` such a strip. ``number`` is as printed.
    """
    if facts is None:
        return ()
    match facts.state:
        case OperatorState.BLANK:
            found = [finding("operator.unknown", "No operator number is printed, so nobody knows who read this strip.")]
        case OperatorState.UNKNOWN:
            found = [finding("operator.unknown", f"The operator number “{number}” is nobody's at this analyzer.")]
        case OperatorState.EXPIRED:
            found = [finding("operator.expired", f"The operator number “{number}” of {facts.name} was not valid on that day.")]
        case OperatorState.COMPETENCY_DUE:
            found = [
                finding("operator.expired", f"The training of {facts.name} (operator number “{number}”) was due before that day.")
            ]
        case OperatorState.KNOWN:
            found = []
    if facts.elsewhere:
        found.append(finding("operator.elsewhere", f"{facts.name} read a strip at {facts.elsewhere} at the same time."))
    return tuple(found if stops else [replace(each, severity=Severity.NOTE) for each in found])
