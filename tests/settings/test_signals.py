"""The site's word on signals."""

from __future__ import annotations

from datetime import time
from pathlib import Path
from typing import get_args

import pytest

from bridge.errors import SettingsError
from bridge.settings.signals import DAYS, Kinds, MailWay, NoticeWay, Signals
from bridge.signals.kinds import Kind
from tests.site_for_tests import site

HEAD = "checks: {"
HOOK = "{kind: hook, name: a, url: 'https://x.example/', signing: {keys: k}}"


def read(folder: Path, signals: str) -> Signals:
    """Read a site with these signals."""
    return site(folder, HEAD, f"signals: {{{signals}}}\n{HEAD}").signals


def test_a_site_that_says_nothing_has_signals_on_its_pages(tmp_path: Path) -> None:
    """The defaults are those of the documentation; no analyzer is held to be silent where no opening hours are told."""
    signals = read(tmp_path, "")
    assert (signals.opening, signals.stat_minutes, signals.repeat_minutes, signals.acknowledged_hours) == ((), 10, 60, 4)


def test_opening_hours_are_local_times_on_days(tmp_path: Path) -> None:
    """Times are quoted: YAML reads 07:00 as a number of minutes."""
    (opening,) = read(tmp_path, 'opening: [{start: "07:00", end: "19:30"}]').opening
    assert (opening.days, opening.start, opening.end) == (DAYS, time(7), time(19, 30))
    (opening,) = read(tmp_path, 'opening: [{days: [sat], start: "08:00", end: "12:00"}]').opening
    assert opening.days == ("sat",)


def test_a_digest_has_its_times_in_order(tmp_path: Path) -> None:
    """By all ways where none is named."""
    digest = read(tmp_path, f'ways: [{HOOK}], digest: {{times: ["15:30", "07:30"]}}').digest
    assert digest is not None
    assert (digest.times, digest.ways) == ((time(7, 30), time(15, 30)), ())


@pytest.mark.parametrize(
    ("signals", "key"),
    [
        ("repeat_minutes: 4", "signals"),
        ("stat_minutes: 0", "signals.stat_minutes"),
        ('opening: [{days: [sunday], start: "07:00", end: "19:00"}]', "signals.opening[0].days[0]"),
        ("ways: [{kind: mail, name: a, host: mail.example, sender: p@x.example, to: []}]", "signals.ways[0].to"),
        ("ways: [{kind: mail, name: a, host: mail.example, sender: nobody, to: [a@x.example]}]", "signals.ways[0].sender"),
        ("ways: [{kind: mail, name: a, host: mail.example, sender: p@x.example, to: [a@x.example], user: u}]", "signals.ways[0]"),
        (
            "ways: [{kind: mail, name: a, host: mail.example, security: none, sender: p@x.example, to: [a@x.example]}]",
            "signals.ways[0]",
        ),
        (
            "ways: [{kind: mail, name: a, host: mail.example, sender: p@x.example, to: [a@x.example], tls: {server_name: b}}]",
            "signals.ways[0]",
        ),
        (
            "ways: [{kind: mail, name: a, host: localhost, security: none, user: u, password: {env: P}, sender: p@x.example, to: [a@x.example]}]",
            "signals.ways[0]",
        ),
        ("ways: [{kind: hook, name: a, url: 'http://pager.example/', signing: {keys: k}}]", "signals.ways[0]"),
        ("ways: [{kind: hook, name: a, url: 'https://u:p@pager.example/', signing: {keys: k}}]", "signals.ways[0].url"),
        ("ways: [{kind: hook, name: a, url: 'http://localhost:1/', signing: {keys: k}, tls: {}}]", "signals.ways[0]"),
        (
            "ways: [{kind: hook, name: a, url: 'https://x.example/', signing: {keys: k}, kinds: [weather]}]",
            "signals.ways[0].kinds[0]",
        ),
        (f"ways: [{HOOK}, {HOOK}]", "signals.ways"),
        ("ways: [{kind: hook, name: a, url: 'https://x.example:65536/', signing: {keys: k}}]", "signals.ways[0].url"),
        ("ways: [{kind: hook, name: a, url: 'https://x.example:0/', signing: {keys: k}}]", "signals.ways[0].url"),
        ("ways: [{kind: hook, name: a, url: 'https://x.example:http/', signing: {keys: k}}]", "signals.ways[0].url"),
        ('digest: {times: ["07:30"]}', "signals"),
        (f"ways: [{HOOK}], digest: {{times: []}}", "signals.digest.times"),
        (f'ways: [{HOOK}], digest: {{times: ["07:30", "07:30"]}}', "signals.digest.times"),
        (f'ways: [{HOOK}], digest: {{times: ["07:30Z"]}}', "signals.digest.times"),
        (f'ways: [{HOOK}], digest: {{times: ["07:30"], ways: [pager]}}', "signals"),
        ('opening: [{start: "07:61", end: "19:00"}]', "signals.opening[0].start"),
    ],
)
def test_what_cannot_be_meant_is_told_with_its_key(tmp_path: Path, signals: str, key: str) -> None:
    """An error names file, line and key."""
    with pytest.raises(SettingsError) as wrong:
        read(tmp_path, signals)
    assert wrong.value.spot is not None
    assert wrong.value.spot.key == key


def test_ways_have_the_ports_of_their_kind(tmp_path: Path) -> None:
    """587 for STARTTLS (RFC 6409), 465 for TLS (RFC 8314), 25 on the machine itself; keys are found from the file's own folder."""
    mail = "kind: mail, sender: p@x.example, to: [a@x.example]"
    ways = read(
        tmp_path,
        f"ways: [{{name: a, host: h, {mail}}}, {{name: b, host: h, security: tls, {mail}}},"
        f" {{name: c, host: '127.0.0.1', security: none, {mail}}}, {{name: d, host: h, port: 2525, {mail}}}, {HOOK.replace('name: a', 'name: e')}]",
    ).ways
    assert [way.port_used for way in ways if isinstance(way, MailWay)] == [587, 465, 25, 2525]
    hook = ways[-1]
    assert isinstance(hook, NoticeWay)
    assert hook.signing.keys == tmp_path / "k"


def test_every_kind_can_be_named() -> None:
    """The file's words for kinds are those of the signals themselves."""
    assert set(get_args(Kinds)) == {kind.value for kind in Kind}
