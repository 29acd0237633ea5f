"""Finding a tone that is not known yet: a stretch of samples in, its frequency out, or none."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

SEARCH_S: Final = 0.16
"""Least length of the stretch: three periods of the lowest tone, 20 Hz."""

LOWEST_HZ: Final = 15.0
HIGHEST_HZ: Final = 21_000.0

LEAST_SHARE: Final = 0.8
"""A tone holds at least this share of an input's power: 6 dB above all noise together passes, speech does not."""

LEAST_RMS: Final = 1.8e-4
"""−75 dBFS by AES17 (a sine of −75 dBFS has rms 1.26e-4 · 1.41): below that lies noise and crosstalk."""

MODULATION: Final = 0.004
"""Relative width of the band that a tone fills when speed wanders within the stretch: ±0.4 %."""

SEARCHED_INPUTS: Final = 8
"""A tone plays on all tracks: the strongest inputs tell it, and a search of 64 would cost metering its time."""


class ToneFinder:
    """Finds the tone that most inputs agree on.

    Parameters
    ----------
    sample_rate_hz : int
    """

    def __init__(self, sample_rate_hz: int) -> None:
        self.frames = 2 ** math.ceil(math.log2(SEARCH_S * sample_rate_hz))
        self._bin_hz = sample_rate_hz / self.frames
        self._window = np.hanning(self.frames + 1)[:-1, None].astype(np.float32)
        self._first_bin = max(2, math.ceil(LOWEST_HZ / self._bin_hz))
        self._end_bin = min(self.frames // 2, math.floor(HIGHEST_HZ / self._bin_hz)) + 1

    def find(self, samples: NDArray[np.float32]) -> float | None:
        """Return the frequency in Hz of the tone in samples of shape (``frames``, inputs), or None."""
        rms = np.sqrt(np.einsum("ni,ni->i", samples, samples) / self.frames)
        strongest = np.argsort(-rms)[:SEARCHED_INPUTS]
        strongest = strongest[rms[strongest] >= LEAST_RMS]
        if strongest.size == 0:
            return None
        amplitude = np.abs(np.fft.rfft(samples[:, strongest] * self._window, axis=0))[: self._end_bin]
        amplitude[: self._first_bin - 1] = 0.0
        power = amplitude**2
        power /= power.sum(axis=0)
        peak = self._first_bin + int(np.argmax(power[self._first_bin :].sum(axis=1)))
        half_width = 2 + math.ceil(MODULATION * peak)
        shares = power[max(peak - half_width, 0) : peak + half_width + 1].sum(axis=0)
        best = int(np.argmax(shares))
        if shares[best] < LEAST_SHARE:
            return None
        hz: float = (peak + self._between_bins(amplitude[:, best], peak)) * self._bin_hz
        return hz

    @staticmethod
    def _between_bins(amplitude: NDArray[np.float32], peak: int) -> float:
        """Where between its bins a line lies: with a Hann window the ratio r of neighbours is at (2r − 1)/(r + 1)."""
        right = peak + 1 < amplitude.shape[0] and amplitude[peak + 1] >= amplitude[peak - 1]
        neighbour = amplitude[peak + 1] if right else amplitude[peak - 1]
        ratio = float(neighbour / amplitude[peak])
        return (1.0 if right else -1.0) * max(0.0, (2.0 * ratio - 1.0) / (ratio + 1.0))
