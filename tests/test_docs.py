"""The documentation says what the program does: states, settings, answers, links, and every command line in it."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer
from typer.core import TyperGroup

from bridge.cli.main import app
from bridge.cli.reference import configuration_page
from bridge.lifecycle.answers import describe
from bridge.lifecycle.states import DELIVERY_STEPS, OPEN_DELIVERY, STOPPED_DELIVERY
from bridge.model import DeliveryState

ROOT = Path(__file__).parents[1]
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")])
STATE_ROW = re.compile(r"^\| `(\w+)` \| (open|stopped|ended) \| (.+) \|$", re.MULTILINE)
STEP_ROW = re.compile(r"^\| `(\w+)` \| ([^|`]+) \| `(\w+)` \| (.+) \|$", re.MULTILINE)
LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
CODE_SPAN = re.compile(r"`([^`\n]+)`")
CODE_LINE = re.compile(r"^(?: {3,}|\$ )(\S.*)$", re.MULTILINE)  # an indented or a fenced line of code
CALLS_US = re.compile(r"^(?:\S*/)?padpost\s+(.+)$")


def text_of(page: Path) -> str:
    """Give a page's text."""
    return page.read_text(encoding="utf-8")


# --- pages that are made from the code


def test_delivery_page_has_every_step_and_no_other() -> None:
    """A technician who reads where a delivery can go must find what the program does: rows and table agree both ways."""
    rows = STEP_ROW.findall(text_of(ROOT / "docs/delivery.md"))
    printed = {(state, event): after for state, event, after, _ in rows}
    assert printed == {(state.value, event.value): after.value for (state, event), after in DELIVERY_STEPS.items()}
    assert len(rows) == len(printed) == 42


def test_delivery_page_has_every_state_with_its_kind() -> None:
    """Open, stopped or ended is what decides whether a lane waits and whether a person must act."""
    kinds = (
        dict.fromkeys(DeliveryState, "ended") | dict.fromkeys(OPEN_DELIVERY, "open") | dict.fromkeys(STOPPED_DELIVERY, "stopped")
    )
    rows = STATE_ROW.findall(text_of(ROOT / "docs/delivery.md"))
    assert sorted((state, kind) for state, kind, _ in rows) == sorted((state.value, kind) for state, kind in kinds.items())


def test_configuration_page_is_made_from_the_settings() -> None:
    """Each key of a site's file is described; write it again with python -m bridge.cli.reference."""
    assert text_of(ROOT / "docs/reference/configuration.md") == configuration_page()


def test_answers_page_is_made_from_the_tables() -> None:
    """The page says exactly what lifecycle.answers decides."""
    assert text_of(ROOT / "docs/reference/answers.md") == describe()


# --- links


def relative_links() -> Iterator[tuple[str, str]]:
    """Give (page, link) for every link that is no address on the web."""
    for page in PAGES:
        for link in LINK.findall(text_of(page)):
            if not link.startswith(("http:", "https:", "mailto:")):
                yield str(page.relative_to(ROOT)), link


def anchors(page: Path) -> set[str]:
    """Give the anchors of a page's headings, as GitHub makes them: small letters, blanks to hyphens, other signs dropped."""
    headings = re.findall(r"^#+ (.+)$", text_of(page), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in headings}


def missing_target(page: str, link: str) -> str:
    """Say what a link points to that is not there; "" if all is well."""
    file, _, anchor = link.partition("#")
    target = (ROOT / page).parent / file if file else ROOT / page
    if not target.exists():
        return f"no file {file}"
    return "" if not anchor or anchor in anchors(target) else f"no heading #{anchor}"


def test_every_relative_link_leads_somewhere() -> None:
    """A dead link in a manual leaves a person alone in front of a stopped strip."""
    links = list(relative_links())
    assert [(page, link, fault) for page, link in links if (fault := missing_target(page, link))] == []
    assert ("README.md", "DEVELOPERS.md") in links
    assert missing_target("README.md", "docs/no-such-page.md") == "no file docs/no-such-page.md"
    assert missing_target("README.md", "#no-such-heading") == "no heading #no-such-heading"


# --- command lines


def command_lines() -> Iterator[tuple[str, str, bool]]:
    """Give (page, what stands after `padpost`, is a mention) for every command in a code span, indented, or in a fence.

    A code span of `padpost` and one word mentions a command; all else is a line to type.
    """
    for page in PAGES:
        text = text_of(page)
        found = [(code, True) for code in CODE_SPAN.findall(text)] + [(code, False) for code in CODE_LINE.findall(text)]
        for code, is_span in found:
            if ours := CALLS_US.match(code.strip()):
                yield str(page.relative_to(ROOT)), ours[1], is_span and " " not in ours[1]


def fault_of(line: str, *, is_mention: bool = False) -> str:
    """Parse a command line as the program does, running nothing; give the program's complaint or "".

    A capital word in a page (FILE, NAME) stands for the reader's own, and is taken as it is.
    """
    group = typer.main.get_command(app)
    assert isinstance(group, TyperGroup)
    words = shlex.split(line, comments=True)
    try:
        with group.make_context("padpost", list(words)) as context:
            name, command, rest = group.resolve_command(context, words)
            assert command is not None
            command.make_context(name, list(rest), parent=context, resilient_parsing=is_mention)
    except typer.Exit:  # --help and --version
        return ""
    except Exception as error:
        if not hasattr(error, "format_message"):  # what a usage error has; its class is typer's own business
            raise
        return str(error.format_message())
    return ""


def test_every_command_line_is_a_real_one() -> None:
    """What a page tells a person to type must be taken: real commands, real options, nothing required left out."""
    lines = sorted(set(command_lines()))
    assert ("README.md", "check", False) in lines
    assert ("docs/reference/configuration.md", "serve --config site.yaml", False) in lines
    assert [(page, line, fault) for page, line, mention in lines if (fault := fault_of(line, is_mention=mention))] == []


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        ("frobnicate", "No such command 'frobnicate'."),
        ("demo --twice", "No such option: --twice"),
        ("serve", "Missing option '--config'"),
        ("convert FILE", "Missing option '--profile'"),
        ("check --config site.yaml", ""),
    ],
)
def test_a_wrong_command_line_is_found(line: str, fault: str) -> None:
    """The check above can fail: it complains as the program would."""
    assert fault_of(line).startswith(fault)
    assert bool(fault_of(line)) is bool(fault)


def test_a_mention_needs_a_real_command_only() -> None:
    """A sentence may name `padpost serve` without its options, but no command that is not there."""
    assert fault_of("serve", is_mention=True) == ""
    assert fault_of("frobnicate", is_mention=True) == "No such command 'frobnicate'."
