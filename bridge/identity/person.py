"""Whether two names are one person's."""

from __future__ import annotations


def same_person(one: str, other: str) -> bool:
    """Say whether two names are one person's: capitals and blanks make no other one."""
    return bare(one) == bare(other)


def bare(name: str) -> str:
    """Give a name as names are compared: small letters without blanks."""
    return "".join(name.split()).casefold()
