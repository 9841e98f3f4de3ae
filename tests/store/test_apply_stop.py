"""Whose a stop is, said of what is not there any more. The contract: stop_contract.py."""

from __future__ import annotations

from bridge.store.apply_stop import taken_by


def test_the_second_one_is_told_whose_it_is() -> None:
    """Or that nobody has it now, so that one does not wait for the other."""
    assert taken_by("Eda") == "Eda has taken this meanwhile."
    assert taken_by("") == "This was given back meanwhile: nobody has it now. Look at it again."
