"""Telling of a critical result, whole: a strip over TCP, the task on the page, told and closed from the keyboard."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest
import yaml
from playwright.sync_api import Browser, expect

from bridge import settings
from bridge.demo.printers import printed
from bridge.receive.tcp import TcpReceiver
from tests.browser.by_keyboard import fill, follow, reach
from tests.browser.watched import Tab
from tests.journey.running import Running, play, running
from tests.receive.independent_sender import IndependentSender
from tests.store.telling_contract import steps_of

pytestmark = pytest.mark.browser
SOURCE = "  - {name: wire, kind: tcp, role: listen, port: 0, link: lis01, analyzer: bench-t, profile: brook}\n"
MORE = "mappings: mappings\ntelling: {overdue_minutes: 20, people: [{name: Ward 3, role: nurse in charge, contact: ext. 44}]}\n"


def signed_rule(home: Path) -> None:
    """Write the site's flags with one of the shipped examples signed and switched on."""
    document = yaml.safe_load((settings.shipped_mappings() / "flags.yaml").read_text(encoding="utf-8"))
    document["critical"][0] |= {"signed": "Dr N. Example, 2026-11-25", "switched_on": True}
    (home / "mappings").mkdir()
    (home / "mappings" / "flags.yaml").write_text(yaml.safe_dump(document), encoding="utf-8")


def send(bridge: Running, number: int, patient_id: str, ranks: dict[str, int]) -> None:
    """Let an analyzer send a strip over its line, by a sender that shares no code with the receiver."""
    receiver = bridge.bridge.sources["wire"]
    assert isinstance(receiver, TcpReceiver)
    bridge.wait(lambda: receiver.address)
    assert receiver.address is not None
    profile = bridge.bridge.tables.profiles["brook"]
    strip = play(number, patient_id, word="N", strip_type="quill-10", ranks=ranks)
    text = [line + b"\r" for line in printed([strip], profile, bridge.bridge.tables).split(b"\r")[:-1]]
    with socket.create_connection(receiver.address, timeout=30) as wire:
        assert IndependentSender(wire.fileno(), patience_s=30).send(text)


def test_a_critical_strip_is_told_from_the_keyboard(tmp_path: Path, browser: Browser) -> None:
    """HZ-I01: it goes at once, and stands on Today until somebody has written down whom they told, and closed it; a near miss does not.

    The values of the rule are the shipped example's: glucose 2+ and ketones 2+.
    """
    signed_rule(tmp_path)
    with running(tmp_path, sources=SOURCE, more=MORE) as bridge:
        send(bridge, 1, "40700007", {"glucose": 3, "ketones": 2})
        send(bridge, 2, "40700015", {"glucose": 3, "ketones": 3})
        bridge.wait(lambda: len(bridge.records.results) == 2 and bridge.store.tellings_open())
        with Tab(browser) as tab:
            tab.goto(bridge.url)
            follow(tab, "To tell: 40700015 · bench-t 2")
            expect(tab.get_by_role("heading", level=1)).to_have_text("Telling")
            expect(tab.locator("#t1")).to_contain_text("Now to be told: Ward 3, nurse in charge, ext. 44.")
            reach(tab, "What came of it")
            for text in ("told and", "Ward 3, N. Ito", "nurse", "by tel"):
                tab.keyboard.type(text)
                tab.keyboard.press("Tab")
            reach(tab, "Remark")
            tab.keyboard.press("Tab")
            fill(tab, ("Your name", "Ana"))
            follow(tab)
            expect(tab.locator("#t1")).to_contain_text("Told, to be closed.")
            fill(tab, ("Your name", "Ana"))
            follow(tab)
            expect(tab.get_by_text("Nobody is to be told of anything now.")).to_be_visible()
        (task,) = bridge.store.tellings_closed()
        assert steps_of(task) == ["opened", "told and read back", "closed"]
        said = task.history[1].said
        assert (said.name, said.role, said.means, task.history[1].actor) == ("Ward 3, N. Ito", "nurse", "by telephone", "Ana")
        assert (task.strip.number, task.critical.rule) == ("2", "glucose-and-ketones")
