"""``padpost check --accept``: what a site's profiles make of their own examples, kept beside the site's mapping files.

A changed word, code or ladder changes what a receiver is sent. ``check`` tells when the output of an example is no longer
the one that a person accepted; ``--accept`` shows the difference and keeps the new one.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from bridge import settings
from bridge.errors import SettingsError
from bridge.model import Capture, Way
from bridge.pages.message_view import lines
from bridge.read import check_example
from bridge.site import default_policy, grade_faults, tables_for, terms_of
from bridge.tables.types import Profile, Tables
from bridge.trial import Trial, try_out

FOLDER = "accepted"
_ARRIVED = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)  # ours: fixed, so that the same tables give the same output on any day


def accept(config_path: Path | None) -> int:
    """Show what changed in the output of each profile that the site uses, and keep the new output. Gives 0.

    Raises SettingsError where there is no site, no folder to keep it in, or an example that is not read as it says.
    """
    if config_path is None:
        raise SettingsError("Output is accepted for a site.", remedy="Name its configuration: --config site.yaml.")
    config = settings.read_settings(config_path)
    if config.mappings is None:
        raise SettingsError(
            "The site has no folder for its mapping files.", remedy="Add mappings: ./mappings.", path=("mappings",)
        )
    tables = tables_for(config)
    for error in grade_faults(config, tables):
        raise settings.placed(error, config_path)
    for profile in _used(config, tables):
        fault = check_example(profile, tables)
        if fault:
            raise SettingsError(fault, remedy="Mend the profile or its example first: a wrong output is not accepted.")
        path = _path(config.mappings, profile)
        kept, now = _kept(path), _output(profile, config, tables)
        if kept == now:
            print(f"output of profile {profile.name}: as it was accepted")
            continue
        print("\n".join(_difference(kept, now)))
        _keep(path, now)
        print(f"output of profile {profile.name}: accepted, kept in {path}")
    return 0


def output_lines(config: settings.Settings, tables: Tables) -> Iterator[tuple[str, str]]:
    """Give a line for each profile in use whose output was accepted before, and its fault where it is another now."""
    if config.mappings is None:
        return
    for profile in _used(config, tables):
        kept = _kept(_path(config.mappings, profile))
        if kept:
            changed = list(_difference(kept, _output(profile, config, tables)))
            fault = f"it changed since it was accepted; padpost check --accept shows and accepts it\n{chr(10).join(changed)}"
            yield f"output of profile {profile.name}", fault if changed else ""


def _used(config: settings.Settings, tables: Tables) -> list[Profile]:
    names = dict.fromkeys(source.profile for source in config.sources)
    return [tables.profiles[name] for name in names if name in tables.profiles]


def _path(mappings: Path, profile: Profile) -> Path:
    return mappings / FOLDER / f"{profile.name}.json"


def _kept(path: Path) -> str:
    """Give the accepted output; "" where there is none."""
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path} cannot be read.", remedy="Remove it, and accept the output anew.") from error


def _keep(path: Path, output: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(output, encoding="utf-8")
    except OSError as error:
        raise SettingsError(f"{path} cannot be written: {error.strerror}.", remedy="Make the folder writable for you.") from error


def _output(profile: Profile, config: settings.Settings, tables: Tables) -> str:
    """Give what the example becomes for each destination, as text with one fact a line.

    An example's patient numbers are invented, so the site's own rules for them would stop every strip of it.
    """
    capture = Capture(
        source="example", way=Way.FOLDER, arrived_at=_ARRIVED, payload=profile.example.payload, name="example", live=False
    )
    terms = [terms_of(config, destination) for destination in config.destinations]
    open_tables = replace(tables, policy=default_policy())
    strips = [_plain(trial) for trial in try_out(capture, profile, terms, open_tables, called="EXAMPLE")]
    return json.dumps(strips, indent=1, ensure_ascii=False) + "\n"


def _plain(trial: Trial) -> dict[str, object]:
    return {
        "outcome": trial.word,
        "findings": [f"{finding.rule}: {finding.sentence}" for finding in trial.findings],
        "messages": {
            tried.destination: lines(tried.message)
            if tried.message
            else f"stopped: {tried.finding.rule if tried.finding else ''}"
            for tried in trial.messages
        },
    }


def _difference(kept: str, now: str) -> Iterator[str]:
    return difflib.unified_diff(kept.splitlines(), now.splitlines(), "accepted", "now", n=0, lineterm="")
