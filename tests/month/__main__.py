"""Play the month and print its page; with ``--write`` write it: ``python -m tests.month --write``."""

from __future__ import annotations

import logging
import sys

import structlog

from tests.month.report import PAGE, compared, page

structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
found = compared()
sys.stdout.write(page(found))
if "--write" in sys.argv[1:]:
    PAGE.write_text(page(found), encoding="utf-8")
if found.differences:
    sys.exit("\n".join(found.differences[:20]))
