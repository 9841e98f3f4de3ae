"""Write docs/hazards.md anew: ``python -m tests.hazards``."""

from __future__ import annotations

import sys

from tests.hazards.page import PAGE, answers, faults, lost, page, shown

wrong = [*faults(answers()), *(f"{test} is not there." for test in lost(shown()))]
if wrong:
    sys.exit("\n".join(wrong))
PAGE.write_text(page(), encoding="utf-8")
