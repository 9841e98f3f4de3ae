"""What of a form goes along when it is shown once more."""

from __future__ import annotations

from bridge.pages.once_more import TypedForm

FORM = TypedForm(
    path="/results/1/move",
    pairs=(
        ("token", "t"),
        ("name", "Ana"),
        ("version", "2"),
        ("first", "4711"),
        ("reason", " "),
        ("colleague", "Sam"),
        ("own_password", "secret one"),
        ("second_password", "secret two"),
    ),
    fault="no",
)


def test_all_that_was_typed_goes_along_but_passwords_and_the_token() -> None:
    """What a person reads of it has words; a field that is empty is not shown."""
    assert FORM.carried == (("version", "2"), ("first", "4711"), ("reason", " "), ("colleague", "Sam"))
    assert FORM.shown == (("Patient ID", "4711"), ("Second person", "Sam"))
    assert FORM.second == "Sam"
    assert TypedForm(path="/", pairs=(("second_person", ""),), fault="").second == ""
