"""The site configuration: right files are read, wrong ones are answered with file, line, key and remedy."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from bridge import settings
from bridge.errors import SettingsError
from tests.settings.site_files import GOOD, write


def test_good_file_is_read_with_paths_beside_it(tmp_path: Path) -> None:
    """Relative paths start at the file's folder, and what is left out has its default."""
    read = settings.read_settings(write(tmp_path, GOOD))
    assert read.site.zone == ZoneInfo("Europe/Lisbon")
    assert read.site.data == tmp_path / "store"
    assert read.signed_off == tmp_path / "signed_off.yaml"
    line, drops = read.sources
    assert isinstance(line, settings.SerialSource)
    assert line.baud == 9600
    assert isinstance(drops, settings.FolderSource)
    assert drops.path == tmp_path / "drops"
    assert read.pages.host == "127.0.0.1"
    assert read.destinations[0].values == ("arbitrary", "conventional", "si")


@pytest.mark.parametrize(
    ("change", "line", "key", "words"),
    [
        (("- name: drops", "- name: bench-line"), 1, "", "two sources are called 'bench-line'"),
        (("'\\d{8}'", "'(\\d{8}'"), 5, "patient_ids", "is not a regular expression"),
    ],
)
def test_wrong_file_names_line_key_and_remedy(tmp_path: Path, change: tuple[str, str], line: int, key: str, words: str) -> None:
    """An admin finds the place without searching."""
    assert change[0] in GOOD
    path = write(tmp_path, GOOD.replace(*change, 1))
    with pytest.raises(SettingsError) as caught:
        settings.read_settings(path)
    assert caught.value.spot is not None
    assert (caught.value.spot.line, caught.value.spot.key) == (line, key)
    assert words in str(caught.value)
    assert str(path) in str(caught.value)


def test_other_hosts_need_to_be_meant(tmp_path: Path) -> None:
    """Pages must not be reachable from other machines by accident."""
    with pytest.raises(SettingsError, match="allow_other_hosts"):
        settings.read_settings(write(tmp_path, GOOD + "pages:\n  host: 0.0.0.0\n"))
    meant = GOOD + "pages:\n  host: 0.0.0.0\n  allow_other_hosts: true\n  host_names: [bench.example]\n"
    assert settings.read_settings(write(tmp_path, meant)).pages.host == "0.0.0.0"


US = """    port: 2575
    format: oru_r01_us
    sending_facility: LAB7
    message_profile: Agreed^^2.999.5^ISO
    provider: {number: "4711", family: Heron}
    laboratory: {name: Test Bench, city: Ford, country: PRT}
"""


def test_a_destination_of_the_us_shape_that_has_everything_is_read(tmp_path: Path) -> None:
    """The fields that the guide's table calls R and that only the site can fill."""
    read = settings.read_settings(write(tmp_path, GOOD.replace("    port: 2575\n", US, 1)))
    assert read.destinations[0].format == "oru_r01_us"


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "words"),
    [
        ("    sending_facility: LAB7\n", "", 22, "destinations[0].sending_facility", "MSH-4"),
        ("    message_profile: Agreed^^2.999.5^ISO\n", "", 22, "destinations[0].message_profile", "MSH-21"),
        ('    provider: {number: "4711", family: Heron}\n', "", 22, "destinations[0].provider", "ORC-12 and OBR-16"),
        ("    laboratory: {name: Test Bench, city: Ford, country: PRT}\n", "", 22, "destinations[0].laboratory", "OBX-23"),
        (", city: Ford", "", 30, "destinations[0].laboratory.city", "address, OBX-24"),
        (
            "    sending_facility: LAB7\n",
            "    sending_facility: LAB7\n    observed_at: empty\n",
            28,
            "destinations[0].observed_at",
            "OBR-7",
        ),
        ("country: PRT", "country: Portugal", 30, "destinations[0].laboratory.country", "should match pattern"),
    ],
)
def test_what_the_us_shape_lacks_is_named_with_its_key(
    tmp_path: Path, old: str, new: str, line: int, key: str, words: str
) -> None:
    """A message without it would be turned away strip by strip: it stops the start instead."""
    assert old in US
    path = write(tmp_path, GOOD.replace("    port: 2575\n", US.replace(old, new, 1), 1))
    with pytest.raises(SettingsError) as caught:
        settings.read_settings(path)
    assert caught.value.spot is not None
    assert (caught.value.spot.line, caught.value.spot.key) == (line, key)
    assert words in str(caught.value)
