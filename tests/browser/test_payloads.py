"""What an instrument, a file's name or a person's keys can bring in that would like to run: it is text on every page and in every file.

Real sources, each with bytes that its layout allows; then every form of every page, filled with the same; then every page in a browser.
"""

from __future__ import annotations

import contextlib
import csv
import io
import re
import socket
from collections.abc import Iterator
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

import httpx
import pytest
from playwright.sync_api import Browser
from pypdf import PdfReader

from bridge.cli.audit_export import csv_lines
from bridge.demo.printers import printed
from bridge.receive.mllp_listener import MllpReceiver
from bridge.receive.tcp import TcpReceiver
from bridge.store.rows import AuditSearch
from tests.browser.every_page import follow
from tests.browser.watched import Tab
from tests.journey.running import Running, play, running
from tests.pages.stocked import GOOD, Visitor
from tests.receive.independent_sender import IndependentSender

pytestmark = pytest.mark.browser
MARKUP = "<img src=x onerror=window.ran=1><script>window.ran=1</script>'{{7*7}}"  # without the separators of any layout
FORMULA = "=HYPERLINK(1)"
TURNED = "\u202e\u2066" + MARKUP  # right-to-left override and isolate (UAX #9): what follows would be read backwards
BIDI = "\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069"  # UAX #9, section 2: all of its controls
SPREADSHEET = ("=", "+", "-", "@", "\t", "\r")  # OWASP, CSV Injection
KEY = "payloads-0123456789-0123456789"
SOURCES = """\
  - {name: wire, kind: tcp, role: listen, port: 0, link: lis01, analyzer: bench-t, profile: brook}
  - {name: stream, kind: tcp, role: listen, port: 0, link: stream, cut: {by: form_feed}, analyzer: bench-s, profile: heron}
  - {name: network, kind: mllp, port: 0, analyzer: bench-n, profile: dipper}
  - {name: computer, kind: http, analyzer: bench-h, profile: lark, key: {env: KEY_PAYLOADS}, idempotency: optional}
"""
FOUND = """(bidi) => {
  document.querySelectorAll("details").forEach((each) => (each.open = true));
  const isUnseen = (each, name) => name === "value" && (each.type === "hidden" || (each.tagName === "OPTION" && each.text));
  const turns = new RegExp(`[${bidi}]`), faults = window.ran === undefined ? [] : ["a script ran"];
  for (const each of document.querySelectorAll("*")) {
    if (["IMG", "IFRAME", "OBJECT", "EMBED", "BASE", "STYLE"].includes(each.tagName)) faults.push(each.outerHTML.slice(0, 200));
    if (each.tagName === "SCRIPT" && !each.getAttribute("src")?.startsWith("/static/")) faults.push(each.outerHTML.slice(0, 200));
    for (const { name, value } of each.attributes) {
      if (name.startsWith("on") || /^\\s*javascript:/i.test(value) || (turns.test(value) && !isUnseen(each, name))) faults.push(`${each.tagName} ${name}=${value}`);
    }
  }
  const walker = document.createTreeWalker(document, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) if (turns.test(walker.currentNode.data)) faults.push(`turned: ${walker.currentNode.data.slice(0, 99)}`);
  return faults;
}"""
# Sends every form of the page as a person would who types the same into each empty field; gives the pages that answered
SEND = """async ([markup, formula]) => {
  const answers = [];
  for (const form of document.querySelectorAll("main form[method=post]")) {
    const fields = new FormData();
    for (const each of form.elements) {
      if (!each.name || each.disabled) continue;
      if (each.type === "file") fields.append(each.name, new Blob([markup]), markup);
      else if (each.tagName === "SELECT") fields.append(each.name, [...each.options].map((option) => option.value).find((value) => value) ?? "");
      else if (each.type === "checkbox" || each.type === "radio") fields.append(each.name, each.value);
      else if (each.type === "hidden" || each.value) fields.append(each.name, each.value);
      else if (each.type === "date") fields.append(each.name, "2027-01-31");
      else if (each.type === "datetime-local") fields.append(each.name, "2026-11-25T09:00");
      else if (each.type === "number") fields.append(each.name, each.min || "1");
      else fields.append(each.name, each.name.includes("lot") ? formula : markup);
    }
    const body = form.enctype === "multipart/form-data" ? fields : new URLSearchParams([...fields]);
    const answer = await fetch(form.action, { method: "POST", body });
    answers.push([new URL(form.action).pathname, answer.status, await answer.text()]);
  }
  return answers;
}"""
PARSED = """(html) => {
  const page = new DOMParser().parseFromString(html, "text/html");
  return [...page.querySelectorAll("img, iframe, script:not([src^='/static/']), [onerror], [onload], [onfocus]")].map((each) => each.outerHTML);
}"""


