"""The page Try out: upload or paste, and what is shown; nothing is kept."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.demo.printers import Play, framed, printed
from bridge.model import Format
from bridge.pages.site import Bench
from bridge.pages.try_out import pasted
from bridge.pages.words import CONTROL_WORDS
from bridge.site import example_terms
from tests.pages.stocked import Stocked, Visitor
from tests.tables.shipped_tables import tables

BROOK = tables().profiles["brook"].example.payload
TERN = tables().profiles["tern"].example.payload


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Stocked]:
    shelf = Stocked(tmp_path)
    yield shelf
    shelf.close()


@pytest.fixture
def visitor(shelf: Stocked) -> Iterator[Visitor]:
    with shelf.serving() as visitor:
        yield visitor


def tried(visitor: Visitor, *, file: bytes | None = None, **fields: str) -> tuple[int, str]:
    """Send the form as a browser does, with the page's own token."""
    token = re.search(r'name="token" value="([^"]+)"', visitor.client.get("/try-out").text)
    assert token
    form = {"token": token[1], "profile": "tern", "destination": "", "text": "", **fields}
    answer = visitor.client.post(
        "/try-out",
        data=form,
        files={"file": ("", b"") if file is None else ("strip.txt", file)},
        headers={"origin": f"http://127.0.0.1:{visitor.port}"},
    )
    return answer.status_code, answer.text


def test_an_uploaded_file_shows_strip_findings_messages_and_origins(visitor: Visitor, shelf: Stocked) -> None:
    """All four stand on one page, and the store is as it was: nothing was kept."""
    before = shelf.store.news(after_stop=0, after_strip=0)
    status, text = tried(visitor, file=BROOK, profile="brook")
    assert status == 200
    assert "For example-hl7" in text
    assert "For example-fhir" in text
    assert "MSH|^~\\&amp;|PADPOST|BENCH|RECORDS|EXAMPLE|" in text
    assert "TRYOUTM1" in text
    assert re.search(r"<td>OBX-5 of OBX 1</td><td>catalogue\.yaml: pads, \w+, codes, \d+-\d</td>", text)
    assert shelf.store.news(after_stop=0, after_strip=0) == before
    assert shelf.store.strips() == ()


def test_one_receiver_may_be_chosen(visitor: Visitor) -> None:
    """The others are left out."""
    _, text = tried(visitor, file=BROOK, profile="brook", destination="example-fhir")
    assert ("For example-fhir" in text, "For example-hl7" in text) == (True, False)


def test_a_control_shows_its_message_where_controls_are_asked_for(shelf: Stocked) -> None:
    """For that receiver alone; on a site where nobody asks, it says that it is not sent."""
    profile = tables().profiles["brook"]
    at = shelf.now.astimezone(profile.zone) - timedelta(hours=1)
    strip = Play(number=1, at=at, patient_id="CTRL-LOW", word="C", strip_type="quill-10")
    payload = framed(printed([strip], profile, tables()), profile)
    qc = replace(example_terms()[0], name="qc", format=Format.OUL_R22, non_patient=True)
    for terms, words in (
        ((*example_terms(), qc), "sent where controls are asked for"),
        (example_terms(), "stored and shown, not sent"),
    ):
        with shelf.serving(bench=Bench(tables=tables(), terms=terms)) as visitor:
            status, text = tried(visitor, file=payload, profile="brook")
        assert (status, words in text) == (200, True)
        assert re.findall("<h4>For ([^<]+)</h4>", text) == [each.name for each in terms if each is qc]


def test_a_pasted_transmission_with_control_words_is_the_same_as_the_file(visitor: Visitor) -> None:
    """As the pages themselves show control characters, one may copy them from there."""
    words = "".join(f"<{CONTROL_WORDS[byte]}>" if byte < 32 else chr(byte) for byte in BROOK)
    assert pasted(words, "ascii") == BROOK
    _, by_file = tried(visitor, file=BROOK, profile="brook")
    _, by_paste = tried(visitor, text=words, profile="brook")
    messages = re.compile(r'<pre class="bytes" tabindex="0" aria-label="Message.*?</pre>', re.DOTALL)
    assert messages.findall(by_paste) == messages.findall(by_file) != []


def test_a_pasted_table_keeps_its_lines(visitor: Visitor) -> None:
    """A browser sends a text's lines as CR LF, and the table's character set is the profile's."""
    _, text = tried(visitor, text=TERN.decode("cp1252"))
    assert "For example-hl7" in text


def test_a_character_that_the_profile_lacks_is_said(visitor: Visitor) -> None:
    """It is never replaced in silence."""
    status, text = tried(visitor, text="\u4e2d")
    assert status == 200
    assert "The profile&#39;s character set cp1252 has no &#39;\u4e2d&#39;. Upload the file instead" in text


def test_markup_in_a_transmission_is_text(visitor: Visitor) -> None:
    """What comes from outside is never markup: in the bytes, the strip, the findings."""
    _, text = tried(visitor, file=TERN.replace(b"Rotina", b"<b>x</b><script>y</script>", 1))
    assert "<script>y" not in text
    assert "<b>x</b>" not in text
    assert "&lt;b&gt;x&lt;/b&gt;" in text


@pytest.mark.parametrize("payload", [b"", b"\x00\xff" * 500, BROOK[:40]])
def test_bytes_that_are_no_strip_are_said(visitor: Visitor, payload: bytes) -> None:
    """The page answers for anything."""
    status, text = tried(visitor, file=payload, profile="brook")
    assert status == 200
    assert "Cannot be sent:" in text


def test_without_a_token_or_a_profile_nothing_is_tried(visitor: Visitor) -> None:
    """The form is guarded as every other."""
    origin = {"origin": f"http://127.0.0.1:{visitor.port}"}
    assert visitor.client.post("/try-out", data={"profile": "tern"}, headers=origin).status_code == 403
    assert tried(visitor, file=TERN, profile="nobody")[0] == 422


def test_too_much_is_refused(visitor: Visitor) -> None:
    """A day's file is for padpost convert; the page says so by its limit."""
    assert tried(visitor, file=b"x" * 70_000)[0] == 413


@given(st.binary(max_size=60))
def test_control_words_stand_for_every_control_character(payload: bytes) -> None:
    """Any ASCII transmission comes back from its words."""
    ascii_only = bytes(byte & 0x7F for byte in payload).replace(b"<", b"").replace(b"\x7f", b"") + b"\x02"
    words = "".join(f"<{CONTROL_WORDS[byte]}>" if byte < 32 else chr(byte) for byte in ascii_only)
    assert pasted(words, "ascii") == ascii_only
