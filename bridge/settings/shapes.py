"""What every part of the site configuration is made of: the base shape, names, zones, secrets."""

from __future__ import annotations

import os
from ipaddress import ip_network
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from bridge.errors import SettingsError


def _zone(name: object) -> ZoneInfo:
    if isinstance(name, ZoneInfo):
        return name
    try:
        return ZoneInfo(str(name))
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise ValueError(f"no time zone is called {name!r}; use a name such as Europe/Lisbon") from error


Zone = Annotated[ZoneInfo, BeforeValidator(_zone)]
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")]


def _network(text: str) -> str:
    try:
        return str(ip_network(text))
    except ValueError as error:
        raise ValueError(
            f"{text!r} is no address and no network: write 192.0.2.7, or 192.0.2.0/24 with nothing behind the mask"
        ) from error


Network = Annotated[str, AfterValidator(_network)]

QUIET = "quiet"  # the type of an error whose value must not be repeated in its sentence


class Shape(BaseModel):
    """What every part of the configuration has in common: frozen, and no unknown key."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


class Secret(Shape):
    """A secret that the configuration only names: an environment variable, or a file named by VARIABLE_FILE."""

    env: str

    def value(self) -> str:
        """Read the secret. Raises SettingsError if neither VARIABLE nor VARIABLE_FILE gives one."""
        given = os.environ.get(self.env, "")
        path = os.environ.get(f"{self.env}_FILE", "")
        if not given and path:
            try:
                given = Path(path).read_text(encoding="utf-8").strip()
            except (OSError, UnicodeDecodeError) as error:
                raise SettingsError(
                    f"The secret {self.env} cannot be read from {path}: {cause(error)}.",
                    remedy=f"Set {self.env}_FILE to a text file that holds it.",
                ) from error
        if not given:
            raise SettingsError(
                f"The secret {self.env} is {'empty' if path or self.env in os.environ else 'not set'}.",
                remedy=f"Set {self.env}, or {self.env}_FILE to a file that holds it.",
            )
        return given


def cause(error: OSError | UnicodeDecodeError) -> str:
    """Say why a file could not be read."""
    return (error.strerror or str(error)) if isinstance(error, OSError) else f"byte {error.start + 1} is not UTF-8"
