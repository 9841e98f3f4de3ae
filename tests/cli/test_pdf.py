"""The child that lays a report out: whole PDFs read back by another library, and nothing fetched."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from typing import Any

import pytest
from pypdf import PdfReader

from bridge.cli.pdf import NOT_INSTALLED

WITHOUT = "import sys; sys.modules['weasyprint'] = None; from bridge.cli.pdf import main; sys.exit(main())"


def child(html: str, css: str = "", *, call: tuple[str, ...] = ("-m", "bridge.cli.pdf")) -> subprocess.CompletedProcess[bytes]:
    """Run the child on one report."""
    asked = json.dumps({"html": html, "css": css}).encode()
    return subprocess.run([sys.executable, *call], input=asked, capture_output=True, timeout=60, check=False)


def test_a_report_becomes_a_tagged_pdf() -> None:
    """Read back by pypdf: pages, title, language and tags (ISO 14289-1 asks for the last three)."""
    html = "<html lang=en><title>Day sheet</title><h1>One</h1><p style='break-before: page'>Two</p></html>"
    made = child(html, "@page { @bottom-right { content: 'Page ' counter(page) ' of ' counter(pages) } }")
    assert made.returncode == 0, made.stderr
    read = PdfReader(io.BytesIO(made.stdout))
    texts = [page.extract_text() for page in read.pages]
    assert ["Page 1 of 2" in texts[0], "One" in texts[0], "Page 2 of 2" in texts[1], "Two" in texts[1]] == [True] * 4
    assert read.metadata is not None
    assert read.metadata.title == "Day sheet"
    root: Any = read.root_object
    assert (str(root["/Lang"]), bool(root["/MarkInfo"]["/Marked"]), "/StructTreeRoot" in root) == ("en", True, True)


@pytest.mark.parametrize("address", ["file:///etc/hostname", "http://127.0.0.1:9/x.png", "data:image/svg+xml,<svg/>"])
def test_nothing_is_fetched(address: str) -> None:
    """A report is whole; what a text could name is neither read nor called, and the report is refused rather than made with a hole."""
    made = child(f"<title>x</title><p>Text<img src='{address}' alt='a'>")
    assert (made.returncode, made.stdout) == (1, b"")
    assert b"disallowed protocol" in made.stderr


def test_without_the_library_the_child_says_so() -> None:
    """The extra is not installed: a status of its own, and no half a file."""
    made = child("<p>x", call=("-c", WITHOUT))
    assert (made.returncode, made.stdout) == (NOT_INSTALLED, b"")
    assert b"weasyprint" in made.stderr
