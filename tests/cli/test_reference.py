"""The page on the site configuration is made from the settings' shapes."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path

from pydantic import BaseModel

from bridge import settings
from bridge.cli.reference import configuration_page
from tests.cli.commands import padpost


def _keys() -> Iterator[tuple[str, str]]:
    """Give (shape, key) of every shape that a site file is made of, found by walking the module, not the page's way."""
    parts = {value for value in vars(settings).values() if isinstance(value, type) and issubclass(value, BaseModel)}
    bases = {settings.Shape, settings.SourceShape, settings.LineSource, settings.DestinationShape, settings.HttpDestination}
    for shape in parts - bases - {BaseModel}:
        for key in shape.model_fields:
            yield shape.__name__, key


def test_every_key_has_its_row_and_every_row_its_key() -> None:
    """No key goes undescribed, and no row describes a key that is gone."""
    shown: set[tuple[str, str]] = set()
    heading = ""
    for line in configuration_page().splitlines():
        if line.startswith("## "):
            heading = line.removeprefix("## ")
        elif row := re.match(r"\| `([a-z_0-9]+)` \|", line):
            shown.add((heading, row[1]))
    assert shown == set(_keys())


def test_rows_say_what_a_key_takes_and_its_default() -> None:
    """A few rows, as they must stand: a limit, a choice, a list, a link, a required key."""
    rows = configuration_page().splitlines()
    for row in (
        "| `port` | a whole number, at least 0, at most 65535 | `8765` |",
        "| `check_digit` | nothing or `mod11` or `luhn` or `verhoeff` | nothing |",
        "| `host_names` | a list of text | none |",
        "| `site` | [Site](#site) | required |",
        "| `zone` | a time zone such as Europe/Lisbon | required |",
        "| `values` | a list of `arbitrary` or `conventional` or `si` | `arbitrary, conventional, si` |",
        "| `allow_other_hosts` | true or false | `false` |",
        "| `grades` | a list of `loinc` or `local` or `snomed` or `text` | `loinc` |",
        "| `grade_table` | [GradeTable](#gradetable) | none |",
        "| `codes` | keys `negative` or `normal` or `trace` or `1+` or `2+` or `3+` or `4+` or `positive`, each with a [GradeCode](#gradecode) | required |",
    ):
        assert row in rows


def test_the_module_prints_the_page(tmp_path: Path) -> None:
    """``python -m bridge.cli.reference`` is how the page is renewed."""
    run = padpost(cwd=tmp_path, command=(sys.executable, "-m", "bridge.cli.reference"))
    assert (run.returncode, run.stdout.decode()) == (0, configuration_page())
