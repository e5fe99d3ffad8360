"""When each speaker was heard, in as many columns as a picture has, for a log whose length is not known before its end.

Columns begin 1 ms wide and double in width, two becoming one, whenever the log runs past the last of them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

COLUMNS = 512
_FIRST_WIDTH_S = 0.001


class Presence:
    """Counts frames by speaker and column."""

    def __init__(self) -> None:
        self.width_s = _FIRST_WIDTH_S
        self.counts: dict[int, NDArray[np.int64]] = {}
        #: Frames that count for no speaker, such as error frames, by column.
        self.errors: NDArray[np.int64] = np.zeros(COLUMNS, np.int64)

    def add(self, time_s: NDArray[np.float64], key: NDArray[Any], most: int) -> None:
        """Adds frames of speakers; those beyond ``most`` speakers are left out."""
        if not len(time_s):
            return
        places = self._places(time_s)
        # One sort for both: columns of one speaker lie together.
        numbers, counts = np.unique(key.astype(np.int64) * COLUMNS + places, return_counts=True)
        speakers, columns = np.divmod(numbers, COLUMNS)
        for one in np.unique(speakers).tolist():
            row = self.counts.get(one)
            if row is None:
                if len(self.counts) >= most:
                    continue
                row = self.counts[one] = np.zeros(COLUMNS, np.int64)
            mine = speakers == one
            row[columns[mine]] += counts[mine]

    def add_errors(self, time_s: NDArray[np.float64]) -> None:
        """Adds error frames."""
        if len(time_s):
            self.errors += np.bincount(self._places(time_s), minlength=COLUMNS)

    def _places(self, time_s: NDArray[np.float64]) -> NDArray[np.int64]:
        latest = float(time_s.max())
        while latest >= self.width_s * COLUMNS:
            self.width_s *= 2
            for key, row in self.counts.items():
                self.counts[key] = _halved(row)
            self.errors = _halved(self.errors)
        return np.clip((time_s / self.width_s).astype(np.int64), 0, COLUMNS - 1)


def _halved(row: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.concatenate((row.reshape(-1, 2).sum(axis=1), np.zeros(COLUMNS // 2, np.int64)))
