"""The file of signatures: rows are added and never changed, and a wrong one is told with file, line and key."""

from __future__ import annotations

import stat
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from bridge.errors import SettingsError
from bridge.sign_off import HEAD, add_signature, last_signed, read_signatures
from bridge.tables.signatures import Signature
from tests.tables.shipped_tables import tables

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
DIGEST = "0f" * 32
ROW = f'  - tables: {DIGEST}\n    by: Ana Prado\n    at: "2026-11-25T12:00:00+00:00"\n'


def signature(by: str = "Ana Prado", words: str = "") -> Signature:
    return Signature(tables=tables().digest, by=by, at=NOON, words=words)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "signed_off.yaml"


def test_without_a_file_nobody_signed(path: Path) -> None:
    """A new site has none, and that is no error."""
    assert read_signatures(path) == ()


def test_a_row_is_added_and_read_back(path: Path) -> None:
    """As it was given, letters beyond ASCII and signs of YAML included; the table set lies beside it under its digest."""
    first = signature(words="All steps of plover-12 against its sheet: 'ok' # two readers — João")
    add_signature(path, first, tables())
    assert read_signatures(path) == (first,)
    assert path.read_text(encoding="utf-8").startswith(HEAD)
    kept = path.parent / "signed_off_tables" / f"{tables().digest}.json"
    assert kept.read_bytes() == tables().canonical
    assert sorted(each.name for each in path.parent.iterdir()) == ["signed_off.yaml", "signed_off_tables"]


def test_earlier_rows_keep_their_bytes(path: Path) -> None:
    """A person's remark and another zone stay as they stand; the file's rights too."""
    text = f'# kept by hand\n{HEAD}  # the first\n  - tables: {DIGEST}\n    by: Rui Sá\n    at: "2026-11-24T12:00:00-03:00"\n\n'
    path.write_text(text, encoding="utf-8")
    path.chmod(0o640)
    add_signature(path, signature(), tables())
    assert path.read_text(encoding="utf-8").startswith(text.rstrip())
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    earlier = Signature(tables=DIGEST, by="Rui Sá", at=datetime(2026, 11, 24, 12, tzinfo=timezone(-timedelta(hours=3))))
    assert read_signatures(path) == (earlier, signature())


WRONG = {
    "a digest of another length": (ROW.replace(DIGEST, "0f0f"), "3: signed_off[0].tables: String should match pattern"),
    "a digest in capitals": (ROW.replace(DIGEST, DIGEST.upper()), "3: signed_off[0].tables: String should match pattern"),
    "no digest": (ROW.replace(f"  - tables: {DIGEST}\n    by", "  - by"), "3: signed_off[0].tables: The key 'tables' is missing."),
    "no name": (ROW.replace("    by: Ana Prado\n", ""), "3: signed_off[0].by: The key 'by' is missing."),
    "an empty name": (ROW.replace("Ana Prado", '" "'), "4: signed_off[0].by: a signature needs the name of a person."),
    "a number for a name": (ROW.replace("Ana Prado", "7"), "4: signed_off[0].by: a signature needs the name of a person."),
    "no time": (ROW.replace('    at: "2026-11-25T12:00:00+00:00"\n', ""), "3: signed_off[0].at: The key 'at' is missing."),
    "a naive time": (
        ROW.replace("+00:00", ""),
        "5: signed_off[0].at: this time lacks its offset from UTC, as in 2026-11-25T09:30:00+00:00. It says '2026-11-25T12:00:00'.",
    ),
    "a number for a time": (ROW.replace('"2026-11-25T12:00:00+00:00"', "20"), "5: signed_off[0].at: this is not a time such as"),
    "an unknown key": (ROW.replace("by:", "bye:"), "4: signed_off[0].bye: The key 'bye' is unknown here. Did you mean 'by'?"),
    "a key given twice": (ROW + "    by: Rui Sá\n", "6: signed_off[0].by: The key 'by' is given twice."),
    "no list": ("  tables: x\n", "2: signed_off: Input should be a valid tuple."),
    "no rows": ("", "2: signed_off: Input should be a valid tuple."),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_file_is_told_with_its_line_and_is_not_added_to(path: Path, case: str) -> None:
    """A signature that cannot be read is none; and what stands there is left as it is."""
    rows, words = WRONG[case]
    text = f"# ours\nsigned_off:\n{rows}"
    path.write_text(text, encoding="utf-8")
    for ask in (lambda: read_signatures(path), lambda: add_signature(path, signature(), tables())):
        with pytest.raises(SettingsError) as wrong:
            ask()
        assert str(wrong.value).startswith(f"{path}:{words}")
    assert path.read_text(encoding="utf-8") == text
    assert [each.name for each in path.parent.iterdir()] == [path.name]


@pytest.mark.parametrize("text", ["signed_off: []\n", f"signed_off:\n{ROW.replace('  - ', '- ').replace('    ', '  ')}"])
def test_a_form_that_cannot_be_added_to_is_told(path: Path, text: str) -> None:
    """It reads well, but a row behind it would be read as something else, or not at all."""
    path.write_text(text, encoding="utf-8")
    before = read_signatures(path)
    with pytest.raises(SettingsError, match="two blanks before each hyphen"):
        add_signature(path, signature(), tables())
    assert (path.read_text(encoding="utf-8"), read_signatures(path)) == (text, before)


def test_a_path_that_cannot_be_looked_at_is_told(tmp_path: Path) -> None:
    """ENAMETOOLONG stands for every answer but "not there": to root, a missing right is none."""
    with pytest.raises(SettingsError, match=r"cannot be read: File name too long\. Give whoever runs Padpost"):
        read_signatures(tmp_path / ("n" * 300))


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """A file stands where the folder should be; nothing is added."""
    (tmp_path / "taken").write_text("", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"cannot be written: File exists\. Run this as a user who may write there"):
        add_signature(tmp_path / "taken" / "signed_off.yaml", signature(), tables())


def test_the_last_signed_set_that_is_whole_is_compared_with(path: Path) -> None:
    """Not the set in use itself, and none whose copy is lost or spoilt: a false difference would be signed for."""
    assert last_signed(path, (), apart_from=DIGEST) is None
    add_signature(path, signature(), tables())
    signatures = read_signatures(path)
    assert last_signed(path, signatures, apart_from=tables().digest) is None
    later = (*signatures, Signature(tables=DIGEST, by="Rui Sá", at=NOON))
    assert last_signed(path, later, apart_from="x") == (signature(), tables().canonical)
    (path.parent / "signed_off_tables" / f"{tables().digest}.json").write_bytes(b"{}")
    assert last_signed(path, later, apart_from="x") is None
