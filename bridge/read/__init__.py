"""From bytes to what the analyzer said, strip by strip, as printed. Pure; never raises on data."""

from __future__ import annotations

from bridge.read.capture import read_capture
from bridge.read.example import check_example

__all__ = ["check_example", "read_capture"]
