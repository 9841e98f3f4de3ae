"""Where the store is, when it is on a PostgreSQL server."""

from __future__ import annotations

from urllib.parse import urlsplit

from pydantic import Field, field_validator
from pydantic_core import PydanticCustomError

from bridge.settings.shapes import QUIET, Secret, Shape


class Database(Shape):
    """A PostgreSQL database (version 14 or newer) in place of the data folder's file.

    ``url`` is libpq's: `postgresql://role@host:5432/name`, several hosts with commas, TLS and time limits as its parameters
    (`?sslmode=verify-full&sslrootcert=/etc/padpost/ca.pem`). ``password`` names where the role's password is; it never stands in the URL.
    """

    url: str = Field(pattern=r"^postgres(ql)?://\S+$")
    password: Secret | None = None

    @field_validator("url")
    @classmethod
    def _holds_no_password(cls, url: str) -> str:
        parts = urlsplit(url)
        if ":" in parts.netloc.rpartition("@")[0] or "password=" in parts.query:
            raise PydanticCustomError(
                QUIET, "a password stands in the URL; take it out, and name the variable that holds it by the key password"
            )
        return url
