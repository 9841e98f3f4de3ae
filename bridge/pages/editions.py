"""The templates in every language that the site speaks: one edition a language, made as it is first asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse, Response
from jinja2 import Environment, FileSystemLoader, select_autoescape

from bridge.pages.language import ENGLISH, Language, spoken
from bridge.pages.sentences import Speaking


class Editions:
    """Gives pages in the language of the request. ``names`` are what every template may use."""

    def __init__(self, directory: Path, names: Mapping[str, Any], *, reach: Callable[[str], str] = str) -> None:
        """``reach`` is given each page, and gives it as far as it is for who asked for it."""
        self._loader = FileSystemLoader(directory)
        self._names = names
        self._reach = reach
        self._made: dict[str, Environment] = {}

    def page(self, request: Request, name: str, values: dict[str, Any], *, status: int = 200) -> Response:
        """Give a page as the answer to a request."""
        made = self._edition().get_template(name).render({"request": request, **values})
        return HTMLResponse(self._reach(made), status_code=status)

    def text(self, name: str, values: Mapping[str, Any]) -> str:
        """Give a page's text."""
        return self._edition().get_template(name).render(values)

    def _edition(self) -> Environment:
        language = spoken()
        made = self._made.get(language.tag)
        if made is None:
            made = self._made[language.tag] = self._new(language)  # two threads may make it: both are the same
        return made

    def _new(self, language: Language) -> Environment:
        """Make an edition. The English one is the templates as they are written."""
        kind = Environment if language is ENGLISH else Speaking
        environment = kind(autoescape=select_autoescape(), loader=self._loader, trim_blocks=True, lstrip_blocks=True)
        if isinstance(environment, Speaking):
            environment.language = language
        environment.globals.update(self._names)
        return environment
