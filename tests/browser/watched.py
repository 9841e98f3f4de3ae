"""A browser tab that is watched: what a person would not notice (a console error, a blocked file) fails the test."""

from __future__ import annotations

from types import TracebackType
from typing import Any

from playwright.sync_api import Browser, ConsoleMessage, Dialog, Page


class Tab:
    """One tab of its own context. ``allowed`` are beginnings of console errors that the test means to cause."""

    def __init__(self, browser: Browser, *, width: int = 1280, allowed: tuple[str, ...] = (), **context: Any) -> None:
        self._context = browser.new_context(viewport={"width": width, "height": 900}, **context)
        self._allowed = allowed
        self.faults: list[str] = []

    def __enter__(self) -> Page:
        """Open the tab."""
        page = self._context.new_page()
        page.set_default_timeout(60_000)
        page.on("console", self._heard)
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.on("dialog", self._asked)
        page.on("requestfailed", lambda request: self._note(f"{request.url}: {request.failure}"))
        return page

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Close the tab; fail if it had anything to say and the test has not failed already."""
        self._context.close()
        if error is None:
            assert self.faults == [], self.faults

    def _heard(self, message: ConsoleMessage) -> None:
        if message.type in {"error", "warning"}:
            self._note(message.text)

    def _note(self, fault: str) -> None:
        is_left = fault.endswith("net::ERR_ABORTED")  # the test went on to another page while this one was loading its icon
        if not is_left and not any(fault.startswith(each) for each in self._allowed):
            self.faults.append(fault)

    def _asked(self, dialog: Dialog) -> None:
        self.faults.append(f"a dialog: {dialog.message}")
        dialog.dismiss()
