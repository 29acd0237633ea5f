"""Wow and flutter: a size on the standard's scale goes in, how far the tape is ahead of even running comes out.

Speed varies with the rotating parts (reel, roller, capstan) and with friction in between. It is modelled as frequency
deviation made of sinusoids: three of the rotating parts, the rest spread over 0.3 Hz to 80 Hz with equal power an
octave. Scrape flutter in the kilohertz range is left out: it lies outside of the weighting.
"""

import math
from typing import Final

import numpy as np

from bridge.simulation.arrays import Floats, ratios

WEIGHTING_DB: Final = (
    (0.1, -48.0), (0.2, -30.6), (0.315, -19.7), (0.4, -15.0), (0.63, -8.4), (0.8, -6.0), (1.0, -4.2), (1.6, -1.8),
    (2.0, -0.9), (4.0, 0.0), (6.3, -0.9), (10.0, -2.1), (20.0, -5.9), (40.0, -10.4), (63.0, -14.2), (100.0, -17.3),
    (200.0, -23.0),
)  # fmt: skip
"""(Hz, dB): the weighting of AES6-2008, the same as IEC 60386; its shape is published, these values are from memory."""

TWO_SIGMA: Final = 0.9545
"""AES6-2008 reads the peak flutter that is exceeded 4.55 % of the time."""

_ROTATING: Final = ((640.0, 0.45), (160.0, 0.35), (60.0, 0.8))
"""(circumference in mm, share of the deviation): a reel, a roller, a capstan. Common practice, no source."""

_SPREAD: Final = 28
"""Sinusoids for everything that does not rotate."""


class Flutter:
    """Deviation from even speed as a function of time.

    Parameters
    ----------
    rng : numpy.random.Generator
    weighted_peak : float
        Weighted peak flutter by the two-sigma method of AES6-2008, as a fraction: 0.0005 is ±0.05 %. 0…0.01.
    speed_mm_per_s : float
        Tape speed: the rotating parts turn with it.
    """

    def __init__(self, rng: np.random.Generator, weighted_peak: float, speed_mm_per_s: float) -> None:
        if not 0.0 <= weighted_peak <= 0.01:
            raise ValueError(f"weighted peak flutter must be from 0 to 0.01 (1 %), not {weighted_peak:g}")
        edges = np.geomspace(0.3, 80.0, _SPREAD + 1)
        spread_hz = edges[:-1] * (edges[1:] / edges[:-1]) ** rng.random(_SPREAD)
        hz = np.concatenate(([speed_mm_per_s / length for length, _ in _ROTATING], spread_hz))
        shares = np.concatenate(([share for _, share in _ROTATING], np.full(_SPREAD, math.sqrt(1.0 / _SPREAD))))
        phases = 2.0 * np.pi * rng.random(hz.size)
        table = np.array(WEIGHTING_DB)
        weights = ratios(np.interp(np.log(hz), np.log(table[:, 0]), table[:, 1]))
        # The scale is what makes this very sum read the wanted size over 200 s.
        moments = np.arange(0.0, 200.0, 1.0 / 200.0)[:, np.newaxis]
        weighted = np.cos(2.0 * np.pi * hz * moments + phases) @ (shares * weights)
        unit = float(np.quantile(np.abs(weighted), TWO_SIGMA))
        self._omega: Floats = 2.0 * np.pi * hz
        self._phases: Floats = phases
        self._ahead: Floats = weighted_peak / unit * shares / self._omega
        self.quiet: Final = weighted_peak == 0.0

    def ahead_s(self, seconds: Floats) -> Floats:
        """Return by how many seconds the tape is ahead of even running, shape as ``seconds``."""
        return np.sin(np.multiply.outer(seconds, self._omega) + self._phases) @ self._ahead

    def table(self, offsets_s: Floats) -> "FlutterTable":
        """Return the same for many stretches of equal length: ``offsets_s`` from the beginning of each."""
        return FlutterTable(self._omega, self._phases, self._ahead, offsets_s)


class FlutterTable:
    """`Flutter` sampled at fixed offsets from a beginning: one product of a matrix and a vector for each stretch."""

    def __init__(self, omega: Floats, phases: Floats, ahead: Floats, offsets_s: Floats) -> None:
        angle = np.multiply.outer(offsets_s, omega)
        self._table: Floats = np.concatenate((np.cos(angle), np.sin(angle)), axis=1)
        self._omega, self._phases, self._ahead = omega, phases, ahead

    def ahead_s(self, start_s: float) -> Floats:
        """Return by how many seconds the tape is ahead at each offset from ``start_s``."""
        start = self._omega * start_s + self._phases
        return self._table @ np.concatenate((self._ahead * np.sin(start), self._ahead * np.cos(start)))
