"""Whose accounts open anything at a site."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.accounts.envelope import is_emergency
from bridge.accounts.people import Account, Role


@dataclass(frozen=True, kw_only=True, slots=True)
class Taken:
    """Those of this site by ``passwords``, and those of the directory ``issuer`` ("": of none)."""

    passwords: bool = True
    issuer: str = ""

    @property
    def issuers(self) -> tuple[str, ...]:
        """Give whose accounts of people are taken, as ``Account.issuer`` has it: "" is this site."""
        return (*([""] if self.passwords else []), *([self.issuer] if self.issuer else []))

    def takes(self, account: Account) -> bool:
        """Say whether an account is one of these, or the emergency one. One of a directory that the site has left is none."""
        return account.issuer in self.issuers or is_emergency(account)

    def administers(self, account: Account) -> bool:
        """Say whether somebody who comes in may administer by this account."""
        return account.is_on and account.role is Role.ADMINISTRATOR and account.issuer in self.issuers


OWN = Taken()  # of a site without a directory
