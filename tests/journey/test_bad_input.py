"""Each kind of bad input ends as a row with its reason and its bytes, its neighbour in the same capture goes, and the bridge stays up."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import httpx
import pytest

from bridge.demo.printers import framed, printed
from bridge.demo.scenario import patient
from bridge.lifecycle.states import StopGroup
from bridge.store.rows import StopRow
from tests.journey.running import Running, play, running

BAD, NEIGHBOUR = patient(1), patient(2)
Harm = Callable[[bytes], bytes]


def instead(old: bytes, new: bytes) -> Harm:
    """Give a change of the first ``old`` that must be there."""

    def change(text: bytes) -> bytes:
        assert old in text, (old, text)
        return text.replace(old, new, 1)

    return change


@pytest.fixture(scope="module")
def bridge(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(tmp_path_factory.mktemp("bad")) as subject:
        yield subject


def opened(bridge: Running, payload: bytes, name: str, folder: str) -> StopRow:
    """Drop ``payload`` and give the one row that it opens."""
    before = {stop.stop_id for group in StopGroup for stop in bridge.store.stops(group=group, limit=500)}
    bridge.drop(name, payload, folder)

    def found() -> list[StopRow]:
        return [s for group in StopGroup for s in bridge.store.stops(group=group, limit=500) if s.stop_id not in before]

    bridge.wait(found)
    bridge.wait(lambda: not bridge.store.analyzers_with_work())
    (stop,) = found()
    return stop


ROWS = [
    ("nul", instead(BAD.encode(), b"4070\x00000"), "read.control"),
    ("undecodable", instead(b"Rotina", b"Rot\x81ina"), "read.undecodable"),
    ("eight-bit", instead(b"Rotina", b"Rotin\xe1"), "number.unknown_word"),
    ("missing-pad", instead(b";1,0;", b";;"), "pad.missing"),
    ("off-the-ladder", instead(b"<=1,001", b"1,017"), "unit.off_scale"),
    ("no-known-value", instead(b";Negativo;", b";Talvez;"), "pad.unknown_value"),
    ("impossible-date", lambda text: text[: text.index(b"\n") + 1] + b"31.02" + text[text.index(b"\n") + 6 :], "time.impossible"),
    ("delimiters-in-the-id", instead(BAD.encode(), b"40|^~\\&7"), "patient.malformed"),
    ("markup-in-the-id", instead(BAD.encode(), b"<b>40700</b>"), "patient.malformed"),
    ("cell-too-many", instead(b";Rotina;", b";Rotina;;"), "read.layout"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "harm", "rule"), ROWS, ids=[row[0] for row in ROWS])
def test_a_bad_row_of_a_file(bridge: Running, name: str, harm: Harm, rule: str) -> None:
    """The row says why, its capture is what came, and the next row of the same file is filed."""
    number = 10 + 2 * [row[0] for row in ROWS].index(name)
    neighbour = patient(100 + number)
    payload = harm(bridge.tern(play(number, BAD), play(number + 1, neighbour)))
    stop = opened(bridge, payload, f"{name}.txt", "drops")
    assert (stop.rules[0], stop.group) == (rule, StopGroup.REJECTED)
    assert stop.capture_id is not None
    assert bridge.store.capture(stop.capture_id).capture.payload == payload
    done = bridge.home / "drops" / "done" / f"{name}.txt"
    bridge.wait(done.exists)  # it is moved after the row stands
    assert done.read_bytes() == payload
    bridge.wait(lambda: any(f"PID|1||{neighbour}".encode() in message for message in bridge.records.results.values()))
    assert httpx.get(f"{bridge.url}/health/ready", trust_env=False).status_code == 200


def brook_text(bridge: Running, number: int, neighbour: str) -> bytes:
    """Give two strips as unframed LIS02 records."""
    profile = bridge.bridge.tables.profiles["brook"]
    strips = [play(n, who, strip_type="quill-10", word="N") for n, who in ((number, BAD), (number + 1, neighbour))]
    return printed(strips, profile, bridge.bridge.tables)


RECORDS = [
    ("record-type", instead(b"\rO|1|", b"\rZ|1|"), "read.record"),
    ("unknown-pad", instead(b"^^^KETO", b"^^^XYZZ"), "pad.unknown"),
]


@pytest.mark.parametrize(("name", "harm", "rule"), RECORDS, ids=[row[0] for row in RECORDS])
def test_a_bad_record_of_a_transmission(bridge: Running, name: str, harm: Harm, rule: str) -> None:
    """The frames are whole; one strip's records are not."""
    number = 300 + 2 * [row[0] for row in RECORDS].index(name)
    neighbour = patient(number)
    payload = framed(harm(brook_text(bridge, number, neighbour)), bridge.bridge.tables.profiles["brook"])
    stop = opened(bridge, payload, f"{name}.txt", "line")
    assert stop.rules[0] == rule
    bridge.wait(lambda: any(f"PID|1||{neighbour}".encode() in message for message in bridge.records.results.values()))


FRAMES = [
    ("checksum", instead(BAD.encode(), b"40799999"), "read.frame"),
    ("frame-number", instead(b"\x021H", b"\x024H"), "read.frame"),
    ("torn", lambda payload: payload[: len(payload) // 2], "read.torn"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "harm", "rule"), FRAMES, ids=[row[0] for row in FRAMES])
def test_a_bad_frame_of_a_captured_transmission(bridge: Running, name: str, harm: Harm, rule: str) -> None:
    """A file of frames gets no NAK, so what is damaged stands as a row; tests/receive shows the NAK on a line."""
    profile = bridge.bridge.tables.profiles["brook"]
    number = 400 + [row[0] for row in FRAMES].index(name)
    strip = play(number, BAD, strip_type="quill-10", word="N")
    payload = harm(framed(printed([strip], profile, bridge.bridge.tables), profile))
    stop = opened(bridge, payload, f"{name}.txt", "line")
    assert stop.rules[0] == rule
    assert stop.capture_id is not None
    assert bridge.store.capture(stop.capture_id).capture.payload == payload


def test_an_empty_file(bridge: Running) -> None:
    """Nothing came, and that is said."""
    assert opened(bridge, b"", "empty.txt", "drops").rules == ("read.empty",)


def test_a_file_of_ten_megabytes(bridge: Running) -> None:
    """It is moved to refused/ byte for byte, with a row that names size and limit; it is never read into the store. HZ-F11."""
    row = bridge.tern(play(1, BAD))
    payload = row * (10_000_000 // len(row) + 1)
    stop = opened(bridge, payload, "huge.txt", "drops")
    assert (stop.rules, stop.capture_id) == (("receive.refused",), None)
    assert f"{len(payload)} bytes" in stop.sentence
    refused = bridge.home / "drops" / "refused" / "huge.txt"
    bridge.wait(refused.exists)
    assert refused.read_bytes() == payload


def test_delimiters_and_markup_in_a_comment_are_text_in_the_message(bridge: Running) -> None:
    """HL7 v2.5.1 section 2.7.1: a delimiter inside a value is escaped, so it never makes structure. HZ-F11."""
    who = patient(500)
    payload = bridge.tern(play(500, who)).rstrip(b"\r\n").rpartition(b";")[0] + b";dor |^~\\& <b>x</b>\r\n"
    bridge.drop("comment.txt", payload)

    def mine() -> list[bytes]:
        return [message for message in bridge.records.results.values() if f"PID|1||{who}".encode() in message]

    (message,) = bridge.wait(mine)
    assert b"dor \\F\\\\S\\\\R\\\\E\\\\T\\ <b>x</b>" in message
    assert b"dor |" not in message
