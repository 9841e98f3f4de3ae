"""Rules one by one over a reading and the known facts: what must not go on, and what a person must look at."""

from __future__ import annotations

from bridge.check.declared import abnormal_pads, check_terms, resembles, rules_met
from bridge.check.judgement import Moment, Verdict, check, needs

__all__ = ["Moment", "Verdict", "abnormal_pads", "check", "check_terms", "needs", "resembles", "rules_met"]
