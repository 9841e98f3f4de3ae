"""What is believed of a directory's word on a person; rules of the token one by one are in tests/pages/test_directory.py, over HTTP."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from bridge.accounts.directory import Asked, DirectoryTerms, Found, found, lacks, role_of, token_fault
from bridge.accounts.people import Role

NOW = datetime(2026, 11, 27, 9, 0, tzinfo=UTC)
GROUPS = {"lab": Role.TECHNICIAN, "leads": Role.SUPERVISOR, "look": Role.VIEWER}
TERMS = DirectoryTerms(issuer="https://staff.example", client_id="padpost", roles=GROUPS)
SECONDS = int(NOW.timestamp())
# the claims of OpenID Connect Core 1.0, section 2
CLAIMS = {"iss": "https://staff.example", "sub": "u-1", "aud": "padpost", "exp": SECONDS + 300, "iat": SECONDS, "nonce": "n"}
FRESH = Asked(nonce="n", fresh_since=NOW - timedelta(seconds=90))


@pytest.mark.parametrize(
    ("auth_time", "is_taken"),
    [
        (SECONDS, True),
        (SECONDS - 150, True),
        (SECONDS - 151, False),
        (SECONDS + 61, False),
        (None, False),
        (True, False),
        ("0", False),
    ],
)
def test_a_fresh_sign_in_must_be_said_to_be_one(auth_time: object, is_taken: bool) -> None:
    """OpenID Connect Core 1.0, 3.1.2.1 (max_age): auth_time is there and not before the asking, but for a minute between the clocks."""
    claims = {**CLAIMS, "auth_time": auth_time}
    assert (token_fault(claims, TERMS, FRESH, now=NOW) == "") is is_taken
    assert token_fault(claims, TERMS, Asked(nonce="n"), now=NOW) == ""


@pytest.mark.parametrize(
    "wrong",
    [{"exp": "soon"}, {"exp": float("inf")}, {"exp": 1e300}, {"iat": None}, {"sub": "é"}, {"sub": "x" * 256}, {"nonce": 7}],
)
def test_what_is_not_of_its_kind_is_no_claim(wrong: dict[str, object]) -> None:
    """Whatever stands there, there is a sentence and no error."""
    assert token_fault({**CLAIMS, **wrong}, TERMS, Asked(nonce="n"), now=NOW) != ""


@pytest.mark.parametrize(
    ("groups", "role"),
    [
        (["lab", "leads"], Role.SUPERVISOR), (["look"], Role.VIEWER), ("lab", Role.TECHNICIAN), ([], None), (None, None), (["LAB"], None),
        ([["lab"], 7, "staff"], None), ({"lab": True}, None),
    ],
)  # fmt: skip
def test_the_highest_group_counts(groups: object, role: Role | None) -> None:
    """Groups are compared letter by letter; what is no text is no group."""
    assert role_of(groups, GROUPS) is role


def test_names_are_such_as_can_stand_beside_an_act() -> None:
    """The name, then the name with the short one for a namesake; nothing where neither can be shown."""
    claims = {**CLAIMS, "name": " Ana \t Lima", "preferred_username": "alima", "groups": ["lab"]}
    assert found(claims, TERMS) == Found(
        issuer=TERMS.issuer, subject="u-1", names=("Ana Lima", "Ana Lima (alima)"), role=Role.TECHNICIAN
    )
    assert found({**CLAIMS, "name": "\u202eamiL", "preferred_username": 7}, TERMS).names == ()
    assert found({**CLAIMS, "name": "alima", "preferred_username": "alima"}, TERMS).names == ("alima",)
    assert (lacks(claims, TERMS), lacks({**claims, "name": ""}, TERMS), lacks(CLAIMS, TERMS)) == (False, True, True)