@pytest.fixture(scope="module")
def bridge(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """Run a whole bridge into which every way has brought what would like to run."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("KEY_PAYLOADS", KEY)
        with running(tmp_path_factory.mktemp("payloads"), sources=SOURCES) as bridge:
            _by_file(bridge)
            _by_line(bridge)
            _by_stream(bridge)
            _by_network(bridge)
            _by_post(bridge)
            analyzers = {"bench-b", "bench-t", "bench-s", "bench-n", "bench-h"}
            bridge.wait(lambda: {strip.analyzer for strip in bridge.store.strips(limit=500)} >= analyzers)
            bridge.wait(lambda: all(bridge.store.next_intake(each) is None for each in analyzers))
            yield bridge


def _strips(bridge: Running, profile: str, word: str, strip_type: str, value: bytes, *, turned: bool = False) -> list[bytes]:
    """Give a strip with the payload in what is beside the patient ID, one with it there, and one with it as a pad's value."""
    made = bridge.bridge.tables.profiles[profile]
    texts = []
    for number in (1, 2, 3):
        marks = {"lot": "LOTX", "operator": "OPX", "specimen_id": "SPX", "patient_name": "NAMEX"}
        strip = play(number, "PATX", word=word, strip_type=strip_type, **marks)
        texts.append(printed([strip], made, bridge.bridge.tables))
    markup = (TURNED if turned else MARKUP).encode(made.charset)
    lot, specimen = FORMULA.encode(), b"+" + markup
    first = _with(texts[0], PATX=GOOD.encode(), LOTX=b"24A01", OPX=markup, SPX=FORMULA.encode(), NAMEX=markup)
    second = _with(texts[1], PATX=markup, LOTX=lot, OPX=b"07", SPX=specimen, NAMEX=b"")
    third = _with(texts[2], PATX=GOOD.encode(), LOTX=lot, OPX=b"07", SPX=b"U-1", NAMEX=b"")
    assert value in third
    return [first, second, third.replace(value, markup, 1)]


def _with(text: bytes, **marks: bytes) -> bytes:
    for mark, payload in marks.items():
        text = text.replace(mark.encode(), payload)
    return text


def _by_file(bridge: Running) -> None:
    for number, text in enumerate(_strips(bridge, "tern", "Rotina", "pebble-2", b";15;")):
        bridge.drop(f"{number}{MARKUP.replace('/', '')}.txt", text.rstrip(b"\r\n") + MARKUP.encode() + b"\r\n")
    bridge.drop(f"{TURNED.replace('/', '')}.txt", TURNED.encode())


def _by_line(bridge: Running) -> None:
    with _connected(bridge, "wire") as wire:
        for text in _strips(bridge, "brook", "N", "quill-10", b"|NEG|"):
            commented = text.replace(b"L|1|N\r", b"C|1|I|" + MARKUP.encode() + b"|G\rL|1|N\r")
            assert IndependentSender(wire.fileno(), patience_s=30).send([line + b"\r" for line in commented.split(b"\r")[:-1]])


def _by_stream(bridge: Running) -> None:
    with _connected(bridge, "stream") as wire:
        for text in _strips(bridge, "heron", "ward", "quill-10", b";neg;", turned=True):
            wire.sendall(text + b"\x0c")


def _by_network(bridge: Running) -> None:
    with _connected(bridge, "network") as wire:
        for text in _strips(bridge, "dipper", "", "quill-10", b"|NEG|"):
            wire.sendall(b"\x0b" + text + b"NTE|1||" + MARKUP.encode() + b"\r\x1c\r")
            heard = b""
            while not heard.endswith(b"\x1c\r"):
                heard += wire.recv(4_096)


def _by_post(bridge: Running) -> None:
    headers = {"authorization": f"Bearer {KEY}", "content-type": "application/json"}
    for text in _strips(bridge, "lark", "", "quill-10", b'"NEG"', turned=True):
        body = (
            text
            if text.count(b'"value": "') == 10
            else text.replace(b'"value": ' + TURNED.encode(), f'"value": "{TURNED}"'.encode())
        )
        answer = httpx.post(f"{bridge.url}/api/readings", content=body, headers=headers, timeout=30)
        assert answer.status_code == 202, answer.text


@contextlib.contextmanager
def _connected(bridge: Running, name: str) -> Iterator[socket.socket]:
    source = bridge.bridge.sources[name]
    assert isinstance(source, TcpReceiver | MllpReceiver)
    bridge.wait(lambda: source.address)
    assert source.address is not None
    with socket.create_connection(source.address, timeout=30) as wire:
        yield wire


@pytest.fixture(scope="module")
def visitor(bridge: Running) -> Iterator[Visitor]:
    with httpx.Client(base_url=bridge.url, timeout=30) as client:
        yield Visitor(client, bridge.port)


def test_nothing_that_came_in_runs(bridge: Running, visitor: Visitor, browser: Browser) -> None:
    """No script ran, no element was made, no direction was turned, on any page; nor in what a refused form says.

    Of each sort of page the first one's forms are sent; then all pages are looked at, with what was typed.
    """
    first = {_sort(address): address for address in reversed(follow(visitor, bridge.bridge.pages).pages)}
    shown_on = set()
    with Tab(browser, allowed=("Failed to load resource",)) as tab:
        for address in first.values():
            tab.goto(visitor.origin + address)
            for path, status, text in tab.evaluate(SEND, [TURNED, FORMULA]):
                assert status < 500, path
                assert tab.evaluate(PARSED, text) == [], path
        for address in follow(visitor, bridge.bridge.pages).pages:
            tab.goto(visitor.origin + address)
            assert tab.evaluate(FOUND, BIDI) == [], address
            if MARKUP in (tab.locator("main").text_content() or ""):
                shown_on.add(_sort(address))
    # what came in stands there to be read: the check is of pages that had something to check
    assert shown_on >= {"/rejected", "/rejected/N", "/results/N", "/strips/N", "/audit", "/numbers", "/signals", "/days/N"}


def _sort(address: str) -> str:
    return re.sub(r"/[^/]*\d[^/]*", "/N", address.partition("?")[0])


def test_what_is_taken_away_computes_nothing(bridge: Running, visitor: Visitor) -> None:
    """No cell of a table is a formula to a spreadsheet; a PDF holds no script and no address; the API says that it is no page."""
    files = follow(visitor, bridge.bridge.pages).files
    address = f"/lots/strips.csv?{urlencode({'strip_type': 'quill-10', 'strip_lot': FORMULA})}"
    tables = [visitor.get(each).text for each in {address, *(each for each in files if ".csv" in each)}]
    trail = bridge.store.audit(AuditSearch(), limit=1_000)
    tables.append("".join(csv_lines(trail, ZoneInfo("Europe/Lisbon"))))
    cells = [cell for table in tables for row in csv.reader(io.StringIO(table)) for cell in row]
    assert [cell for cell in cells if cell.startswith(SPREADSHEET)] == []
    assert f"'+{MARKUP}" in cells
    pdf = visitor.get(next(each for each in files if each.startswith("/days/"))).content
    assert [mark for mark in (b"/JavaScript", b"/JS", b"/URI", b"/OpenAction") if mark in pdf] == []
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)
    assert re.search(f"[{BIDI}]", text) is None
    for path in ("/api/stops", "/api/strips", "/api/results"):
        headers = visitor.get(path).headers
        assert (headers["content-type"], headers["x-content-type-options"]) == ("application/json", "nosniff")
