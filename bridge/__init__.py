"""Padpost: carries urine reagent-strip results to the right patient's record.

Walk the package as a strip's result walks: receive, wire, read, check, coding,
render, queue, deliver. ``model`` holds one frozen type for each stage.
"""

__version__ = "0.1.0"
