"""The page of hazards says what the tests show, and nothing is left out of it."""

from __future__ import annotations

from dataclasses import replace

from tests.hazards.page import PAGE, Answer, Shown, answers, every_test, faults, hazards, lost, naming, page, shown


def test_the_page_is_made_from_the_table_the_answers_and_the_tests() -> None:
    """A test that was renamed, or names another row, changes it; write it again with python -m tests.hazards."""
    assert PAGE.read_text(encoding="utf-8") == page()


def test_every_row_has_an_answer_that_can_be_shown() -> None:
    """Here with a test that names the row, in a capability that has a name, or never with its reason."""
    assert list(faults(answers())) == []
    assert len(hazards()) == len({each.row for each in hazards()}) == 106


def test_what_must_be_shown_besides_is() -> None:
    """A line of the issue whose test is gone is no longer shown."""
    assert list(lost(shown())) == []
    assert list(lost((Shown(claim="x", tests=("tests/no_such_file.py::test_x",)),))) == ["tests/no_such_file.py::test_x"]


def test_the_checks_can_fail() -> None:
    """Each of what they look for, planted."""
    said = answers()
    silent = next(row for row, answer in said.items() if answer.later and not answer.here)
    named = min(naming())
    planted = {
        "no row": {"HZ-A99": Answer(never="x")},
        "has no answer": {silent: Answer()},
        "no test names it": {silent: Answer(here="x")},
        "nothing is said": {named: Answer(later={"orders": "x"})},
        "one of the two": {named: replace(said[named], never="x")},
        "no rule": {named: replace(said[named], rules=("no.rule",))},
        "no capability": {named: replace(said[named], later={"magic": "x"})},
    }
    for sentence, change in planted.items():
        found = list(faults({**said, **change}))
        assert len(found) == 1, sentence
        assert sentence in found[0]


def test_contracts_and_classes_are_looked_through() -> None:
    """What every store must do stands in classes of files that are no test modules."""
    assert any(name.startswith("tests/store/lot_contract.py::test_") for name in every_test())
