"""The last rows of a growing table, always at hand as one contiguous view."""

from typing import Generic, TypeVar

import numpy as np
from numpy.typing import DTypeLike, NDArray

Scalar = TypeVar("Scalar", bound=np.generic)


class History(Generic[Scalar]):
    """The last ``length`` rows of ``width`` values; filled with ``empty`` at first."""

    def __init__(self, length: int, width: int, dtype: DTypeLike, empty: complex = 0.0) -> None:
        # Four times the length: rows are moved back to the start only once in three lengths.
        self._rows: NDArray[Scalar] = np.full((4 * length, width), empty, dtype=dtype)
        self._length = length
        self._empty = empty
        self._end = length

    def append(self, row: NDArray[Scalar]) -> None:
        """Add a row; the oldest is forgotten."""
        if self._end == self._rows.shape[0]:
            self._rows[: self._length] = self._rows[self._end - self._length : self._end]
            self._end = self._length
        self._rows[self._end] = row
        self._end += 1

    def last(self, count: int) -> NDArray[Scalar]:
        """Return the last ``count`` rows, oldest first, as a view that is valid until the next append."""
        return self._rows[self._end - count : self._end]

    def clear(self) -> None:
        """Forget all rows."""
        self._rows[: self._length] = self._empty
        self._end = self._length
