"""What scripts say goes with the page, in its language."""

from __future__ import annotations

import json
import re
from pathlib import Path

from bridge.pages.language import language, speaking
from bridge.pages.script_words import SCRIPT_WORDS, script_words

STATIC = Path(__file__).parents[2] / "bridge" / "pages" / "static"


def test_every_text_of_a_script_goes_with_the_page() -> None:
    """Each that a script says is there, and no other."""
    scripts = "".join(path.read_text(encoding="utf-8") for path in sorted(STATIC.glob("*.js")))
    asked = set(re.findall(r'inWords\("([^"]+)"', scripts))
    asked |= set(re.findall(r'came = stopped \? "([^"]+)" : "([^"]+)"', scripts)[0])
    assert asked == set(SCRIPT_WORDS)


def test_they_are_said_in_the_language_of_the_page() -> None:
    """A script asks nobody else for them."""
    with speaking(language("es")):
        assert json.loads(script_words())["A signal is open"] == "Hay una señal abierta"
    assert json.loads(script_words())["A signal is open"] == "A signal is open"
