"""Containers of strips through the real service: files in, a record system that shares no code with it, and a person at the page Lots."""

from __future__ import annotations

import csv
import re
from datetime import timedelta
from io import StringIO
from pathlib import Path

import httpx
import yaml

from bridge import clock
from tests.bench.containers_for_tests import document
from tests.journey.running import Running, running
from tests.journey.test_control_gate import ZONE, Analyzer, filed, settled


def entered(bridge: Running, **more: str) -> None:
    """Enter a container as a browser does."""
    now = clock.now().astimezone(ZONE)
    typed = {
        "analyzer": "bench-a",
        "strip_type": "quill-10",
        "strip_lot": "24A01",
        "expires": (now + timedelta(days=300)).date().isoformat(),
        "opened": (now - timedelta(hours=1)).strftime(
            "%Y-%m-%dT%H:%M"
        ),  # before the strips, also where they came around midnight
    }
    with httpx.Client(base_url=bridge.url, trust_env=False, timeout=20) as client:
        token = re.search(r'name="token" value="([^"]+)"', client.get("/lots").text)
        assert token
        fields = {"token": token[1], "name": "Ana", **typed, **more}
        answer = client.post("/lots/containers", data=fields, headers={"origin": bridge.url})
        assert answer.status_code == 303, answer.text


def test_a_container_nobody_entered(tmp_path: Path) -> None:
    """HZ-C02: nothing of its strips is posted; once it is entered they go by themselves, in order, and the next one needs nobody."""
    folder = tmp_path / "mappings"
    folder.mkdir()
    (folder / "containers.yaml").write_text(yaml.safe_dump(document(), sort_keys=False), encoding="utf-8")
    with running(tmp_path, more="mappings: mappings\n") as bridge:
        analyzer = Analyzer(bridge)
        held = [analyzer.patient() for _ in range(5)]
        settled(bridge, "held", held)
        assert {stop.rule for stop in bridge.store.stops()} == {"container.unknown"}
        assert filed(bridge) == []
        entered(bridge)
        settled(bridge, "coded", held)
        following = analyzer.patient()
        settled(bridge, "coded", [following])
        bridge.wait(lambda: len(filed(bridge)) == 6)
        assert sorted(filed(bridge)) == sorted(analyzer.ids.values())
        assert bridge.store.stops() == ()
        with httpx.Client(base_url=bridge.url, trust_env=False, timeout=20) as client:
            text = client.get("/lots/strips.csv", params={"strip_type": "quill-10", "strip_lot": "24A01"}).text
        rows = list(csv.DictReader(StringIO(text, newline="")))
        assert {row["patient ID"] for row in rows} == set(analyzer.ids.values())
        assert {(row["receiver"], row["its state"]) for row in rows} >= {("records", "received")}
        assert {row["number"] for row in rows} == {"1", "2", "3", "4", "5", "6"}
