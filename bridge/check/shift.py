"""Whether a patient's strip stands in a run that may have shifted by one, by the run's facts and the site's policy."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from bridge.bench.shift import Read, RunTerms, broken_by
from bridge.check.rulebook import finding
from bridge.model import Finding, RunFacts, SeriesState, Severity, StripKey
from bridge.tables.types import Policy

RULE = "number.shift"


def terms_of(policy: Policy) -> RunTerms:
    """Give the policy's terms of a run."""
    return RunTerms(pause=timedelta(minutes=policy.run_pause_minutes), jump_limit=policy.jump_limit)


def run_unbroken(
    key: StripKey, read: Read, facts: RunFacts | None, newest: SeriesState | None, policy: Policy
) -> tuple[Finding, ...]:
    """Find that something went missing before the strip inside its run; nothing where the site does not ask for it.

    Once a person has confirmed the run, a note is left of it.
    """
    if facts is None:
        return ()
    cause = facts.broken_by or broken_by(key, read, facts.state, newest, terms_of(policy))
    if not cause:
        return ()
    if facts.confirmed_by:
        sentence = f"Before it in the same run, {cause}. {facts.confirmed_by} confirmed the run."
        return (replace(finding(RULE, sentence, remedy="Nothing to do."), severity=Severity.NOTE),)
    return (finding(RULE, f"Before it in the same run, {cause}: from there on each strip may bear its neighbour's patient ID."),)
