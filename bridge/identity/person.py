"""Whether two names are one person's."""

from __future__ import annotations


def same_person(one: str, other: str) -> bool:
    """Say whether two names are one person's: capitals and blanks make no other one."""
    return _bare(one) == _bare(other)


def _bare(name: str) -> str:
    return "".join(name.split()).casefold()
