"""What the pages' scripts say, in the language of the page: given with the page, since a script knows no catalogue."""

from __future__ import annotations

import json

from bridge.pages.language import _, later

SCRIPT_WORDS = (
    later("No field was chosen: what was scanned went nowhere. Choose the field and scan again, or find the strip"),
    later("{count} or more"),
    later("{count} new since you opened this page. Show"),
    later("{count} new since you opened this page, {stopped} stopped. Show"),
    later("A receiver or a signal changed since you opened this page. Show"),
    later("Padpost cannot say what is new. Open Today"),
    later("Padpost does not answer. What you see may be old. Try again"),
    later("{time} since dipping"),
    later("{pad} at {seconds} s"),
    later("A scan came while a pad was chosen: no step was set by it. Choose its field and scan again."),
    later("A signal is open"),
    later("{count} signals are open"),
    later("{words}. Click anywhere to let this page sound"),
)


def script_words() -> str:
    """Give the scripts' texts by their English ones, as JSON."""
    return json.dumps({english: _(english) for english in SCRIPT_WORDS}, ensure_ascii=False)
