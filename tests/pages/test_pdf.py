"""A report as PDF by the real child, and what a reader is told where none can be made."""

from __future__ import annotations

import io
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from pypdf import PdfReader

from bridge.cli import pdf as child
from bridge.pages import pdf
from bridge.pages.pdf import PdfError, is_installed, pdf_of


def test_a_report_is_laid_out() -> None:
    """Whole, by the style sheet that goes with it."""
    made = pdf_of("<title>x</title><p>Strips: 41", "@page { @top-left { content: 'Test Clinic' } }")
    (page,) = PdfReader(io.BytesIO(made)).pages
    assert sorted(page.extract_text().split("\n")) == ["Strips: 41", "Test Clinic"]


def test_the_service_never_loads_the_library() -> None:
    """It is asked for by name alone: 40 MB and 0.4 s that no start pays."""
    asks = "import sys; from bridge.pages.pdf import pdf_of, is_installed; assert is_installed(); pdf_of('<p>x', '')"
    ran = subprocess.run(
        [sys.executable, "-c", f"{asks}; print('weasyprint' in sys.modules)"],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert ran.stdout == "False\n"


def test_both_sides_know_the_status() -> None:
    """The parent does not load the child's module; the number is one."""
    assert pdf.NOT_INSTALLED == child.NOT_INSTALLED


def test_without_the_extra_a_reader_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is missing, who adds it and how, and what does as well meanwhile."""
    monkeypatch.setattr(pdf, "find_spec", lambda _: None)
    assert not is_installed()
    with pytest.raises(PdfError, match=r"PDF is not installed .* extra `pdf` .* Until then print the report from the browser"):
        pdf_of("<p>x", "")


def without_pango(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, body: str) -> None:
    """Let the child find another module of the library's name first."""
    (tmp_path / "weasyprint.py").write_text(body, encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))


def test_without_pango_a_reader_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The package is there and the system's library is not: it raises OSError as it is loaded."""
    without_pango(monkeypatch, tmp_path, "raise OSError('cannot load library libpango-1.0-0')\n")
    with pytest.raises(PdfError, match="PDF is not installed"):
        pdf_of("<p>x", "")


def test_a_child_that_fails_gives_no_half_report(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Whatever it was, nobody prints a torn file; and its words, which may quote a report, are not logged."""
    without_pango(monkeypatch, tmp_path, "raise RuntimeError('patient 40700007')\n")
    with pytest.raises(PdfError, match="could not be laid out"):
        pdf_of("<p>x", "")


def test_a_layout_that_never_ends_is_ended(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A reader is not left waiting, and the next report has its turn."""
    without_pango(monkeypatch, tmp_path, "import threading\nthreading.Event().wait()\n")
    monkeypatch.setattr(pdf, "LAYOUT_S", 1.0)
    with pytest.raises(PdfError, match="not ready after 1 s"):
        pdf_of("<p>x", "")
    monkeypatch.delenv("PYTHONPATH")
    monkeypatch.undo()
    assert pdf_of("<title>x</title><p>x", "").startswith(b"%PDF-")


def test_one_report_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Many readers cannot take the machine's memory: who finds no turn is asked to try again."""
    taken = threading.BoundedSemaphore(1)
    taken.acquire()
    monkeypatch.setattr(pdf, "_turn", taken)
    monkeypatch.setattr(pdf, "TURN_S", 0.01)
    with pytest.raises(PdfError, match="Another report is being made"):
        pdf_of("<p>x", "")
