"""Controls as a gate, through the real service: files in, a record system that shares no code with it, and a person at the pages."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import yaml

from bridge import clock
from bridge.demo.printers import Play
from bridge.model import DeliveryState
from tests.bench.controls_for_tests import document
from tests.bench.judged import LOTS, SOUND
from tests.journey.running import Running, running

ZONE = ZoneInfo("Europe/Lisbon")


def luhn(body: str) -> str:
    """Give a patient ID with its check digit (ISO/IEC 7812-1, annex B: the Luhn formula)."""
    total = sum(sum(divmod(int(sign) * (2 - place % 2), 10)) for place, sign in enumerate(reversed(body)))
    return f"{body}{-total % 10}"


class Analyzer:
    """One analyzer that writes a file a strip; numbers and seconds go on. ``ids`` are the patients by their strips' numbers."""

    def __init__(self, bridge: Running) -> None:
        self._bridge = bridge
        self._number = 0
        self._begun = clock.now().astimezone(ZONE) - timedelta(minutes=2)
        self.ids: dict[int, str] = {}

    def reads(self, word: str, **more: object) -> int:
        """Read a strip; give its number."""
        self._number += 1
        at = self._begun + timedelta(seconds=self._number)
        fields = {"number": self._number, "at": at, "strip_type": "quill-10", "word": word, **more}
        play = Play(**fields)  # type: ignore[arg-type] # a play's own fields, of several types
        self._bridge.drop(f"strip-{self._number:04d}.txt", self._bridge.brook(play), folder="line")
        return self._number

    def patient(self) -> int:
        """Read a patient's strip."""
        patient_id = luhn(f"{4070100 + self._number}")
        self.ids[self._number + 1] = patient_id
        return self.reads("N", patient_id=patient_id)

    def control(self, level: str, **ranks: int) -> int:
        """Read a control strip, sound unless told otherwise, and wait until it was judged."""
        number = self.reads("C", specimen_id=LOTS[level], ranks={**SOUND[level], **ranks})
        settled(self._bridge, "non_patient", [number])
        return number


def settled(bridge: Running, outcome: str, numbers: list[int]) -> None:
    """Wait until these strips stand so, in the real store."""
    wanted = {str(number) for number in numbers}
    bridge.wait(lambda: wanted <= {strip.number for strip in bridge.store.strips(outcome=outcome, limit=500)})


def filed(bridge: Running) -> list[str]:
    """Give the patients whose results the record system filed, in the order in which it took them (PID-3 of each message)."""
    found = (re.search(rb"\rPID\|[^|]*\|[^|]*\|(\d+)", payload) for payload in bridge.records.results.values())
    return [each[1].decode() for each in found if each]


def site(home: Path, **gate: object) -> str:
    """Write the site's controls; give what its file must say besides. Its control day has begun long ago, whatever the time."""
    folder = home / "mappings"
    folder.mkdir()
    day_starts = (clock.now().astimezone(ZONE) - timedelta(hours=6)).strftime(
        "%H:00"
    )  # neither now nor soon, so that no day turns
    text = yaml.safe_dump(document(gate={"levels": ["1", "2"], "day_starts": day_starts, **gate}), sort_keys=False)
    (folder / "controls.yaml").write_text(text, encoding="utf-8")
    return "mappings: mappings\n"


def acted(bridge: Running, path: str, *, page: str = "/controls", **fields: str) -> None:
    """Do something on a page as a browser does."""
    with httpx.Client(base_url=bridge.url, trust_env=False, timeout=20) as client:
        token = re.search(r'name="token" value="([^"]+)"', client.get(page).text)
        assert token
        answer = client.post(path, data={"token": token[1], "name": "Ana", **fields}, headers={"origin": bridge.url})
        assert answer.status_code == 303, answer.text


def test_twenty_results_after_a_failed_control_are_not_posted(tmp_path: Path) -> None:
    """A failed control, then 20 patients: the record system gets none of them, though controls pass afterwards; the next patient goes. HZ-E02."""
    with running(tmp_path, more=site(tmp_path, shut="wait")) as bridge:
        analyzer = Analyzer(bridge)
        analyzer.control("1")
        analyzer.control("2", blood=0)
        held = [analyzer.patient() for _ in range(20)]
        settled(bridge, "held", held)
        analyzer.control("2")
        acted(
            bridge,
            "/controls/gate",
            action="explain",
            reason="a drop missed a pad",
            analyzer="bench-a",
            strip_type="quill-10",
            strip_lot="24A01",
        )
        following = analyzer.patient()
        bridge.wait(lambda: filed(bridge))
        assert filed(bridge) == [analyzer.ids[following]]
        assert {stop.rule for stop in bridge.store.stops(limit=100)} == {"controls.failed"}
        assert len(bridge.store.stops(limit=100)) == 20


