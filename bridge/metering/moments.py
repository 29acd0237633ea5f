"""Means and variances over moving windows: rows in, one at a time; both for any window up to the longest out.

Sums from the beginning are kept, and a window is the difference of two of them, so a row costs the same however long
the windows are. A window that holds a NaN has no mean and no variance.
"""

import math

import numpy as np
from numpy.typing import NDArray

from bridge.metering.history import History


class MovingMoments:
    """Moments of the last rows.

    Parameters
    ----------
    longest : int
        Rows of the longest window.
    width : int
        Values of a row.
    """

    def __init__(self, longest: int, width: int) -> None:
        self._width = width
        # In each row: the sums of the values, of their squares, and the number of NaN.
        self._sums: History[np.float64] = History(longest + 1, 3 * width, np.float64)
        self._row = np.zeros(3 * width)
        self._count = 0

    def clear(self) -> None:
        """Forget all rows."""
        self._sums.clear()
        self._row[:] = 0.0
        self._count = 0

    def push(self, values: NDArray[np.float64]) -> None:
        """Add a row."""
        width = self._width
        missing = np.isnan(values)
        known = np.where(missing, 0.0, values)
        self._row[:width] += known
        self._row[width : 2 * width] += known * known
        self._row[2 * width :] += missing
        self._sums.append(self._row)
        self._count += 1

    def mean(self, rows: int) -> NDArray[np.float64]:
        """Return the mean of each value over the last rows; NaN while there are fewer, or one of them is NaN."""
        width = self._width
        window = self._window(rows)
        return np.where(window[2 * width :] == 0.0, window[:width] / rows, math.nan)

    def deviation(self, rows: int) -> NDArray[np.float64]:
        """Return the standard deviation (n − 1) in the same way."""
        width = self._width
        window = self._window(rows)
        total = window[:width]
        variance = np.maximum(window[width : 2 * width] - total * total / rows, 0.0) / (rows - 1)
        return np.where(window[2 * width :] == 0.0, np.sqrt(variance), math.nan)

    def _window(self, rows: int) -> NDArray[np.float64]:
        if self._count < rows:
            return np.full(3 * self._width, math.nan)
        sums = self._sums.last(rows + 1)
        window: NDArray[np.float64] = sums[-1] - sums[0]
        return window
