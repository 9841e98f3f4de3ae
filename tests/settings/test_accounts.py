"""What a site may say of accounts, and what each wrong line is answered with."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge import settings
from bridge.errors import SettingsError
from tests.site_for_tests import site

PAGES = "pages: {port: 0}\naccounts: {sign_in: none}\n"
RIGHT = """pages: {port: 0, behind_tls: true, host_names: [padpost.example]}
accounts:
  sign_in: both
  oidc:
    issuer: https://login.example/realms/staff
    client_id: padpost
    client_secret: {env: PADPOST_OIDC_SECRET}
    address: https://padpost.example
    roles: {lab: technician, lab-leads: supervisor}
"""


def test_a_directory_is_named_and_its_groups_are_roles(tmp_path: Path) -> None:
    """Defaults ask for the password each time."""
    said = site(tmp_path, PAGES, RIGHT).accounts
    assert said.oidc == settings.Oidc(
        issuer="https://login.example/realms/staff",
        client_id="padpost",
        client_secret=settings.Secret(env="PADPOST_OIDC_SECRET"),
        address="https://padpost.example",
        roles={"lab": "technician", "lab-leads": "supervisor"},
        groups_claim="groups",
        name_claim="name",
        scope="openid profile",
        every_time=True,
        answer_s=10.0,
        tls=None,
    )


@pytest.mark.parametrize(
    ("right", "wrong", "words"),
    [
        ("sign_in: both", "sign_in: local", "accounts.oidc is given, and accounts.sign_in is local"),
        ("behind_tls: true, ", "", "set pages.behind_tls: true"),
        ("https://login.example", "http://login.example", "oidc.issuer is plain http"),
        ("https://login.example", "https://me:pw@login.example", "a user or a password stands in the address"),
        ("realms/staff", "realms/staff?a=b", "oidc.issuer has a query"),
        ("realms/staff", "realms/staff#top", "a fragment"),
        ("https://padpost.example\n", "https://padpost.example/lab\n", "oidc.address has a path"),
        ("https://padpost.example\n", "http://padpost.example\n", "oidc.address is plain http"),
        ("https://padpost.example\n", "https://padpost.example:443\n", "leave the port out"),
        ("lab: technician", "lab: machine", "'viewer', 'technician', 'supervisor' or 'administrator'"),
        ("{lab: technician, lab-leads: supervisor}", "{}", "roles"),
        ("client_id: padpost", "client_id: padpost\n    scope: profile", "oidc.scope lacks openid"),
    ],
)
def test_what_would_let_the_wrong_people_in_is_an_error_at_load(tmp_path: Path, right: str, wrong: str, words: str) -> None:
    """HZ-J01."""
    assert right in RIGHT
    with pytest.raises(SettingsError) as caught:
        site(tmp_path, PAGES, RIGHT.replace(right, wrong, 1))
    assert words in str(caught.value)


def test_without_a_directory_nobody_comes_by_one(tmp_path: Path) -> None:
    """Both ways need to be said."""
    with pytest.raises(SettingsError, match=r"nothing says which directory: add accounts\.oidc"):
        site(tmp_path, PAGES, "pages: {port: 0}\naccounts: {sign_in: oidc}\n")
