"""A bridge whose ways out are secured: TLS with certificates of both sides, a signed hook, and a secret that is missing at the start."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import httpx
import pytest

from bridge import clock
from bridge.credentials.keys import make_key
from bridge.lifecycle.states import DestinationState
from tests.credentials.papers import papers, peer_context
from tests.journey.running import play, running
from tests.journey.test_signing import state_of
from tests.peers.hook_receiver import HookReceiver, key_of
from tests.peers.mllp_receiver import MllpReceiver

GOOD = "40700007"  # Luhn check digit; invented
MORE = """\
  - {{name: safe, kind: mllp, host: 127.0.0.1, port: {mllp}, processing_id: T, tls: {{ca: tls/ca.pem, certificate: tls/own.pem, key: tls/own.key}}}}
  - {{name: hook, kind: hook, url: "{hook}", processing_id: T, signing: {{keys: keys}}, tls: {{ca: tls/ca.pem}}}}
  - {{name: late, kind: fhir, base_url: "http://127.0.0.1:1/r4", result_system: "urn:t:r", processing_id: T, bearer: {{env: PADPOST_TEST_LATE}}}}
"""


def test_results_leave_by_secured_ways_and_a_missing_secret_is_told_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One strip goes to a TLS receiver and to a hook, each once; the receiver without its secret is shut with the sentence, before any result."""
    site = papers(tmp_path / "tls")
    site.issue("own", "padpost", ends=clock.now() + timedelta(days=12, hours=1))
    path = make_key(tmp_path / "keys", "ES256", starts=clock.now(), ends=clock.now() + timedelta(days=365), name="k1")
    peer = site.issue("peer", "127.0.0.1")
    hook = HookReceiver({"k1": key_of(json.loads(path.read_text()))}, tls=peer_context(peer))
    with MllpReceiver(tls=peer_context(peer, clients=site.ca)) as safe, hook:
        with running(tmp_path, more=MORE.format(mllp=safe.port, hook=hook.url)) as bridge:
            bridge.wait(
                lambda: any(
                    row.reason.startswith("It cannot be reached") for row in bridge.store.destinations() if row.name == "late"
                )
            )
            assert state_of(bridge, "late")[0] is DestinationState.SHUT
            with httpx.Client(trust_env=False, base_url=bridge.url) as client:
                assert "The secret PADPOST_TEST_LATE is not set." in client.get("/").text
                ready = client.get("/health/ready").json()
            assert [each["destination"] for each in ready["shut"]] == ["late"]
            assert [each["destination"] for each in ready["notes"]] == ["safe"]
            assert "(own.pem) runs out on " in ready["notes"][0]["note"]
            bridge.drop("a.txt", bridge.tern(play(1, GOOD)))
            safe.wait_for_durable(1, 120)
            bridge.wait(lambda: len(hook.taken) == 1)
            assert hook.refused == []
            assert json.loads(next(iter(hook.taken.values())))["resourceType"] == "Bundle"
            monkeypatch.setenv("PADPOST_TEST_LATE", "word")
            bridge.wait(lambda: state_of(bridge, "late")[0] is not DestinationState.SHUT)
        assert (len(safe.durable), len(hook.taken)) == (1, 1)
