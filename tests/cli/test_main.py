"""The command line as a new user meets it: help, error sentences, exit statuses."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge import __version__
from bridge.cli.main import run
from tests.cli.commands import padpost

COMMANDS = ("demo", "serve", "check", "sign-off", "spec", "convert", "simulate")


def test_help_names_every_command(tmp_path: Path) -> None:
    """What Padpost can do is told without a manual."""
    done = padpost("--help", cwd=tmp_path)
    assert done.returncode == 0
    text = done.stdout.decode()
    assert [name for name in COMMANDS if f"│ {name} " not in text] == []
    assert "to the right patient's record" in text


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(tmp_path: Path, command: str) -> None:
    """``--help`` of a command shows its usage and does nothing."""
    done = padpost(command, "--help", cwd=tmp_path)
    assert done.returncode == 0
    assert f"Usage: padpost {command} [OPTIONS]" in done.stdout.decode()
    assert done.stderr == b""
    assert list(tmp_path.iterdir()) == []


def test_the_version_is_told(tmp_path: Path) -> None:
    """A report of a fault needs it."""
    done = padpost("--version", cwd=tmp_path)
    assert (done.returncode, done.stdout.decode()) == (0, f"padpost {__version__}\n")


def test_no_command_shows_the_help(tmp_path: Path) -> None:
    """A bare ``padpost`` is a question; it is answered, and a script still sees that nothing was done."""
    done = padpost(cwd=tmp_path)
    assert done.returncode == 2
    assert "Usage: padpost [OPTIONS] COMMAND" in done.stdout.decode() + done.stderr.decode()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ("nonsense", "No such command 'nonsense'."),
        (
            "serve --config absent.yaml --only nonsense",
            "Invalid value for '--only': 'nonsense' is not one of 'intake', 'delivery', 'web'.",
        ),
        ("serve", "Missing option '--config' / '-c'."),
        (
            "serve --config absent.yaml",
            "padpost: absent.yaml:1: The file cannot be read: No such file or directory. Check its name",
        ),
        ("serve --config .", "padpost: .:1: The file cannot be read: Is a directory. Check its name"),
        ("check --config absent.yaml", "padpost: absent.yaml:1: The file cannot be read: No such file or directory."),
        ("convert absent --profile brook", "padpost: absent cannot be read: No such file or directory. Check the name."),
        (
            "convert absent --profile nobody",
            "No profile is called 'nobody'. There are alder, brook, brook-file, dipper, fjord, heron, lark, moss, tern, wren.",
        ),
        (
            "convert absent --profile brook --to xml",
            "There is no form called 'xml'. Use one of: hl7, fhir, json, oru_r01, oru_r01_us, oru_r30, oul_r22, fhir_us, fhir_eu.",
        ),
        ("convert", "Missing argument 'file'."),
        ("demo --port 65536", "Invalid value for '--port'"),
        ("simulate pty --profile nobody", "No profile is called 'nobody'. There are alder, brook"),
        (
            "simulate nowhere --profile brook",
            "There is no target 'nowhere'. Use pty, serial:DEVICE, tcp:HOST:PORT, mllp:HOST:PORT, listen:PORT",
        ),
        ("simulate folder: --profile tern", "There is no target 'folder:'."),
        (
            "simulate tcp:127.0.0.1 --profile brook",
            "'127.0.0.1' names no port. Write tcp:HOST:PORT, mllp:HOST:PORT or listen:PORT.",
        ),
        ("simulate tcp:127.0.0.1:65536 --profile brook", "'127.0.0.1:65536' names no port."),
        ("simulate listen:one --profile brook", "'one' names no port."),
        ("simulate serial:absent --profile brook", "absent cannot be opened: No such file or directory. Check the device's name"),
        ("simulate folder:absent --profile tern", "absent cannot be written: No such file or directory. Make the folder first."),
        ("simulate folder:absent --profile tern --strips 0", "Invalid value for '--strips'"),
    ],
)
def test_what_cannot_be_done_is_told_with_a_remedy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], arguments: str, words: str
) -> None:
    """Status 2 and a sentence on standard error; nothing is written. Run in this process, for there are many."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")
    assert run(arguments.split()) == 2
    assert words in capfd.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_the_status_reaches_the_shell(tmp_path: Path) -> None:
    """What the commands say is what the process ends with; a script sees nothing else. The pty waits for a person at a terminal."""
    done = padpost("simulate", "pty", "--profile", "brook", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.decode() == "padpost: Nobody pressed Enter: simulate pty needs a terminal to wait at.\n"
