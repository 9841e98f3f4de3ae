"""The values that the site's controls are compiled to."""

from __future__ import annotations

from datetime import date

from bridge.tables.control_table import ControlLot, ControlTable, ExpectedPad


def test_what_an_expected_pad_says_of_itself() -> None:
    """One step is a target, more are a range, none means that the insert says nothing."""
    said = {
        ranks: (ExpectedPad(pad="blood", ranks=ranks).is_claimed, ExpectedPad(pad="blood", ranks=ranks).is_target)
        for ranks in ((), (2,), (2, 3))
    }
    assert said == {(): (False, False), (2,): (True, True), (2, 3): (True, False)}


def test_a_lot_is_signed_by_a_name() -> None:
    """Without a second person's name nothing is signed."""
    parts = {"material": "birch", "level": "1", "lot": "B1", "labels": frozenset[str](), "expires": date(2027, 3, 31)}
    lot = ControlLot(**parts, strip_type="quill-10", expected=(), entered_by="R. Holm")  # type: ignore[arg-type] # one dict of several field types
    assert not lot.is_signed


def test_a_site_that_says_nothing_of_controls_has_no_gate() -> None:
    """No policy, no gate: results go as they went before."""
    assert ControlTable().policy is None
