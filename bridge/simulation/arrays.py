"""The arrays that this package passes around, and decibels of whole arrays."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Samples = NDArray[np.float32]
Envelope = NDArray[np.complex128]


def ratios(levels_db: Floats) -> Floats:
    """Return the amplitude ratios of levels in dB."""
    return np.power(10.0, levels_db / 20.0)


def counted(first: int, count: int) -> Floats:
    """Return ``count`` whole numbers from ``first`` on."""
    return np.arange(first, first + count).astype(np.float64)
