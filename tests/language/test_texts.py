"""No page holds a text that cannot be put into the language of its reader."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from tests.language.texts import PAGES, TEMPLATES, calls, collect, name_of, unmarked_in_module, unmarked_in_template

OF_A_REQUEST = (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda)  # what runs while one is answered
NAMES = re.compile(
    r"[A-Z][A-Z0-9-]*( \d+)?"
)  # methods, control characters, fields of HL7, STAT: they are the same in every language
# Texts that no page shows as they stand, by module, each with the reason.
UNSAID = {
    "api.py": {
        "A problem (RFC 9457)",
        "There is no such row.",
        "There is no such result.",
        "There is no such strip.",
    },  # of programs
    "app.py": {
        "Padpost",
        "Connection",
        "not ready",
        "X-Accel-Buffering",
    },  # a name, two headers, and what /health says to programs
    "container_board.py": {
        "in use",
        "in use, not for long any more",
        "past its last day: take it away",
        "open for too long: take it away",
    },  # members that are shown as they are called: tests/language/texts.py
    "door.py": {"from this machine"},  # kept with the event
    "doorkeeper.py": {"Bearer ", "Bearer", "WWW-Authenticate"},
    "indicator_sheet.py": {"not checked"},  # in the file, which a program reads
    "language.py": {"Key", "LC_MESSAGES"},
    "lot_export.py": {"read at", "patient ID", "its state"},  # columns that a program reads
    "months.py": {" is no month"},  # caught where it is raised
    "narrowed.py": {"very long"},  # in an address
    "report_sheets.py": {"90th percentile (s)", "95th percentile (s)", "operator number"},  # columns that a program reads
    "sent_values.py": {"Observation"},  # the name of a FHIR resource
    "server.py": {"RequestResponseCycle | None", "BoundedProtocol"},
    "site.py": {" is not reached from here."},  # of a site that tries nothing
    "what_if.py": {"not given yet", "somebody else"},  # stand in for what a person would type
    "words.py": {"Cc", "Cf", "Co", "Cs", "Cn", "Zl", "Zp"},  # categories of Unicode
}
NOT_SAID = re.compile(r"{{ (shown\(name\)|name|one|hours) }}")  # names and figures, which no language changes
KEPT = {"sights.py"}  # what the audit trail keeps is English, whoever saw the page


@pytest.mark.parametrize("path", sorted(TEMPLATES.glob("*.html")), ids=lambda path: path.stem)
def test_a_template_says_nothing_past_the_catalogues(path: Path) -> None:
    """Plain text is found by itself; a text in an expression must be marked with `_()`, or it stays English."""
    assert unmarked_in_template(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("path", sorted(set(PAGES.glob("*.py"))), ids=lambda path: path.stem)
def test_a_module_says_nothing_past_the_catalogues(path: Path) -> None:
    """What a page shows goes through `_()` or a table of words; what is left is named above, with its reason."""
    if path.name in KEPT:
        return
    left = {text for text, _ in unmarked_in_module(ast.parse(path.read_text(encoding="utf-8"))) if not NAMES.fullmatch(text)}
    assert left == UNSAID.get(path.name, set())


@pytest.mark.parametrize("path", sorted(PAGES.glob("*.py")), ids=lambda path: path.name)
def test_no_text_is_put_into_a_language_as_a_module_is_read(path: Path) -> None:
    """No request is answered then, so that text would be English for ever: `later()` marks it, and `_()` says it where it is shown."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    inside = {id(part) for node in ast.walk(tree) if isinstance(node, OF_A_REQUEST) for part in ast.walk(node)}
    said = [call for call in calls(tree) if id(call) not in inside and name_of(call) in {"_", "ngettext", "counted"}]
    assert [f"{path.name}:{call.lineno}" for call in said] == []


def test_the_look_finds_what_is_left_out() -> None:
    """A look that finds nothing anywhere would prove nothing."""
    found = unmarked_in_template('<p>{{ field("Patient ID") }}{{ field(_("Specimen")) }}</p>')
    assert found == [("Patient ID", 1)]
    assert list(unmarked_in_module(ast.parse('"""Doc."""\nx = _("Kept.")\ny = f"Not {x} kept."\n'))) == [("Not   kept.", 3)]


def test_texts_are_found_where_they_stand() -> None:
    """Of each sort one that is known to be there: a template's, a module's, a table's, a heading's, and one with a count."""
    found = collect()
    assert "Rejected messages" in found.single
    assert "patient ID fails its check digit" in found.single
    assert "95 % interval from" in found.single
    assert ("strip", "strips") in found.several
    assert ("missing number", "missing numbers") in found.several


@pytest.mark.parametrize("path", sorted(TEMPLATES.glob("*.html")), ids=lambda path: path.stem)
def test_a_choice_sends_the_same_whatever_it_is_called(path: Path) -> None:
    """An option without a value sends its text: in another language the form would send another word."""
    bare = re.findall(r"<option(?:{%[^>]*%})?>([^<]+)<", path.read_text(encoding="utf-8"))
    assert [words for words in bare if not NOT_SAID.fullmatch(words)] == []
