"""How long the store keeps what names a patient, and how much of the disk stays free."""

from __future__ import annotations

from pydantic import Field, model_validator

from bridge.settings.shapes import Shape

SHORTEST_DAYS = 31  # ours: beyond the longest re-run window (7 days) and the month in which a receiver's question comes
LONGEST_DAYS = 36_500  # ours: a hundred years


class Keep(Shape):
    """How many days things are kept, counted from the strip's arrival; for ever where nothing is said.

    After ``captures_days`` the bytes as received are emptied; after ``results_days`` everything that names a patient or a value; after
    ``events_days`` the history. What is open (waiting, stopped, not delivered) is never touched, and the proof of each delivery stays.
    """

    captures_days: int | None = Field(default=None, ge=SHORTEST_DAYS, le=LONGEST_DAYS)
    results_days: int | None = Field(default=None, ge=SHORTEST_DAYS, le=LONGEST_DAYS)
    events_days: int | None = Field(default=None, ge=SHORTEST_DAYS, le=LONGEST_DAYS)

    @model_validator(mode="after")
    def _captures_go_first(self) -> Keep:
        if self.results_days is not None and (self.captures_days is None or self.captures_days > self.results_days):
            raise ValueError(
                "results_days needs captures_days, and not a longer one: the bytes as received hold all that a result does"
            )
        return self


class Room(Shape):
    """How much must stay free where the store lies. Below ``refuse_below_mb`` (or ``refuse_below_files``) nothing new is taken in.

    What is left then is for acknowledgements, deliveries and their history. ``warn_below_mb`` shows a notice on Today. Millions of bytes.
    """

    refuse_below_mb: int = Field(default=200, ge=1, le=1_000_000)
    warn_below_mb: int = Field(default=1_000, ge=1, le=1_000_000)
    refuse_below_files: int = Field(default=100, ge=0, le=1_000_000)

    @model_validator(mode="after")
    def _warns_first(self) -> Room:
        if self.warn_below_mb < self.refuse_below_mb:
            raise ValueError("warn_below_mb must not be less than refuse_below_mb: the notice would come too late")
        return self
