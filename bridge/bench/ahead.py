"""What was judged of one analyzer and does not stand in the store yet, as far as the next strip must know of it.

Judging need not wait for the commit of a strip that has nothing to do with the next one. Which have is told by the keys
by which facts are fetched; the newest number series, which every strip may move, is carried along.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from bridge.bench.series import newer
from bridge.model import Needs, Neighbour, SeriesState

_Keys = tuple[str, str, str, str]


class Ahead:
    """The strips of one analyzer between judging and their commit, oldest first."""

    def __init__(self) -> None:
        self._waiting: deque[tuple[_Keys, Neighbour | None]] = deque()
        self._series: dict[str, SeriesState | None] = {}

    def meets(self, needs: Needs) -> bool:
        """Say whether one of them could be the strip that asks for ``needs``, or be of its patient: its facts lack that one then."""
        mode, number, digest, patient_id = _keys(needs)
        return any(
            (mode, number) == (its_mode, its_number) or digest == its_digest or (patient_id and patient_id == its_patient)
            for (its_mode, its_number, its_digest, its_patient), _ in self._waiting
        )

    def series(self, mode: str, stored: Callable[[], SeriesState | None]) -> SeriesState | None:
        """Give the newest series of the analyzer and mode. ``stored`` gives the store's; it is asked once, since whoever asks moves it alone."""
        if mode not in self._series:
            self._series[mode] = stored()
        return self._series[mode]

    def neighbour(self) -> Neighbour | None:
        """Give the patient's strip that was judged last, if one of these is; else the store knows it."""
        return next((each for _, each in reversed(self._waiting) if each is not None), None)

    def add(self, needs: Needs, left: SeriesState | None, neighbour: Neighbour | None = None) -> None:
        """Note a strip that was judged: the series state that it leaves behind, and what the next one must know of it."""
        self._waiting.append((_keys(needs), neighbour))
        if left is not None and needs.mode in self._series:  # else the store is asked, once this strip is committed
            self._series[needs.mode] = newer(self._series[needs.mode], left)

    def forget_series(self) -> None:
        """Ask the store again: it was moved by a strip that was not added here."""
        self._series.clear()

    def committed(self) -> None:
        """Note that the oldest stands in the store now."""
        self._waiting.popleft()


def _keys(needs: Needs) -> _Keys:
    return needs.mode, needs.number, needs.record_digest, needs.patient_id
