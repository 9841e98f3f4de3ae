"""What an error says: the place an editor can jump to, the cause, the remedy."""

from __future__ import annotations

import pytest

from bridge import errors
from bridge.errors import PadpostError, RejectError, SettingsError, SetupError, Spot, TableError


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (
            SettingsError("It is wrong.", remedy="Mend it.", path=("a", 0), spot=Spot(file="site.yaml", line=3, key="a[0]")),
            "site.yaml:3: a[0]: It is wrong. Mend it.",
        ),
        (
            TableError("It is wrong.", remedy="Mend it.", spot=Spot(file="x.yaml", line=1, key="")),
            "x.yaml:1: It is wrong. Mend it.",
        ),
        (
            SetupError("It is wrong.", remedy="Mend it.", path=("sources", 0, "profile")),
            "sources.0.profile: It is wrong. Mend it.",
        ),
        (SetupError("It is wrong.", remedy=""), "It is wrong."),
    ],
)
def test_a_setup_error_is_one_line(error: SetupError, text: str) -> None:
    """Place, cause and remedy; what is not known is left out with its punctuation."""
    assert str(error) == text


def test_a_reject_carries_what_its_row_says() -> None:
    """The rule's stable id stands first; place and remedy are kept apart for the page."""
    error = RejectError("pad.missing", "The record lacks pH.", remedy="Send it again.", start=4, end=9)
    assert (str(error), error.rule, error.remedy, error.start, error.end) == (
        "pad.missing: The record lacks pH.", "pad.missing", "Send it again.", 4, 9,
    )  # fmt: skip


def test_every_error_is_caught_where_the_command_catches() -> None:
    """``padpost`` turns a PadpostError into one sentence and status 2; another class would be a trace."""
    raised = {value for value in vars(errors).values() if isinstance(value, type) and issubclass(value, Exception)}
    assert [error.__name__ for error in raised if not issubclass(error, PadpostError)] == []
    assert len(raised) == 17
    assert issubclass(errors.Overtaken, errors.RefusedAction)
    assert issubclass(errors.SettingsError, SetupError)
    assert issubclass(errors.TableError, SetupError)
    for error in (errors.StoreFull, errors.StoreLocked, errors.StoreAway, errors.StoreUnsure, errors.StoreFailed):
        assert issubclass(error, errors.StoreError)
