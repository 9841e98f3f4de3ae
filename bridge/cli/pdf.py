"""The short-lived child that lays a report out as PDF.

``python -m bridge.cli.pdf`` reads ``{"html", "css"}`` as JSON from standard input and writes the PDF to standard output. The pages start it
for one report, so that the serving process never loads the layout library. It ends with ``NOT_INSTALLED`` where that library, or the
system's part of it (Pango), is not there.
"""

from __future__ import annotations

import json
import os
import sys

NOT_INSTALLED = 3  # ours: no status that Python or a signal gives
VARIANT = "pdf/ua-1"  # ISO 14289-1: tagged, with title and language, for screen readers


def main() -> int:
    """Lay out what standard input holds."""
    os.nice(10)  # intake and delivery come first on a small machine
    try:
        import weasyprint  # noqa: PLC0415 - the extra `pdf`, which may be missing
        from weasyprint.urls import URLFetcher  # noqa: PLC0415 - as above
    except (ImportError, OSError) as error:  # OSError: a shared library of Pango is missing
        print(error, file=sys.stderr)
        return NOT_INSTALLED
    asked = json.load(sys.stdin)
    nothing = URLFetcher(allowed_protocols=(), fail_on_errors=True)  # a report is whole: it fetches no file and calls nobody
    page = weasyprint.HTML(string=asked["html"], url_fetcher=nothing)
    style = weasyprint.CSS(string=asked["css"], url_fetcher=nothing)
    sys.stdout.buffer.write(page.write_pdf(stylesheets=[style], pdf_variant=VARIANT))
    return 0


if __name__ == "__main__":
    sys.exit(main())