def test_a_failure_at_strip_31_of_60(tmp_path: Path) -> None:
    """Strips 3 to 30 were posted, the control at 31 fails, 32 to 60 are not posted, and exactly 3 to 30 are to be looked at again; one is withdrawn. HZ-E02, HZ-E08."""
    with running(tmp_path, more=site(tmp_path, shut="wait")) as bridge:
        analyzer = Analyzer(bridge)
        analyzer.control("1")
        analyzer.control("2")
        sent = [analyzer.patient() for _ in range(28)]
        settled(bridge, "coded", sent)
        assert analyzer.control("2", glucose=0) == 31
        held = [analyzer.patient() for _ in range(29)]
        settled(bridge, "held", held)
        bridge.wait(lambda: len(filed(bridge)) >= 28)
        assert sorted(filed(bridge)) == sorted(analyzer.ids[number] for number in sent)
        listed = [row.strip.number for row in bridge.store.look_backs(is_open=True)]
        assert sorted(map(int, listed)) == sent == list(range(3, 31))
        _withdrawn(bridge, analyzer.ids[9])


def _withdrawn(bridge: Running, patient_id: str) -> None:
    """Withdraw one result of the look-back, and let another stand; the record system's own log has the withdrawal, and no other."""
    row, other = sorted(bridge.store.look_backs(is_open=True), key=lambda row: row.strip.patient_id != patient_id)[:2]
    of = {"result_id": row.strip.result_id, "version": "1", "colleague": "Rui", "reason": "blood was off"}
    acted(bridge, f"/controls/look-back/{row.row_id}", verdict="to be withdrawn", **of)
    acted(bridge, f"/controls/look-back/{other.row_id}", verdict="stands", **{**of, "result_id": other.strip.result_id})
    bridge.wait(lambda: bridge.store.look_backs_under_way() == ())
    taken_back = [payload for payload in bridge.records.results.values() if b"|||W|" in payload]
    assert [(patient_id.encode() in payload, row.strip.result_id.encode() in payload) for payload in taken_back] == [(True, True)]
    (last, *_) = [each for each in bridge.store.look_backs(is_open=False) if each.row_id == row.row_id]
    told = dict(last.standing)  # the chart is told too where it had the result before it was withdrawn
    assert told.pop("records") is DeliveryState.ACCEPTED
    assert told in ({}, {"chart": DeliveryState.ACCEPTED})
    assert len(bridge.store.look_backs(is_open=True)) == 26


def test_the_morning_before_controls_and_an_emergency(tmp_path: Path) -> None:
    """Three patients wait; one goes by a person's word and says so on its report; the others go once controls have passed. HZ-E01."""
    with running(tmp_path, more=site(tmp_path, shut="wait")) as bridge:
        analyzer = Analyzer(bridge)
        waiting = [analyzer.patient() for _ in range(3)]
        settled(bridge, "waiting", waiting)
        assert bridge.records.results == {}
        (urgent,) = [strip for strip in bridge.store.strips(outcome="waiting") if strip.number == "2"]
        acted(bridge, f"/controls/strips/{urgent.strip_id}", action="release", reason="theatre waits")
        bridge.wait(lambda: filed(bridge))
        (payload,) = bridge.records.results.values()
        assert b"Released before the analyzer's controls were right, by Ana." in payload
        assert filed(bridge) == [analyzer.ids[2]]
        analyzer.control("1")
        analyzer.control("2")
        bridge.wait(lambda: len(filed(bridge)) == 3)
        assert sorted(filed(bridge)) == sorted(analyzer.ids.values())
        assert [b"Released before" in each for each in bridge.records.results.values()] == [True, False, False]
        today = httpx.get(bridge.url, trust_env=False).text
        assert "patient results may go" in today


def test_what_waits_outlives_a_restart(tmp_path: Path) -> None:
    """The service stops and starts between the strips and their controls: nothing is lost and nothing goes early."""
    more = site(tmp_path, shut="wait")
    with running(tmp_path, more=more) as bridge:
        analyzer = Analyzer(bridge)
        waiting = [analyzer.patient() for _ in range(3)]
        settled(bridge, "waiting", waiting)
        analyzer.control("1")
    with running(tmp_path, more=more) as again:
        analyzer._bridge = again
        assert filed(again) == []
        analyzer.control("2")
        again.wait(lambda: len(filed(again)) == 3)
        assert sorted(filed(again)) == sorted(analyzer.ids.values())
