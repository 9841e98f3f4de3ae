"""The page of accounts: an administrator's alone, every change with a reason, a code or key shown once (HZ-J01)."""

from __future__ import annotations

import re
from datetime import timedelta

from bridge.accounts.people import Role
from tests.pages.peopled import NAMES, House
from tests.pages.stocked import NOW


def test_a_code_is_shown_once_and_kept_as_a_digest(house: House) -> None:
    """Whoever opens the page later sees that one is out."""
    admin = house.person(Role.ADMINISTRATOR)
    shown = admin.post("/accounts", account_name="Rui Alves", role="supervisor")
    (code,) = re.findall(r"<code>([A-Z2-7-]{19})</code>", shown.text)
    page = admin.shown("/accounts")
    assert code not in page.html
    assert "code given out" in page.text
    account = house.stocked.store.account_named("Rui Alves")
    assert account is not None
    assert (account.role, account.code_until, code in repr(house.stocked.store.accounts())) == (
        Role.SUPERVISOR, NOW + timedelta(hours=24), False,
    )  # fmt: skip


def test_a_role_changes_with_a_reason_and_who_it_concerns_signs_in_again(house: House) -> None:
    """What an account may do is never more than the page says."""
    admin, person = house.person(Role.ADMINISTRATOR), house.person(Role.TECHNICIAN)
    account = house.stocked.store.account_named(NAMES[Role.TECHNICIAN])
    assert account is not None
    path = f"/accounts/{account.account_id}/role"
    assert "Give a reason" in admin.post(path, role="viewer", reason=" ").text
    assert "Choose a role" in admin.post(path, role="machine", reason="r").text
    assert admin.post(path, role="viewer", reason="leaves the bench").status_code == 303
    assert person.get("/").status_code == 303
    event = house.stocked.store.events(f"account:{account.account_id}")[-1]
    assert (event.what, event.actor, event.verified, event.after, event.reason) == (
        "account.role", "Ada Reis", "password", "viewer", "leaves the bench",
    )  # fmt: skip
    assert admin.post("/accounts/99/role", role="viewer", reason="r").status_code == 409


def test_the_last_administrator_stays(house: House) -> None:
    """The page says so, and changes nothing."""
    admin = house.person(Role.ADMINISTRATOR)
    account = house.stocked.store.account_named(NAMES[Role.ADMINISTRATOR])
    assert account is not None
    assert "Nobody would be left" in admin.post(f"/accounts/{account.account_id}/switch", on="no", reason="r").text
    assert house.stocked.store.account(account.account_id) == account


def test_a_new_code_takes_the_password_away(house: House) -> None:
    """A forgotten password is replaced, and nobody learns it."""
    admin = house.person(Role.ADMINISTRATOR)
    account = house.stocked.store.account_named(NAMES[Role.TECHNICIAN])
    assert account is not None
    assert admin.post(f"/accounts/{account.account_id}/code", reason="forgotten").status_code == 200
    assert house.browser().sign_in(account.name).status_code == 403


def test_a_key_is_shown_once(house: House) -> None:
    """Its name is a program's; it opens for some days, and at most a year."""
    admin = house.person(Role.ADMINISTRATOR)
    shown = admin.post("/accounts/keys", key_name="ward list", days="90")
    (key,) = re.findall(r"<code>(padpost_[0-9a-f]{64})</code>", shown.text)
    assert key not in admin.shown("/accounts").html
    (kept,) = house.stocked.store.api_keys()
    assert (kept.name, kept.acts, kept.until, kept.made_by) == ("ward list", False, NOW + timedelta(days=90), "Ada Reis")
    assert "1 to 366 days" in admin.post("/accounts/keys", key_name="ward list", days="367").text


def test_a_name_that_would_run_is_shown_as_text(house: House) -> None:
    """Checklist S26."""
    admin = house.person(Role.ADMINISTRATOR)
    admin.post("/accounts", account_name="<script>x</script>", role="viewer")
    assert admin.shown("/accounts").all("script", src="") == []
    assert "<script>x" not in admin.get("/accounts").text
