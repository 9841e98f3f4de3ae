"""One edition of the templates a language, side by side."""

from __future__ import annotations

from gettext import NullTranslations
from pathlib import Path

from bridge.pages.editions import Editions
from bridge.pages.language import language_of, speaking


class French(NullTranslations):
    """One text."""

    def gettext(self, message: str) -> str:
        return {"Held by {name}": "Retenu par {name}"}.get(message, message)


def test_each_request_has_the_edition_of_its_language(tmp_path: Path) -> None:
    """The English edition is the template as it is written; names and escaping are the same in each."""
    (tmp_path / "page.html").write_text("<p>Held by {{ who(name) }}</p>\n")
    editions = Editions(tmp_path, {"who": str.upper})
    with speaking(language_of("fr", French())):
        assert editions.text("page.html", {"name": "a<"}) == "<p>Retenu par A&lt;</p>"
    assert editions.text("page.html", {"name": "a<"}) == "<p>Held by A&lt;</p>"
    with speaking(language_of("fr", French())):
        assert editions.text("page.html", {"name": "b"}) == "<p>Retenu par B</p>"
