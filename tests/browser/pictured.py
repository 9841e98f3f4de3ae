"""What the pictures of docs/ show: each page from a real store, taken in a real browser, the same way for the documentation and in every run of the tests."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page

from bridge.desk.lots import LotDesk
from bridge.model import Actor
from bridge.pages.site import Bench as PagesBench
from bridge.pages.site import ShownWay
from bridge.signals.kinds import Kind
from bridge.signals.machine import SignalState
from bridge.site import example_terms
from tests.bench.controls_for_tests import lot
from tests.bench.shelved import Shelved
from tests.desk.test_entries import PLACE
from tests.journey.running import Running, play, running
from tests.pages.peopled import people
from tests.pages.peopled import serving as peopled
from tests.pages.stocked import GOOD, NOW, OTHER, Stocked
from tests.pages.test_signals import of
from tests.store.signal_contract import MAIL, keep

WIDTH = 1120  # CSS pixels; what a reader's screen takes beside the contents
LARGEST = 150_000  # ours: bytes of one picture in the repository
COLOURS = 128  # ours: the pages have a dozen; the rest are the edges of letters
HOLM = Actor(name="R. Holm", verified="unverified")


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture of docs/: the page of the documentation that shows it, and how it is taken in a tab, with a folder for the store."""

    page: str
    take: Callable[[Page, Path], bytes]


def taken(tab: Page) -> bytes:
    """Give the open page as a PNG of few colours."""
    whole = Image.open(io.BytesIO(tab.screenshot(full_page=True))).convert("RGB")
    small = io.BytesIO()
    whole.quantize(COLOURS, dither=Image.Dither.NONE).save(small, "PNG", optimize=True)
    return small.getvalue()


# --- from a bridge that runs


@contextmanager
def morning(home: Path) -> Iterator[Running]:
    """Let three strips of a morning reach both receivers."""
    with running(home) as bridge:
        bridge.drop("morning.txt", bridge.tern(play(1, GOOD), play(2, OTHER, word="Urgente"), play(3, "40700023")))
        bridge.wait(lambda: len(bridge.records.results) == 3 and bridge.records.filed_reports() == 3)
        bridge.wait(lambda: {state for row in bridge.store.results() for _, state in row.states} == {"accepted"})
        yield bridge


def _way(tab: Page, home: Path) -> bytes:
    with morning(home) as bridge:
        result = next(row for row in bridge.store.results() if row.patient_id == GOOD)
        return _opened(tab, f"{bridge.url}/results/{result.result_id}")


def _receivers(tab: Page, home: Path) -> bytes:
    with morning(home) as bridge:
        return _opened(tab, f"{bridge.url}/receivers")


def _where(tab: Page, home: Path) -> bytes:
    with morning(home) as bridge:
        tab.goto(f"{bridge.url}/find")
        tab.get_by_label("Where is my strip?").fill(OTHER)
        tab.get_by_role("button", name="Find it").click()
        tab.get_by_role("heading", name="Found as patient ID").wait_for()
        return _settled(tab)


# --- from a store that is filled by its own commands


@contextmanager
def stocked(home: Path) -> Iterator[Stocked]:
    """Give a shelf for one picture."""
    shelf = Stocked(home)
    try:
        yield shelf
    finally:
        shelf.close()


def _by_eye(tab: Page, home: Path) -> bytes:
    with stocked(home) as shelf:
        shelf.eyes = (PLACE,)
        with shelf.serving() as visitor:
            tab.goto(f"{visitor.origin}/enter/eye/eyes?strip_type=ten")
            for pad, step in (("Glucose", "Negative"), ("Protein", "1+"), ("Blood", "2+")):
                tab.get_by_role("group", name=pad).get_by_text(step).first.click()
            tab.keyboard.press("Home")
            return _settled(tab)


def _controls(tab: Page, home: Path) -> bytes:
    with stocked(home) as shelf:
        bench = Shelved(shelf.store, gate=True)
        bench.open(expires="2026-12-31")
        for _ in range(2):
            bench.read(bench.control("1")), bench.read(bench.control("2"))
            bench.read(bench.patient())
        bench.read(bench.control("2", blood=0))
        bench.read(bench.patient())
        typed = {key: value for key, value in lot("1", "C1-0900").items() if key not in {"entered", "signed"}}
        LotDesk(shelf.store, bench.tables, lambda: shelf.now).enter(typed, actor=HOLM)
        shelf.now = bench.at + timedelta(minutes=5)
        with shelf.serving(bench=PagesBench(tables=bench.tables, terms=example_terms())) as visitor:
            return _opened(tab, f"{visitor.origin}/controls")


def _signals(tab: Page, home: Path) -> bytes:
    ways = (ShownWay(name="mail", host="mail.example", addresses=1),)
    with stocked(home) as shelf:
        keep(shelf.store, of(Kind.SILENT, "bench-a"), at=NOW)
        keep(shelf.store, of(Kind.RECEIVER, "records", state=SignalState.EASING), replace(MAIL, due_at=NOW), at=NOW)
        keep(shelf.store, of(Kind.STAT, "stop:12"), at=NOW)
        with shelf.serving(ways=ways) as visitor:
            return _opened(tab, f"{visitor.origin}/signals")


def _sign_in(tab: Page, home: Path) -> bytes:
    with stocked(home) as shelf:
        people(shelf)
        with peopled(shelf) as house:
            return _opened(tab, f"http://127.0.0.1:{house.port}/sign-in")


def _opened(tab: Page, address: str) -> bytes:
    tab.goto(address)
    return _settled(tab)


def _settled(tab: Page) -> bytes:
    tab.evaluate("() => document.fonts.ready.then(() => document.activeElement.blur())")  # no ring round a field, no caret
    return taken(tab)


PICTURES: Mapping[str, Picture] = {
    "way.png": Picture("where-is-my-strip.md", _way),
    "where.png": Picture("where-is-my-strip.md", _where),
    "receivers.png": Picture("receivers.md", _receivers),
    "by-eye.png": Picture("forms.md", _by_eye),
    "controls.png": Picture("controls.md", _controls),
    "signals.png": Picture("signals.md", _signals),
    "sign-in.png": Picture("accounts.md", _sign_in),
}
