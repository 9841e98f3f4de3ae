"""What the register says becomes a note, or a hold where the site wants it."""

from __future__ import annotations

import pytest

from bridge.check.operators import operator_right
from bridge.model import OperatorFacts, OperatorState, Severity

S = OperatorState


@pytest.mark.parametrize(
    ("facts", "told"),
    [
        (None, []),
        (OperatorFacts(state=S.KNOWN, name="Ana"), []),
        (
            OperatorFacts(state=S.BLANK),
            [("operator.unknown", "No operator number is printed, so nobody knows who read this strip.")],
        ),
        (OperatorFacts(state=S.UNKNOWN), [("operator.unknown", "The operator number “12” is nobody's at this analyzer.")]),
        (
            OperatorFacts(state=S.EXPIRED, name="Ana"),
            [("operator.expired", "The operator number “12” of Ana was not valid on that day.")],
        ),
        (
            OperatorFacts(state=S.COMPETENCY_DUE, name="Ana"),
            [("operator.expired", "The training of Ana (operator number “12”) was due before that day.")],
        ),
        (
            OperatorFacts(state=S.KNOWN, name="Ana", elsewhere="bench-b"),
            [("operator.elsewhere", "Ana read a strip at bench-b at the same time.")],
        ),
    ],
)
def test_each_state_has_its_sentence(facts: OperatorFacts | None, told: list[tuple[str, str]]) -> None:
    """Hazard HZ-D15, near miss and hits; a note by default, a hold that a person may pass over where the site says hold."""
    noted, held = (operator_right(facts, "12", stops=stops) for stops in (False, True))
    assert [(each.rule, each.sentence) for each in noted] == [(each.rule, each.sentence) for each in held] == told
    assert {each.severity for each in noted} <= {Severity.NOTE}
    assert all(each.severity is Severity.HOLD and each.releasable for each in held)
