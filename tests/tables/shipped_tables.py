"""The shipped mapping files, loaded once, and copies of them to spoil."""

from __future__ import annotations

import csv
import shutil
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from bridge.settings import Document, shipped_mappings
from bridge.site import load_tables
from bridge.tables.documents import CatalogueDocument
from bridge.tables.types import PatientIdPolicy, Policy, Tables

ZONE = ZoneInfo("Europe/Lisbon")
POLICY = Policy(
    patient_id=PatientIdPolicy(pattern="[0-9]{8}", check_digit="", denied=frozenset({"00000000"}), denied_patterns=()),
    rerun_window_minutes=120,
    future_tolerance_minutes=15,
    oldest_days=30,
)
DATA = Path(__file__).parent / "data"


@cache
def tables() -> Tables:
    """Give the shipped tables under a fixed policy and zone."""
    return load_tables(shipped_mappings(), None, POLICY, zone=ZONE)


@cache
def catalogue() -> CatalogueDocument:
    """Give the shipped catalogue as its file has it."""
    return Document(shipped_mappings() / "catalogue.yaml").shaped(CatalogueDocument)


def rows(name: str) -> list[dict[str, str]]:
    """Give the rows of a copied fact file; its README names the origin."""
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def spoiled(folder: Path, name: str, old: str, new: str) -> Path:
    """Copy one shipped mapping file into a site's own folder, with ``old`` replaced by ``new`` once."""
    text = (shipped_mappings() / name).read_text(encoding="utf-8")
    assert text.count(old) >= 1, f"{old!r} is not in {name}"
    target = folder / name
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(text.replace(old, new, 1), encoding="utf-8")
    return folder


def copied(folder: Path) -> Path:
    """Copy all shipped mapping files."""
    shutil.copytree(shipped_mappings(), folder, dirs_exist_ok=True)
    return folder
