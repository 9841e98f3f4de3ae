"""``padpost test-signals``: a test by every way, while no service runs."""

from __future__ import annotations

from pathlib import Path

from tests.cli.commands import padpost
from tests.peers.mail_server import Mailbox, mail_server
from tests.site_for_tests import SITE


def site_file(folder: Path, ways: str) -> None:
    """Write a site with these ways."""
    (folder / "site.yaml").write_text(f"{SITE}signals: {{ways: [{ways}]}}\n", encoding="utf-8")


def mail(name: str, port: int) -> str:
    """Give a way of a mail server on this machine."""
    return (
        f"{{kind: mail, name: {name}, host: 127.0.0.1, port: {port}, security: none, sender: p@lab.example, to: [a@lab.example]}}"
    )


def test_it_says_what_came_of_each_way(tmp_path: Path) -> None:
    """As an administrator does it before go-live: one way works, the other is told of in words."""
    with mail_server(Mailbox()) as mailbox:
        site_file(tmp_path, f"{mail('desk', mailbox.port)}, {mail('pager', 1)}")
        run = padpost("test-signals", "--config", "site.yaml", cwd=tmp_path)
    assert run.returncode == 1
    assert run.stdout.decode().splitlines()[-2:] == [
        "desk: taken; look whether it arrived",
        "pager: The mail server 127.0.0.1 cannot be reached: Connection refused.",
    ]
    (arrived,) = mailbox.taken
    assert arrived["subject"] == "Test Clinic: Test: this is a test of a way, nothing is wrong"
    assert not (tmp_path / "store").exists()


def test_a_site_without_ways_is_told_so(tmp_path: Path) -> None:
    """It is no success: nobody would be called."""
    site_file(tmp_path, "")
    run = padpost("test-signals", "--config", "site.yaml", cwd=tmp_path)
    assert (run.returncode, run.stdout) == (1, b"The site's file names no way by which signals are told: see signals, ways.\n")
